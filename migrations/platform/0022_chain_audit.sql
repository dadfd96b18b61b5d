-- The audit trail tells of what was refused as well as of what was done, and each entry is bound to
-- the one before it: the hash of an entry is made of its own content, its number and the hash
-- before. So an entry that is taken away, changed or moved is found by whoever has the hashes, and
-- one taken from the end by whoever kept the last.

alter table audit add column outcome text not null default 'done'
    check (outcome in ('done', 'refused'));
create index audit_refused on audit (programme_id, id) where outcome = 'refused';
create index audit_by_time on audit (programme_id, at, id);
drop index audit_by_programme;

-- Entries of a programme are bound in a few chains side by side, so that those who write at the same
-- time do not wait for one another's commit. The nil programme has what belongs to none.
create table audit_head (
    programme_id uuid not null,
    lane smallint not null,
    entries_n bigint not null,
    hash bytea not null,
    primary key (programme_id, lane)
);
alter table audit_head enable row level security;
create policy audit_head_read on audit_head for select using (is_staff_of(programme_id));
comment on table audit_head is 'bookkeeping: the last link of each chain of the audit trail';

create table audit_link (
    programme_id uuid not null,
    lane smallint not null,
    entry_n bigint not null,
    audit_id bigint not null,
    hash bytea not null,
    primary key (programme_id, lane, entry_n)
);
alter table audit_link enable row level security;
create policy audit_link_read on audit_link for select using (is_staff_of(programme_id));
comment on table audit_link is 'bookkeeping: links of the chains of the audit trail';

-- What of an entry is bound. The program makes the same to check it, and does not ask this function.
create function audit_content(entry audit) returns bytea language sql stable as
$$
    select convert_to(jsonb_build_array(
        entry.id, entry.programme_id, (extract(epoch from entry.at) * 1000000)::bigint,
        entry.actor_id, entry.actor_name, entry.via, entry.operation, entry.outcome,
        entry.touched, entry.request)::text, 'UTF8')
$$;

create function audit_hash(before bytea, entry_n bigint, content bytea) returns bytea
language sql immutable as
$$ select sha256(before || int8send(entry_n) || content) $$;

create function bind_audit(entry audit, own_lane smallint, schema_name text) returns void
language plpgsql as
$$
declare
    chain uuid := coalesce(entry.programme_id, '00000000-0000-0000-0000-000000000000');
    content bytea := audit_content(entry);
    -- Before the first entry of a chain stands what tells this chain from every other.
    start bytea := sha256(convert_to(
        'drupeline audit ' || schema_name || ' ' || chain || ' ' || own_lane, 'UTF8'));
    bound record;
begin
    insert into audit_head as head (programme_id, lane, entries_n, hash)
    values (chain, own_lane, 1, audit_hash(start, 1, content))
    on conflict (programme_id, lane) do update set
        entries_n = head.entries_n + 1,
        hash = audit_hash(head.hash, head.entries_n + 1, content)
    returning head.entries_n, head.hash into bound;
    insert into audit_link (programme_id, lane, entry_n, audit_id, hash)
    values (chain, own_lane, bound.entries_n, entry.id, bound.hash);
end
$$;

-- At the end of the transaction: a chain is held for no longer than the commit takes, and after
-- everything else, so that two writers cannot wait for one another in a circle.
create function bind_new_audit() returns trigger language plpgsql security definer as
$$
begin
    perform bind_audit(new, (pg_backend_pid() % 8)::smallint, tg_table_schema::text);
    return null;
end
$$;
do $$
begin
    execute format('alter function bind_new_audit() set search_path = %I, pg_temp',
        current_schema());
end
$$;

-- What was written before is bound as it stands now.
do $$
declare
    entry audit;
begin
    for entry in select * from audit order by id loop
        perform bind_audit(entry, 0::smallint, current_schema());
    end loop;
end
$$;

create constraint trigger audit_bound after insert on audit
    deferrable initially deferred for each row execute function bind_new_audit();

-- How often a programme's rows have changed, so that a reply once made can be given again for as
-- long as nothing that it may stand on has changed.

create table revision (
    programme_id uuid primary key,
    n bigint not null
);

alter table revision enable row level security;
create policy revision_read on revision for select
    using (programme_id = current_programme() or across_programmes());

-- Counts once in a transaction, at its end: the row is then held for no longer than the commit
-- takes, and two writers cannot wait for one another in a circle.
create function note_change() returns trigger
language plpgsql security definer set search_path from current as
$$
declare
    changed uuid;
begin
    if tg_op = 'DELETE' then
        changed := old.programme_id;
    else
        changed := new.programme_id;
    end if;
    if changed is not null
        and current_setting('drupeline.noted', true) is distinct from changed::text
    then
        insert into revision (programme_id, n) values (changed, 1)
        on conflict (programme_id) do update set n = revision.n + 1;
        perform set_config('drupeline.noted', changed::text, true);
    end if;
    return null;
end
$$;

-- Has the changes of every table counted that belongs to programmes, but for the bookkeeping that
-- no reply stands on. Harmless when run again.
create function count_changes() returns void language plpgsql set search_path from current as
$$
declare
    watched regclass;
begin
    for watched in
        select c.oid::regclass
        from pg_class c
        join pg_attribute a on a.attrelid = c.oid and a.attname = 'programme_id'
        where c.relnamespace = current_schema()::regnamespace
            and c.relkind = 'r'
            and c.relname not in ('audit', 'outbox', 'retry', 'revision')
            and not exists (
                select from pg_trigger t where t.tgrelid = c.oid and t.tgname = 'changes_counted'
            )
    loop
        execute format(
            'create constraint trigger changes_counted after insert or update or delete on %s '
            'deferrable initially deferred for each row execute function note_change()',
            watched
        );
    end loop;
end
$$;

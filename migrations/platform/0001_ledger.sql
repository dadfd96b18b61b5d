-- What every service keeps beside its own tables: the audit trail, announcements to other
-- services, how far it has followed theirs, and replies kept for safe retries.
-- Runs once in each service's schema, which is the search path.

-- The scope of the present transaction, set by the service when the transaction begins. Nothing
-- set means no programme, and a policy that compares with null lets nothing through.
create function current_programme() returns uuid language sql stable parallel safe as
$$ select nullif(current_setting('drupeline.programme', true), '')::uuid $$;

create function current_partner() returns uuid language sql stable parallel safe as
$$ select nullif(current_setting('drupeline.partner', true), '')::uuid $$;

-- True for a service's own bookkeeping, which lies across programmes.
create function across_programmes() returns boolean language sql stable parallel safe as
$$ select coalesce(current_setting('drupeline.across', true), '') = 'on' $$;

-- Whether the present caller is staff of the programme that owns a row.
create function is_staff_of(programme uuid) returns boolean language sql stable parallel safe as
$$ select programme = current_programme() and current_partner() is null $$;

create table audit (
    id bigint generated always as identity primary key,
    programme_id uuid,
    at timestamptz not null,
    actor_id uuid not null,
    actor_name text not null,
    via text not null,
    operation text not null,
    touched jsonb not null,
    request jsonb not null
);
create index audit_by_programme on audit (programme_id, at);

alter table audit enable row level security;
create policy audit_written on audit for insert
    with check (programme_id is not distinct from current_programme() or across_programmes());
create policy audit_read on audit for select using (is_staff_of(programme_id));

create table outbox (
    position bigint generated always as identity primary key,
    -- The writing transaction: a reader waits until no older transaction is still open, so that
    -- a position, once passed, never fills in later.
    written_by xid8 not null default pg_current_xact_id(),
    programme_id uuid not null,
    topic text not null,
    payload jsonb not null,
    at timestamptz not null
);

alter table outbox enable row level security;
create policy outbox_written on outbox for insert with check (programme_id = current_programme());
create policy outbox_read on outbox for select using (across_programmes());

create table feed_cursor (
    source text primary key,
    position bigint not null
);

alter table feed_cursor enable row level security;
create policy feed_cursor_kept on feed_cursor using (across_programmes());

-- The nil programme holds replies to callers outside any programme.
create table retry (
    programme_id uuid not null,
    operation text not null,
    key text not null,
    fingerprint bytea not null,
    reply jsonb not null,
    at timestamptz not null,
    primary key (programme_id, operation, key)
);

alter table retry enable row level security;
create policy retry_kept on retry using (
    programme_id = current_programme()
    or (current_programme() is null and programme_id = '00000000-0000-0000-0000-000000000000')
);

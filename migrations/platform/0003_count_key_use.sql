-- Requests of partners' keys by day. Counted in memory and added up here every few seconds.

create table key_use (
    programme_id uuid not null,
    key_id uuid not null,
    day date not null,
    requests_n bigint not null,
    primary key (programme_id, key_id, day)
);
alter table key_use enable row level security;
create policy key_use_kept on key_use using (across_programmes() or is_staff_of(programme_id));

-- As before, but for more bookkeeping that no reply stands on: uses of keys, and events on their
-- way to whoever waits for them.
create or replace function count_changes() returns void
language plpgsql set search_path from current as
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
            and c.relname not in (
                'audit', 'outbox', 'retry', 'revision', 'key_use', 'due_date_told',
                'webhook', 'webhook_secret', 'webhook_delivery', 'webhook_attempt')
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

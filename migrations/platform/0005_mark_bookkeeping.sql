-- Bookkeeping that no reply stands on says so itself, in its table's comment, so that each service
-- keeps this fact beside its own tables.

comment on table audit is 'bookkeeping: who wrote what, when and by which way';
comment on table outbox is 'bookkeeping: announcements to other services';
comment on table retry is 'bookkeeping: replies kept for safe retries';
comment on table revision is 'bookkeeping: how often the rows of a programme have changed';
comment on table key_use is 'bookkeeping: requests of partners'' keys by day';

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
            and coalesce(obj_description(c.oid, 'pg_class'), '') not like 'bookkeeping:%'
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

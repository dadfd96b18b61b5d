-- A function that runs with its owner's rights looks for tables in its own schema, and for
-- temporary ones last of all; where they are not named they would come first, and whoever calls
-- the function could put one in the way of the table that is meant.

do $$
begin
    execute format('alter function note_change() set search_path = %I, pg_temp', current_schema());
end
$$;

-- As before, and for tables of this schema alone.
create or replace function refresh_statistics(grown text, grown_n bigint) returns void
language plpgsql security definer set search_path from current as
$$
declare
    meant regclass := to_regclass(format('%I.%I', current_schema(), grown));
    known_n double precision;
begin
    if meant is null then
        raise exception 'there is no table % here', grown;
    end if;
    select coalesce(sum(greatest(c.reltuples, 0)), 0) into known_n
    from pg_class c
    where c.relkind = 'r' and (
        c.oid = meant
        or c.oid in (select i.inhrelid from pg_inherits i where i.inhparent = meant));
    if grown_n * 2 >= known_n then
        execute format('analyze %s', meant);
    end if;
end
$$;
do $$
begin
    execute format('alter function refresh_statistics(text, bigint) set search_path = %I, pg_temp',
        current_schema());
end
$$;

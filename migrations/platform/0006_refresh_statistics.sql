-- After a large batch the planner must not reckon with the few rows that it knew before, or it reads
-- whole tables to find a handful of rows. Only the owner of a table may have it counted anew, so a
-- service asks for it here, for tables of its own schema. A table that grew by less than half is left
-- as it is: its numbers are near enough, as the planner also looks at the size on disk, and batch
-- after batch costs little.
create function refresh_statistics(grown text, grown_n bigint) returns void
language plpgsql security definer set search_path from current as
$$
declare
    known_n double precision;
begin
    select coalesce(sum(greatest(c.reltuples, 0)), 0) into known_n
    from pg_class c
    where c.relkind = 'r' and (
        c.oid = grown::regclass
        or c.oid in (select i.inhrelid from pg_inherits i where i.inhparent = grown::regclass));
    if grown_n * 2 >= known_n then
        execute format('analyze %s', grown::regclass);
    end if;
end
$$;
revoke execute on function refresh_statistics(text, bigint) from public;
do $$
begin
    execute format('grant execute on function refresh_statistics(text, bigint) to %I',
        'drupeline_' || current_schema());
end
$$;

-- After a large batch the planner must not reckon with the few rows that it knew before, or it
-- compares every row with every other. Only the owner of a table may have it counted anew, so the
-- service asks for it here. A table that grew by less than half is left as it is: its numbers are
-- near enough, as the planner also looks at the size on disk, and batch after batch costs little.
create or replace function refresh_statistics(of text, grown_n bigint) returns void
language plpgsql security definer set search_path from current as $$
declare known_n double precision;
begin
    select coalesce(sum(greatest(c.reltuples, 0)), 0) into known_n from pg_class c
    where case of
        when 'records' then c.oid in (
            select i.inhrelid from pg_inherits i where i.inhparent = 'record'::regclass)
        else c.oid = 'tree'::regclass
    end;
    if grown_n * 2 < known_n then
        return;
    end if;
    case of
        when 'records' then analyze record;
        when 'trees' then analyze tree, trial_entry;
    end case;
end
$$;

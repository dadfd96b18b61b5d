-- Holds all that a write of entries will change against other writers, for the rest of the
-- transaction. This is the one order in which that is done, for a single entry as for many: mothers,
-- pollen lots, crosses, then the counters that numbers come from, each by key. So two writers never
-- wait for one another in a circle.
create function hold_entries(
    mother_ids uuid[],
    -- Mothers of whose crosses the out-cross doubt will be worked out anew.
    worked_mother_ids uuid[],
    lot_ids uuid[], cross_ids uuid[],
    -- Entries that others take the place of; what they were of is held as well.
    pass_ids uuid[], fruit_ids uuid[], seed_ids uuid[],
    counter_kinds text[], counter_seasons int[])
returns void language plpgsql as
$$
begin
    if cardinality(pass_ids) > 0 then
        mother_ids := mother_ids || array(select mother_id from pass_entry
            where programme_id = current_programme() and id = any(pass_ids));
        lot_ids := lot_ids || array(select pollen_lot_id from pass_entry
            where programme_id = current_programme() and id = any(pass_ids));
        cross_ids := cross_ids || array(select cross_id from pass_entry
            where programme_id = current_programme() and id = any(pass_ids));
    end if;
    if cardinality(fruit_ids) > 0 then
        cross_ids := cross_ids || array(select cross_id from fruit_entry
            where programme_id = current_programme() and id = any(fruit_ids));
    end if;
    if cardinality(seed_ids) > 0 then
        cross_ids := cross_ids || array(select cross_id from seed_record
            where programme_id = current_programme() and id = any(seed_ids));
    end if;
    perform 1 from mother
        where programme_id = current_programme() and id = any(mother_ids || worked_mother_ids)
        order by id for no key update;
    if cardinality(worked_mother_ids) > 0 then
        cross_ids := cross_ids || array(
            select cross_id from pass_entry
            where programme_id = current_programme() and mother_id = any(worked_mother_ids)
            union select cross_id from cross_mother
            where programme_id = current_programme() and mother_id = any(worked_mother_ids));
    end if;
    perform 1 from pollen_lot
        where programme_id = current_programme() and id = any(lot_ids)
        order by id for no key update;
    perform 1 from planned_cross
        where programme_id = current_programme() and id = any(cross_ids)
        order by id for no key update;
    perform 1 from counter c
        join unnest(counter_kinds, counter_seasons) as n (kind, season)
            on n.kind = c.kind and n.season = c.season
        where c.programme_id = current_programme()
        order by c.kind, c.season for no key update of c;
end
$$;

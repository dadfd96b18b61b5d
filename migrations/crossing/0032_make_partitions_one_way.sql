-- One function makes the partition of a year, of whichever table is divided by years. Runs as the
-- owner of the schema, since the service's role may not make tables; attaching, unlike creating in
-- place, does not wait for readers. The partition has row-level security without a policy, so that
-- it is reached through its parent alone.
create function make_year_partition(parent text, year int) returns void
    language plpgsql security definer as
$$
declare
    partition_name text := parent || '_' || year;
begin
    if parent not in ('seedling', 'weather_day') then
        raise exception '% is not divided by years', parent;
    end if;
    if year not between 1900 and 2200 then
        raise exception 'year % is outside 1900 to 2200', year;
    end if;
    perform pg_advisory_xact_lock(hashtext('partition of ' || parent));
    if to_regclass(partition_name) is null then
        execute format('create table %I (like %I including defaults including constraints)',
            partition_name, parent);
        execute format('alter table %I enable row level security', partition_name);
        execute format('alter table %I attach partition %I for values in (%L)',
            parent, partition_name, year);
    end if;
end
$$;
-- The definer's search path is pinned to this schema.
do $$
begin
    execute format('alter function make_year_partition(text, int) set search_path = %I, pg_temp',
        current_schema());
end
$$;
-- Programs of the release before still call these.
create or replace function make_seedling_partition(year int) returns void language sql as
    $$ select make_year_partition('seedling', year) $$;
create or replace function make_weather_partition(year int) returns void language sql as
    $$ select make_year_partition('weather_day', year) $$;

-- Weather stations and their readings.

create table weather_station (
    programme_id uuid not null,
    id uuid not null,
    name text not null,
    site text not null,
    latitude_deg double precision not null,
    time_zone text not null,
    -- Plants whose bloom calibrates the site's forecasts.
    indicator_ids uuid[] not null,
    note text not null,
    version bigint not null default 1,
    primary key (programme_id, id)
);
create unique index weather_station_name on weather_station (programme_id, lower(name));
create index weather_station_by_site on weather_station (programme_id, lower(site));
alter table weather_station enable row level security;
create policy weather_station_of_staff on weather_station using (is_staff_of(programme_id));

-- What was sent of one day at one station. Rows are added, never changed: of an hour that was sent
-- more than once the latest entry counts. A day is one row because models read whole seasons.
create table weather_day (
    programme_id uuid not null,
    station_id uuid not null,
    year int not null,
    day date not null,
    -- Version 7, so that entries sort by the time at which they came.
    entry uuid not null,
    -- 24 values in the station's standard time; null says nothing of an hour, NaN takes it away.
    hourly_c double precision[],
    min_c double precision,
    max_c double precision,
    source text not null,
    primary key (programme_id, station_id, year, day, entry),
    foreign key (programme_id, station_id) references weather_station (programme_id, id)
) partition by list (year);
alter table weather_day enable row level security;
create policy weather_day_of_staff on weather_day using (is_staff_of(programme_id));

-- Makes the partition of a year. Runs as the owner of the schema, since the service's role may not
-- make tables; attaching, unlike creating in place, does not wait for readers. The partition has
-- row-level security without a policy, so that it is reached through its parent alone.
create function make_weather_partition(year int) returns void language plpgsql security definer as
$$
declare
    partition_name text := 'weather_day_' || year;
begin
    if year not between 1900 and 2200 then
        raise exception 'year % is outside 1900 to 2200', year;
    end if;
    perform pg_advisory_xact_lock(hashtext('weather partition'));
    if to_regclass(partition_name) is null then
        execute format(
            'create table %I (like weather_day including defaults including constraints)',
            partition_name);
        execute format('alter table %I enable row level security', partition_name);
        execute format('alter table weather_day attach partition %I for values in (%L)',
            partition_name, year);
    end if;
end
$$;
-- The definer's search path is pinned to this schema.
do $$
begin
    execute format('alter function make_weather_partition(int) set search_path = %I, pg_temp',
        current_schema());
end
$$;

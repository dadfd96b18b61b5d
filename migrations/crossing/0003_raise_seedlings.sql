-- Fruit, seed, plantings and seedlings; rows that were imported.

create table fruit_count (
    programme_id uuid not null,
    id uuid not null,
    cross_id uuid not null,
    on_day date not null,
    mother_id uuid,
    -- Fruits on the trees on the day.
    set_n int,
    -- Fruits picked, and stones taken out, on the day; these add up.
    harvested_n int,
    stones_n int,
    reason text not null,
    by_name text not null,
    note text not null,
    entry bigint generated always as identity,
    primary key (programme_id, id),
    foreign key (programme_id, cross_id) references planned_cross (programme_id, id),
    foreign key (programme_id, mother_id) references mother (programme_id, id)
);
create index fruit_count_by_cross on fruit_count (programme_id, cross_id, on_day);
alter table fruit_count enable row level security;
create policy fruit_count_of_staff on fruit_count using (is_staff_of(programme_id));

create table seed_entry (
    programme_id uuid not null,
    id uuid not null,
    cross_id uuid not null,
    on_day date not null,
    step text not null,
    seed_n int not null,
    stones_n int,
    cause text not null,
    note text not null,
    reason text not null,
    by_name text not null,
    primary key (programme_id, id),
    foreign key (programme_id, cross_id) references planned_cross (programme_id, id)
);
create index seed_entry_by_cross on seed_entry (programme_id, cross_id, on_day);
alter table seed_entry enable row level security;
create policy seed_entry_of_staff on seed_entry using (is_staff_of(programme_id));

-- One call of planting: a run of places in a family, set into rows.
create table planting (
    programme_id uuid not null,
    id uuid not null,
    cross_id uuid not null,
    season int not null,
    planted_on date not null,
    first_place int not null,
    planted_n int not null,
    site text not null,
    block text not null,
    first_row int not null,
    plants_per_row int not null,
    reason text not null,
    by_name text not null,
    primary key (programme_id, id),
    foreign key (programme_id, cross_id) references planned_cross (programme_id, id)
);
create index planting_by_cross on planting (programme_id, cross_id);
alter table planting enable row level security;
create policy planting_of_staff on planting using (is_staff_of(programme_id));

-- The largest table: 50,000 rows a season. A partition for each crossing year is made when the
-- season is opened.
create table seedling (
    programme_id uuid not null,
    season int not null,
    id uuid not null,
    cross_id uuid not null,
    planting_id uuid not null,
    -- Place in the family, from 1.
    place int not null,
    number text not null,
    site text not null,
    block text not null,
    row_n int not null,
    position_n int not null,
    died_on date,
    -- Genotypes found, by locus.
    loci jsonb not null default '{}',
    -- Its own doubt once a result is known; null means the cross's.
    outcross_doubt double precision,
    parentage_finding text not null default '',
    primary key (programme_id, id, season),
    foreign key (programme_id, planting_id) references planting (programme_id, id)
) partition by list (season);
create unique index seedling_place on seedling (programme_id, season, cross_id, place);
create index seedling_by_block on seedling (programme_id, season, block, row_n, position_n);
alter table seedling enable row level security;
create policy seedling_of_staff on seedling using (is_staff_of(programme_id));

-- Makes the partition of a crossing year. Runs as the owner of the schema, since the service's
-- role may not make tables; attaching, unlike creating in place, does not wait for readers. The
-- partition has row-level security without a policy, so that it is reached through its parent alone.
create function make_seedling_partition(year int) returns void language plpgsql security definer as
$$
declare
    partition_name text := 'seedling_' || year;
begin
    if year not between 1900 and 2200 then
        raise exception 'year % is outside 1900 to 2200', year;
    end if;
    perform pg_advisory_xact_lock(hashtext('seedling partition'));
    if to_regclass(partition_name) is null then
        execute format(
            'create table %I (like seedling including defaults including constraints)',
            partition_name);
        execute format('alter table %I enable row level security', partition_name);
        execute format('alter table seedling attach partition %I for values in (%L)',
            partition_name, year);
    end if;
end
$$;
-- The definer's search path is pinned to this schema.
do $$
begin
    execute format('alter function make_seedling_partition(int) set search_path = %I, pg_temp',
        current_schema());
end
$$;

create table seedling_event (
    programme_id uuid not null,
    season int not null,
    id uuid not null,
    seedling_id uuid not null,
    kind text not null,
    on_day date not null,
    site text not null,
    block text not null,
    row_n int not null,
    position_n int not null,
    rootstock text not null,
    locus text not null,
    genotype text not null,
    finding text not null,
    note text not null,
    by_name text not null,
    entry bigint generated always as identity,
    primary key (programme_id, id),
    foreign key (programme_id, seedling_id, season) references seedling (programme_id, id, season)
);
create index seedling_event_by_seedling on seedling_event (programme_id, seedling_id);
alter table seedling_event enable row level security;
create policy seedling_event_of_staff on seedling_event using (is_staff_of(programme_id));

-- What was loaded from files, by digest, so that loading it again changes nothing.
create table imported_row (
    programme_id uuid not null,
    section text not null,
    id uuid not null,
    fingerprint bytea not null,
    primary key (programme_id, section, id)
);
alter table imported_row enable row level security;
create policy imported_row_of_staff on imported_row using (is_staff_of(programme_id));

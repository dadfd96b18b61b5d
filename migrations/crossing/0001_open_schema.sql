-- The crossing service. Every table begins its key with programme_id and carries a policy: what a
-- programme crosses is its staff's business alone.

-- The last number given, by kind of thing and season (0 for things outside seasons). Numbers are
-- never given twice, also when what carried one is gone.
create table counter (
    programme_id uuid not null,
    kind text not null,
    season int not null,
    last int not null,
    primary key (programme_id, kind, season)
);
alter table counter enable row level security;
create policy counter_of_staff on counter using (is_staff_of(programme_id));

create table season (
    programme_id uuid not null,
    year int not null,
    id uuid not null,
    site text not null,
    time_zone text not null,
    opens_on date not null,
    closes_on date not null,
    primary key (programme_id, year),
    constraint season_id unique (programme_id, id)
);
alter table season enable row level security;
create policy season_of_staff on season using (is_staff_of(programme_id));

create table germplasm (
    programme_id uuid not null,
    id uuid not null,
    number text not null,
    name text not null,
    species text not null,
    kind text not null,
    seed_parent_id uuid,
    pollen_parent_id uuid,
    open_pollinated boolean not null,
    -- A clone or sport shares the genotype of its source and has no parents of its own.
    clone_of_id uuid,
    s_alleles text[] not null,
    loci jsonb not null,
    traits jsonb not null,
    passport jsonb not null,
    notes text not null,
    protected_by text not null,
    rights_standing text not null,
    -- The cross that a seedling or selection of ours came from.
    cross_id uuid,
    version bigint not null default 1,
    primary key (programme_id, id),
    constraint germplasm_number unique (programme_id, number),
    foreign key (programme_id, seed_parent_id) references germplasm (programme_id, id),
    foreign key (programme_id, pollen_parent_id) references germplasm (programme_id, id),
    foreign key (programme_id, clone_of_id) references germplasm (programme_id, id)
);
create unique index germplasm_name on germplasm (programme_id, lower(name));
create index germplasm_by_seed_parent on germplasm (programme_id, seed_parent_id);
create index germplasm_by_pollen_parent on germplasm (programme_id, pollen_parent_id);
alter table germplasm enable row level security;
create policy germplasm_of_staff on germplasm using (is_staff_of(programme_id));

-- Possible pollen parents of an open-pollinated plant, with their probabilities. A plant's list is
-- replaced as a whole, so rows may be deleted.
create table pollen_candidate (
    programme_id uuid not null,
    germplasm_id uuid not null,
    candidate_id uuid not null,
    share double precision not null,
    primary key (programme_id, germplasm_id, candidate_id),
    foreign key (programme_id, germplasm_id) references germplasm (programme_id, id),
    foreign key (programme_id, candidate_id) references germplasm (programme_id, id)
);
alter table pollen_candidate enable row level security;
create policy pollen_candidate_of_staff on pollen_candidate using (is_staff_of(programme_id));
grant delete on pollen_candidate to drupeline_crossing;

create table bloom_record (
    programme_id uuid not null,
    id uuid not null,
    germplasm_id uuid not null,
    on_day date not null,
    stage smallint not null,
    site text not null,
    percent_open double precision,
    by_name text not null,
    note text not null,
    primary key (programme_id, id),
    foreign key (programme_id, germplasm_id) references germplasm (programme_id, id)
);
create index bloom_record_by_plant on bloom_record (programme_id, germplasm_id, on_day);
create index bloom_record_by_day on bloom_record (programme_id, on_day);
alter table bloom_record enable row level security;
create policy bloom_record_of_staff on bloom_record using (is_staff_of(programme_id));

-- Pollinizer trials: several pollens on one isolated variety.

create table pollinizer_trial (
    programme_id uuid not null,
    id uuid not null,
    season int not null,
    germplasm_id uuid not null,
    mother_id uuid,
    isolation text not null,
    site text not null,
    note text not null,
    primary key (programme_id, id),
    foreign key (programme_id, germplasm_id) references germplasm (programme_id, id),
    foreign key (programme_id, mother_id) references mother (programme_id, id)
);
create index pollinizer_trial_by_plant on pollinizer_trial (programme_id, germplasm_id);
alter table pollinizer_trial enable row level security;
create policy pollinizer_trial_of_staff on pollinizer_trial using (is_staff_of(programme_id));

create table pollinizer_pollen (
    programme_id uuid not null,
    trial_id uuid not null,
    germplasm_id uuid not null,
    -- Order in which the pollens were named.
    place int not null,
    primary key (programme_id, trial_id, germplasm_id),
    foreign key (programme_id, trial_id) references pollinizer_trial (programme_id, id),
    foreign key (programme_id, germplasm_id) references germplasm (programme_id, id)
);
alter table pollinizer_pollen enable row level security;
create policy pollinizer_pollen_of_staff on pollinizer_pollen using (is_staff_of(programme_id));

-- Counts are added, never changed: of a branch the latest by day, then by entry, holds.
create table pollinizer_count (
    programme_id uuid not null,
    id uuid not null,
    trial_id uuid not null,
    germplasm_id uuid not null,
    branch text not null,
    on_day date not null,
    flowers_n int not null,
    -- Null before fruit can be counted.
    set_n int,
    reason text not null,
    by_name text not null,
    entry bigint generated always as identity,
    primary key (programme_id, id),
    constraint pollinizer_count_pollen foreign key (programme_id, trial_id, germplasm_id)
        references pollinizer_pollen (programme_id, trial_id, germplasm_id)
);
create index pollinizer_count_by_trial on pollinizer_count (programme_id, trial_id, on_day, entry);
alter table pollinizer_count enable row level security;
create policy pollinizer_count_of_staff on pollinizer_count using (is_staff_of(programme_id));

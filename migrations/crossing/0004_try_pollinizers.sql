-- Pollinizer trials: several pollens on one variety in isolation, counted by branch.

create table pollinizer_trial (
    programme_id uuid not null,
    id uuid not null,
    season int not null,
    germplasm_id uuid not null,
    isolation text not null,
    objective text not null,
    least_difference double precision not null,
    primary key (programme_id, id),
    foreign key (programme_id, season) references season (programme_id, year),
    foreign key (programme_id, germplasm_id) references germplasm (programme_id, id)
);
alter table pollinizer_trial enable row level security;
create policy pollinizer_trial_of_staff on pollinizer_trial using (is_staff_of(programme_id));

create table pollinizer_entry (
    programme_id uuid not null,
    pollinizer_trial_id uuid not null,
    pollen_parent_id uuid not null,
    place int not null,
    primary key (programme_id, pollinizer_trial_id, pollen_parent_id),
    foreign key (programme_id, pollinizer_trial_id)
        references pollinizer_trial (programme_id, id),
    foreign key (programme_id, pollen_parent_id) references germplasm (programme_id, id)
);
alter table pollinizer_entry enable row level security;
create policy pollinizer_entry_of_staff on pollinizer_entry using (is_staff_of(programme_id));

-- A later count of a branch takes the place of an earlier one; both are kept.
create table pollinizer_count (
    programme_id uuid not null,
    id uuid not null,
    pollinizer_trial_id uuid not null,
    pollen_parent_id uuid not null,
    branch text not null,
    on_day date not null,
    flowers_n int not null,
    set_n int not null,
    by_name text not null,
    entry bigint generated always as identity,
    primary key (programme_id, id),
    foreign key (programme_id, pollinizer_trial_id, pollen_parent_id)
        references pollinizer_entry (programme_id, pollinizer_trial_id, pollen_parent_id)
);
create index pollinizer_count_by_trial
    on pollinizer_count (programme_id, pollinizer_trial_id, on_day, entry);
alter table pollinizer_count enable row level security;
create policy pollinizer_count_of_staff on pollinizer_count using (is_staff_of(programme_id));

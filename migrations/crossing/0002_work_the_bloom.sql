-- Crosses, pollen, mothers and passes.

create table planned_cross (
    programme_id uuid not null,
    id uuid not null,
    season int not null,
    number int not null,
    seed_parent_id uuid not null,
    -- Null for open pollination.
    pollen_parent_id uuid,
    species text not null,
    objective text not null,
    fruit_wanted_n int not null,
    standing text not null,
    standing_reason text not null default '',
    -- Share of the pollen that the mother's S alleles accept; null when it is not predicted.
    accepted_pollen double precision,
    -- Whether the mother sets with her own pollen.
    self_compatible text not null,
    -- What was said when it was planned.
    planning_warnings jsonb not null,
    -- Probability that a seedling's pollen parent is not the one intended; null before any pass.
    outcross_doubt double precision,
    planned_by text not null,
    version bigint not null default 1,
    primary key (programme_id, id),
    constraint planned_cross_number unique (programme_id, season, number),
    foreign key (programme_id, season) references season (programme_id, year),
    foreign key (programme_id, seed_parent_id) references germplasm (programme_id, id),
    foreign key (programme_id, pollen_parent_id) references germplasm (programme_id, id)
);
create index planned_cross_by_seed_parent on planned_cross (programme_id, seed_parent_id);
create index planned_cross_by_pollen_parent on planned_cross (programme_id, pollen_parent_id);
alter table planned_cross enable row level security;
create policy planned_cross_of_staff on planned_cross using (is_staff_of(programme_id));

create table mother (
    programme_id uuid not null,
    id uuid not null,
    number int not null,
    germplasm_id uuid not null,
    house text not null,
    row_n int not null,
    position_n int not null,
    container_l double precision,
    note text not null,
    stands_from date not null,
    died_on date,
    primary key (programme_id, id),
    constraint mother_number unique (programme_id, number),
    foreign key (programme_id, germplasm_id) references germplasm (programme_id, id)
);
create unique index mother_place on mother (programme_id, house, row_n, position_n)
    where died_on is null and row_n > 0 and position_n > 0;
create index mother_by_plant on mother (programme_id, germplasm_id);
alter table mother enable row level security;
create policy mother_of_staff on mother using (is_staff_of(programme_id));

create table mother_event (
    programme_id uuid not null,
    id uuid not null,
    mother_id uuid not null,
    kind text not null,
    on_day date not null,
    flowers_n int,
    note text not null,
    house text not null,
    row_n int not null,
    position_n int not null,
    by_name text not null,
    primary key (programme_id, id),
    foreign key (programme_id, mother_id) references mother (programme_id, id)
);
create index mother_event_by_mother on mother_event (programme_id, mother_id, on_day);
alter table mother_event enable row level security;
create policy mother_event_of_staff on mother_event using (is_staff_of(programme_id));

-- Mothers that stand for a cross; replaced as a whole, so rows may be deleted.
create table cross_mother (
    programme_id uuid not null,
    cross_id uuid not null,
    mother_id uuid not null,
    primary key (programme_id, cross_id, mother_id),
    foreign key (programme_id, cross_id) references planned_cross (programme_id, id),
    foreign key (programme_id, mother_id) references mother (programme_id, id)
);
create index cross_mother_by_mother on cross_mother (programme_id, mother_id);
alter table cross_mother enable row level security;
create policy cross_mother_of_staff on cross_mother using (is_staff_of(programme_id));
grant delete on cross_mother to drupeline_crossing;

create table pollen_lot (
    programme_id uuid not null,
    id uuid not null,
    season int not null,
    number int not null,
    germplasm_id uuid not null,
    gathered_on date not null,
    flowers_n int not null,
    stage smallint not null,
    site text not null,
    by_name text not null,
    note text not null,
    -- Kept in step with the ledger, so that lists can be filtered by them.
    dried_on date,
    discarded_on date,
    primary key (programme_id, id),
    constraint pollen_lot_number unique (programme_id, season, number),
    foreign key (programme_id, germplasm_id) references germplasm (programme_id, id)
);
create index pollen_lot_by_plant on pollen_lot (programme_id, germplasm_id, gathered_on);
create index pollen_lot_kept on pollen_lot (programme_id, gathered_on) where discarded_on is null;
alter table pollen_lot enable row level security;
create policy pollen_lot_of_staff on pollen_lot using (is_staff_of(programme_id));

-- What became of a lot after it was gathered; entries are added, never changed.
create table pollen_event (
    programme_id uuid not null,
    id uuid not null,
    pollen_lot_id uuid not null,
    kind text not null,
    on_day date not null,
    place text not null,
    germinated_n int,
    tested_n int,
    quantity_mg double precision,
    flowers_n int,
    pass_id uuid,
    reason text not null,
    by_name text not null,
    -- Order of recording, for entries of one day.
    entry bigint generated always as identity,
    primary key (programme_id, id),
    foreign key (programme_id, pollen_lot_id) references pollen_lot (programme_id, id)
);
create index pollen_event_by_lot on pollen_event (programme_id, pollen_lot_id, on_day);
alter table pollen_event enable row level security;
create policy pollen_event_of_staff on pollen_event using (is_staff_of(programme_id));

create table pass (
    programme_id uuid not null,
    id uuid not null,
    cross_id uuid not null,
    on_day date not null,
    pollen_lot_id uuid,
    mother_id uuid,
    emasculated_n int not null,
    pollinated_n int not null,
    unfit_n int not null,
    stray_n int not null,
    stray_stripped_n int not null,
    -- Germination expected of the pollen on the day.
    germination double precision,
    -- Whether a cover was known to be on; null when nothing is known.
    covered boolean,
    by_name text not null,
    reason text not null,
    note text not null,
    warnings jsonb not null,
    primary key (programme_id, id),
    foreign key (programme_id, cross_id) references planned_cross (programme_id, id),
    foreign key (programme_id, pollen_lot_id) references pollen_lot (programme_id, id),
    foreign key (programme_id, mother_id) references mother (programme_id, id)
);
create index pass_by_cross on pass (programme_id, cross_id, on_day, id);
create index pass_by_mother on pass (programme_id, mother_id, on_day);
create index pass_by_lot on pass (programme_id, pollen_lot_id);
alter table pass enable row level security;
create policy pass_of_staff on pass using (is_staff_of(programme_id));

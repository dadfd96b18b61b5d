-- Trials, what stands in them and what became of it.

create table trial_counter (
    programme_id uuid not null,
    season smallint not null,
    last integer not null,
    primary key (programme_id, season)
);
alter table trial_counter enable row level security;
create policy trial_counter_of_staff on trial_counter using (is_staff_of(programme_id));

create table trial (
    programme_id uuid not null,
    id uuid not null,
    number text not null,
    name text not null,
    stage text not null,
    season smallint not null,
    rootstock text not null,
    -- Not known: records are taken from any day.
    planted_on date,
    note text not null,
    created_at timestamptz not null,
    -- Empty until the trial is laid out, which happens once.
    design text,
    design_made text,
    seed bigint,
    efficiency double precision,
    site_layouts jsonb,
    last_tree integer not null default 0,
    primary key (programme_id, id),
    unique (programme_id, number),
    constraint trial_name_once unique (programme_id, season, name)
);
alter table trial enable row level security;
create policy trial_of_staff on trial using (is_staff_of(programme_id));

create table trial_site (
    programme_id uuid not null,
    trial_id uuid not null,
    place smallint not null,
    site_id uuid not null,
    primary key (programme_id, trial_id, place),
    foreign key (programme_id, trial_id) references trial (programme_id, id),
    foreign key (programme_id, site_id) references site (programme_id, id)
);
alter table trial_site enable row level security;
create policy trial_site_of_staff on trial_site using (is_staff_of(programme_id));

-- What the plant was called when it came in, so that results stay readable without asking the
-- service that keeps it.
create table trial_entry (
    programme_id uuid not null,
    trial_id uuid not null,
    germplasm_id uuid not null,
    place integer not null,
    is_check boolean not null,
    number text not null,
    name text not null,
    kind text not null,
    species text not null,
    cross_id uuid,
    crossing_year smallint,
    outcross_doubt double precision,
    -- Entries that a layout replaced stay, marked.
    dropped boolean not null default false,
    primary key (programme_id, trial_id, germplasm_id),
    foreign key (programme_id, trial_id) references trial (programme_id, id)
);
alter table trial_entry enable row level security;
create policy trial_entry_of_staff on trial_entry using (is_staff_of(programme_id));

create table tree (
    programme_id uuid not null,
    id uuid not null,
    trial_id uuid not null,
    site_id uuid not null,
    number text not null,
    row_n integer not null,
    column_n integer not null,
    replicate integer not null,
    block integer not null,
    germplasm_id uuid not null,
    is_check boolean not null,
    planted_on date,
    -- standing, dead, removed or replaced
    status text not null,
    ended_on date,
    replaces_id uuid,
    primary key (programme_id, id),
    unique (programme_id, number),
    check ((status = 'standing') = (ended_on is null))
);
create index tree_by_trial on tree (programme_id, trial_id);
alter table tree enable row level security;
create policy tree_of_staff on tree using (is_staff_of(programme_id));

create table tree_event (
    programme_id uuid not null,
    id uuid not null,
    tree_id uuid not null,
    kind text not null,
    on_day date not null,
    reason text not null,
    fruits_left_n integer,
    new_tree_id uuid,
    by_id uuid not null,
    at timestamptz not null,
    primary key (programme_id, id),
    foreign key (programme_id, tree_id) references tree (programme_id, id)
);
create index tree_event_by_tree on tree_event (programme_id, tree_id, at);
alter table tree_event enable row level security;
create policy tree_event_of_staff on tree_event using (is_staff_of(programme_id));

create table photo (
    programme_id uuid not null,
    id uuid not null,
    tree_id uuid not null,
    address text not null,
    sha256 text not null,
    taken_at timestamptz not null,
    observer text not null,
    trait text not null,
    note text not null,
    primary key (programme_id, id),
    foreign key (programme_id, tree_id) references tree (programme_id, id)
);
create index photo_by_tree on photo (programme_id, tree_id, id);
alter table photo enable row level security;
create policy photo_of_staff on photo using (is_staff_of(programme_id));

create table decision (
    programme_id uuid not null,
    id uuid not null,
    trial_id uuid not null,
    to_stage text not null,
    on_day date not null,
    by_id uuid not null,
    by_name text not null,
    at timestamptz not null,
    primary key (programme_id, id),
    foreign key (programme_id, trial_id) references trial (programme_id, id)
);
alter table decision enable row level security;
create policy decision_of_staff on decision using (is_staff_of(programme_id));

-- A later decision on the same entry takes the place of an earlier one; both stay.
create table entry_decision (
    programme_id uuid not null,
    id uuid not null,
    decision_id uuid not null,
    trial_id uuid not null,
    germplasm_id uuid not null,
    decision text not null,
    reason text not null,
    primary key (programme_id, id),
    foreign key (programme_id, decision_id) references decision (programme_id, id),
    foreign key (programme_id, trial_id, germplasm_id)
        references trial_entry (programme_id, trial_id, germplasm_id)
);
create index entry_decision_by_entry on entry_decision (programme_id, trial_id, germplasm_id, id desc);
alter table entry_decision enable row level security;
create policy entry_decision_of_staff on entry_decision using (is_staff_of(programme_id));

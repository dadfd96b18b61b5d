-- Candidates for release and their way through the stages.
--
-- A partner sees a candidate only through a licence or a testing agreement of its own; what a
-- partner may not see is for it the same as what does not exist.

create table candidate (
    programme_id uuid not null,
    id uuid not null,
    -- The plant in the crossing service, and what was asked of it there.
    germplasm_id uuid not null,
    plant_number text not null,
    code text not null,
    species text not null,
    cross_id uuid,
    crossing_year int,
    seed_parent_id uuid,
    pollen_parent_id uuid,
    stage text not null check (
        stage in ('own_root', 'budded', 'multi_site', 'pre_release', 'released', 'withdrawn')),
    stage_since date not null,
    -- Nobody yet for candidates that came from the trials.
    responsible_id uuid,
    virus_status text not null default 'unknown',
    true_to_type text not null default 'unknown',
    tree_or_vine boolean not null default true,
    warnings text[] not null default '{}',
    registered_at timestamptz not null,
    version bigint not null default 1,
    primary key (programme_id, id),
    constraint candidate_code_once unique (programme_id, code),
    constraint candidate_plant_once unique (programme_id, germplasm_id)
);
create index candidate_by_stage on candidate (programme_id, stage, id);
alter table candidate enable row level security;
create policy candidate_staff on candidate using (is_staff_of(programme_id));

-- Moves are kept for ever; a move taken back is another move.
create table stage_move (
    programme_id uuid not null,
    id uuid not null,
    candidate_id uuid not null,
    -- Order of writing, for moves on one day.
    place bigint generated always as identity,
    from_stage text,
    to_stage text not null,
    on_day date not null,
    reason text not null,
    decided_by uuid not null,
    decided_by_name text not null,
    reversal boolean not null default false,
    evidence text not null default '',
    at timestamptz not null,
    primary key (programme_id, id),
    foreign key (programme_id, candidate_id) references candidate (programme_id, id)
);
create index stage_move_by_candidate on stage_move (programme_id, candidate_id, place);
alter table stage_move enable row level security;
create policy stage_move_staff on stage_move using (is_staff_of(programme_id));

-- Numbers that people read, one series a kind, never given twice.
create table number_series (
    programme_id uuid not null,
    kind text not null,
    last_n bigint not null,
    primary key (programme_id, kind)
);
alter table number_series enable row level security;
create policy number_series_staff on number_series using (is_staff_of(programme_id));

-- The programme's secret under which links and labels are sealed. Whoever shows a sealed text need
-- not be signed in, so the scope here is the programme alone.
create table seal_key (
    programme_id uuid primary key,
    secret bytea not null check (octet_length(secret) = 32),
    made_at timestamptz not null
);
alter table seal_key enable row level security;
create policy seal_key_programme on seal_key using (programme_id = current_programme());

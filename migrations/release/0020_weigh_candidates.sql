-- What a candidate must bring to a stage, where its trees stand, and the kind of cross behind it.

-- Known from the parents' species when the candidate came; forecasts look at it.
alter table candidate add column cross_kind text not null default 'unknown' check (
    cross_kind in ('within_species', 'between_species', 'open_pollinated', 'unknown'));

-- Counts are kept; the latest of a place holds.
create table material_count (
    programme_id uuid not null,
    id uuid not null,
    candidate_id uuid not null,
    place text not null,
    country text not null,
    what text not null check (what in ('trees', 'budwood')),
    n int not null check (n >= 0),
    on_day date not null,
    note text not null,
    counted_by text not null,
    at timestamptz not null,
    primary key (programme_id, id),
    foreign key (programme_id, candidate_id) references candidate (programme_id, id)
);
create index material_count_by_candidate on material_count (programme_id, candidate_id, on_day);
alter table material_count enable row level security;
create policy material_count_staff on material_count using (is_staff_of(programme_id));

-- Only where a programme has set its own; the others stand as they come.
create table stage_gate (
    programme_id uuid not null,
    stage text not null check (stage in ('budded', 'multi_site', 'pre_release', 'released')),
    needs text[] not null,
    deciders text[] not null,
    version bigint not null,
    set_by text not null,
    at timestamptz not null,
    primary key (programme_id, stage)
);
alter table stage_gate enable row level security;
create policy stage_gate_staff on stage_gate using (is_staff_of(programme_id));

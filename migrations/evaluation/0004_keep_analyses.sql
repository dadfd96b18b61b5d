-- Analyses are a queue and its results in one: a worker of any process claims what is queued.
create table analysis (
    programme_id uuid not null,
    id uuid not null,
    trial_id uuid not null,
    trait text not null,
    -- The model as it was asked for.
    model jsonb not null,
    -- queued, running, done or failed
    status text not null,
    attempts smallint not null default 0,
    problem text not null default '',
    -- The reply's results; none until it is done.
    result jsonb,
    data_sha256 text not null default '',
    version text not null default '',
    requested_at timestamptz not null,
    finished_at timestamptz,
    primary key (programme_id, id),
    foreign key (programme_id, trial_id) references trial (programme_id, id)
);
create index analysis_waiting on analysis (requested_at) where status in ('queued', 'running');
create index analysis_by_trial on analysis (programme_id, trial_id, id desc);
alter table analysis enable row level security;
create policy analysis_of_staff on analysis
    using (is_staff_of(programme_id) or across_programmes());

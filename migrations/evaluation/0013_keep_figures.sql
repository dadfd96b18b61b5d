-- What a trial says of its entries in one trait is worked out once for each state of its records and
-- kept under an id that names that state, so that means, rankings, advance lists and indices tell
-- the same.
create table trial_figures (
    programme_id uuid not null,
    id uuid not null,
    trial_id uuid not null,
    trait text not null,
    -- The analysis whose model a person chose; none for the model that the design can carry.
    analysis_id uuid,
    figures jsonb not null,
    -- Draws of the entries' true values: four bytes each, draw by draw.
    draws bytea not null,
    made_at timestamptz not null,
    version text not null,
    primary key (programme_id, id),
    foreign key (programme_id, trial_id) references trial (programme_id, id)
);
comment on table trial_figures is 'bookkeeping: worked out from records, which stand elsewhere';
create index trial_figures_by_trait on trial_figures (programme_id, trait, trial_id, made_at desc);
alter table trial_figures enable row level security;
create policy trial_figures_of_staff on trial_figures using (is_staff_of(programme_id));

-- The analysis that a person chose for the figures of a trait, the latest of which holds; an empty
-- choice goes back to the model that the design can carry.
create table chosen_analysis (
    programme_id uuid not null,
    trial_id uuid not null,
    trait text not null,
    at timestamptz not null,
    analysis_id uuid,
    by_id uuid not null,
    by_name text not null,
    primary key (programme_id, trial_id, trait, at),
    foreign key (programme_id, trial_id) references trial (programme_id, id),
    foreign key (programme_id, analysis_id) references analysis (programme_id, id)
);
alter table chosen_analysis enable row level security;
create policy chosen_analysis_of_staff on chosen_analysis using (is_staff_of(programme_id));

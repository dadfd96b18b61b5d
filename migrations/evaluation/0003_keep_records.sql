-- Records of traits on trees, some hundred thousand a year, partitioned by the year of observation.
-- No foreign keys: every batch is checked against trees and traits as a set before it is written,
-- and a key check for each row would take longer than all the rest.
create table record (
    programme_id uuid not null,
    year smallint not null,
    id uuid not null,
    trial_id uuid not null,
    tree_id uuid not null,
    trait text not null,
    -- The number to reckon with: a measure, a count, a note, the number of a nominal state, or the
    -- day of the year. None: the record that this one corrects is withdrawn.
    value double precision,
    -- The value as it was sent.
    sent text not null,
    observed_at timestamptz not null,
    observer text not null,
    corrects uuid,
    -- Why it deserves a second look.
    doubt text,
    recorded_at timestamptz not null,
    -- The id before the year, as a record is looked for by its id alone.
    primary key (programme_id, id, year)
) partition by list (year);
create index record_by_trait on record (programme_id, trial_id, trait);
create index record_in_doubt on record (programme_id, trial_id) where doubt is not null;
alter table record enable row level security;
create policy record_of_staff on record using (is_staff_of(programme_id));

create table record_other_years partition of record default;
alter table record_other_years enable row level security;
create policy record_of_staff on record_other_years using (is_staff_of(programme_id));

-- A partition is a table that can be read by its own name, so each carries the policy too.
do $$
begin
    for year in 2015 .. 2040 loop
        execute format('create table record_%s partition of record for values in (%s)', year, year);
        execute format('alter table record_%s enable row level security', year);
        execute format(
            'create policy record_of_staff on record_%s using (is_staff_of(programme_id))', year);
    end loop;
end
$$;

-- Which record was replaced by which; a record is corrected once, a correction may be corrected.
create table correction (
    programme_id uuid not null,
    corrected_id uuid not null,
    correction_id uuid not null,
    primary key (programme_id, corrected_id)
);
alter table correction enable row level security;
create policy correction_of_staff on correction using (is_staff_of(programme_id));

-- What a person decided on a doubtful record; the latest holds.
create table judgement (
    programme_id uuid not null,
    record_id uuid not null,
    at timestamptz not null,
    judgement text not null,
    reason text not null,
    by_id uuid not null,
    by_name text not null,
    primary key (programme_id, record_id, at)
);
alter table judgement enable row level security;
create policy judgement_of_staff on judgement using (is_staff_of(programme_id));

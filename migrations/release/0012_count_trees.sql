-- Trees on the ground against trees reported.

create table inspection (
    programme_id uuid not null,
    id uuid not null,
    licence_id uuid not null,
    candidate_id uuid not null,
    licensee_id uuid not null,
    place text not null,
    -- Without case and outer spaces, by which counts at one place are known as such.
    place_folded text not null,
    on_day date not null,
    counted_n bigint not null check (counted_n >= 0),
    counted_by text not null,
    evidence text not null check (evidence <> ''),
    tolerance_percent numeric not null check (tolerance_percent between 0 and 100),
    note text not null,
    counted_everywhere_n bigint not null,
    places_n int not null,
    reported_n bigint not null,
    recorded_by text not null,
    recorded_at timestamptz not null,
    primary key (programme_id, id),
    foreign key (programme_id, licence_id) references licence (programme_id, id)
);
create index inspection_by_licence on inspection (programme_id, licence_id, on_day);
alter table inspection enable row level security;
create policy inspection_staff on inspection using (is_staff_of(programme_id));
create policy inspection_partner on inspection for select
    using (programme_id = current_programme() and licensee_id = current_partner());

alter table propagation_report add column inspection_id uuid;
alter table propagation_report add constraint report_cites_inspection
    foreign key (programme_id, inspection_id) references inspection (programme_id, id);
create index propagation_report_by_inspection on propagation_report (programme_id, inspection_id)
    where inspection_id is not null;

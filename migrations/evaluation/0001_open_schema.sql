-- The evaluation service. Every table begins its key with programme_id and carries a policy.

create table site (
    programme_id uuid not null,
    id uuid not null,
    name text not null,
    country text not null,
    time_zone text not null,
    latitude_deg double precision,
    longitude_deg double precision,
    soil text not null,
    elevation_m double precision,
    primary key (programme_id, id),
    constraint site_name_once unique (programme_id, name)
);
alter table site enable row level security;
create policy site_of_staff on site using (is_staff_of(programme_id));

-- A trait is known by its code, which records carry: it never changes its meaning.
create table trait (
    programme_id uuid not null,
    code text not null,
    name text not null,
    method text not null,
    scale text not null,
    unit text not null,
    least double precision,
    largest double precision,
    states jsonb not null,
    source text not null,
    better text not null,
    -- A computed trait is made of two others and never recorded.
    computed text,
    first_code text,
    second_code text,
    standard boolean not null,
    primary key (programme_id, code),
    check ((computed is null) = (first_code is null) and (computed is null) = (second_code is null))
);
alter table trait enable row level security;
create policy trait_of_staff on trait using (is_staff_of(programme_id));

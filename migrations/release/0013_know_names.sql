-- Denominations of others, from lists drawn up elsewhere, against which proposals are checked.

create table known_name (
    programme_id uuid not null,
    id uuid not null,
    name text not null,
    -- Without case, spaces, hyphens and accents, for looking up.
    folded text not null,
    -- Latin name of the genus or species.
    class text not null,
    -- First word of the class in lower case; names are compared within it.
    genus text not null,
    jurisdiction text not null,
    source text not null,
    listed_on date not null,
    taken_at timestamptz not null,
    primary key (programme_id, id),
    constraint known_name_once unique (programme_id, source, genus, jurisdiction, folded)
);
create index known_name_by_genus on known_name (programme_id, genus);
create index known_name_by_name on known_name (programme_id, folded);
alter table known_name enable row level security;
create policy known_name_staff on known_name using (is_staff_of(programme_id));

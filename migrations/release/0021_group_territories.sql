-- Groups of countries under a code that licences may name, what licences came to through them, and
-- when the holders of licences must report.

create table territory_group (
    programme_id uuid not null,
    code text not null check (code ~ '^[A-Z][A-Z0-9_]{2,19}$'),
    name text not null,
    source text not null,
    -- Places with the first and the last day as a member, where those are told.
    members jsonb not null,
    version bigint not null,
    defined_by text not null,
    at timestamptz not null,
    primary key (programme_id, code)
);
alter table territory_group enable row level security;
create policy territory_group_staff on territory_group using (is_staff_of(programme_id));

-- Countries and parts that the territory comes to; empty for licences from before this, which name
-- countries, parts, the Union and the world alone.
alter table licence add column comes_to text[] not null default '{}';
-- Terms of reporting with the day from which each holds, oldest first.
alter table licence add column reporting jsonb not null default '[]';

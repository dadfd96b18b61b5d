-- What starts, meets and ends the clocks of plant rights.

create table disclosure (
    programme_id uuid not null,
    id uuid not null,
    candidate_id uuid not null,
    kind text not null,
    on_day date not null,
    country text,
    detail text not null,
    disclosed_to text not null,
    recorded_by text not null,
    at timestamptz not null,
    primary key (programme_id, id),
    foreign key (programme_id, candidate_id) references candidate (programme_id, id)
);
create index disclosure_by_candidate on disclosure (programme_id, candidate_id, on_day);
alter table disclosure enable row level security;
create policy disclosure_staff on disclosure using (is_staff_of(programme_id));

create table filing (
    programme_id uuid not null,
    id uuid not null,
    candidate_id uuid not null,
    jurisdiction text not null,
    kind text not null,
    filed_on date not null,
    application_number text not null,
    priority_of uuid,
    granted_on date,
    grant_number text not null default '',
    pta_days int,
    recorded_by text not null,
    at timestamptz not null,
    primary key (programme_id, id),
    foreign key (programme_id, candidate_id) references candidate (programme_id, id),
    foreign key (programme_id, priority_of) references filing (programme_id, id),
    constraint granted_after_filing check (granted_on >= filed_on),
    constraint filing_once unique (programme_id, candidate_id, jurisdiction, kind)
);
alter table filing enable row level security;
create policy filing_staff on filing using (is_staff_of(programme_id));

create table filing_event (
    programme_id uuid not null,
    id uuid not null,
    filing_id uuid not null,
    candidate_id uuid not null,
    event text not null,
    on_day date not null,
    evidence text not null,
    year_n int check (year_n >= 1),
    recorded_by text not null,
    at timestamptz not null,
    primary key (programme_id, id),
    foreign key (programme_id, filing_id) references filing (programme_id, id)
);
create index filing_event_by_filing on filing_event (programme_id, filing_id, on_day);
create unique index annual_fee_once on filing_event (programme_id, filing_id, year_n)
    where event = 'annual_fee_paid';
-- A right ends once.
create unique index right_ends_once on filing_event (programme_id, filing_id)
    where event in ('lapse', 'surrender', 'expiry');
alter table filing_event enable row level security;
create policy filing_event_staff on filing_event using (is_staff_of(programme_id));

-- Due dates are computed, never stored; what is stored is that one was met, with the evidence.
create table due_date_done (
    programme_id uuid not null,
    candidate_id uuid not null,
    key text not null,
    on_day date not null,
    evidence text not null check (evidence <> ''),
    confirmed_by text not null,
    at timestamptz not null,
    primary key (programme_id, candidate_id, key),
    foreign key (programme_id, candidate_id) references candidate (programme_id, id)
);
alter table due_date_done enable row level security;
create policy due_date_done_staff on due_date_done using (is_staff_of(programme_id));

create table denomination (
    programme_id uuid not null,
    id uuid not null,
    candidate_id uuid not null,
    name text not null,
    -- Without case, spaces, hyphens and accents, for looking up.
    folded text not null,
    -- Empty for everywhere.
    jurisdiction text not null,
    state text not null check (state in ('proposed', 'checked', 'published', 'refused', 'replaced')),
    findings jsonb not null,
    at timestamptz not null,
    primary key (programme_id, id),
    foreign key (programme_id, candidate_id) references candidate (programme_id, id)
);
-- One name at a time for a candidate in one place; those refused and replaced stay as history.
create unique index one_denomination_at_a_time on denomination (programme_id, candidate_id, jurisdiction)
    where state in ('proposed', 'checked', 'published');
create index denomination_by_name on denomination (programme_id, folded);
alter table denomination enable row level security;
create policy denomination_staff on denomination using (is_staff_of(programme_id));

create table denomination_step (
    programme_id uuid not null,
    denomination_id uuid not null,
    place bigint generated always as identity,
    state text not null,
    on_day date not null,
    reason text not null,
    moved_by text not null,
    at timestamptz not null,
    primary key (programme_id, denomination_id, place),
    foreign key (programme_id, denomination_id) references denomination (programme_id, id)
);
alter table denomination_step enable row level security;
create policy denomination_step_staff on denomination_step using (is_staff_of(programme_id));

-- Apart from denominations on purpose: a trade designation is never one.
create table trade_designation (
    programme_id uuid not null,
    id uuid not null,
    candidate_id uuid not null,
    designation text not null,
    territory text not null,
    at timestamptz not null,
    primary key (programme_id, id),
    foreign key (programme_id, candidate_id) references candidate (programme_id, id),
    constraint trade_designation_once unique (programme_id, candidate_id, designation, territory)
);
alter table trade_designation enable row level security;
create policy trade_designation_staff on trade_designation using (is_staff_of(programme_id));

-- Links under which a calendar program reads due dates without signing in.
create table calendar_link (
    programme_id uuid not null,
    id uuid not null,
    person_id uuid not null,
    name text not null,
    responsible_id uuid,
    created_at timestamptz not null,
    revoked_at timestamptz,
    primary key (programme_id, id)
);
alter table calendar_link enable row level security;
create policy calendar_link_staff on calendar_link using (is_staff_of(programme_id));

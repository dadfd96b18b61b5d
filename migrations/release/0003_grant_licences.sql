-- Licences, what is reported and owed under them, and material held for test.

create table licence (
    programme_id uuid not null,
    id uuid not null,
    number text not null,
    candidate_id uuid not null,
    licensee_id uuid not null,
    licensee_name text not null,
    purpose text not null check (purpose in ('testing', 'propagation', 'fruit', 'home_garden')),
    territory text[] not null check (cardinality(territory) > 0),
    exclusive boolean not null,
    starts_on date not null,
    ends_on date,
    propagate_max_n bigint,
    -- Rate, currency, steps and minimum, with amounts as decimal text.
    royalty jsonb,
    sublicensing boolean not null,
    granted_at timestamptz not null,
    version bigint not null default 1,
    primary key (programme_id, id),
    foreign key (programme_id, candidate_id) references candidate (programme_id, id),
    constraint licence_ends_after_start check (ends_on >= starts_on)
);
create index licence_by_licensee on licence (programme_id, licensee_id, candidate_id);
create index licence_by_candidate on licence (programme_id, candidate_id);
alter table licence enable row level security;
create policy licence_staff on licence using (is_staff_of(programme_id));
create policy licence_partner on licence for select
    using (programme_id = current_programme() and licensee_id = current_partner());

-- The terms as granted, amended and ended; never changed.
create table licence_change (
    programme_id uuid not null,
    licence_id uuid not null,
    place bigint generated always as identity,
    change text not null check (change in ('granted', 'amended', 'ended')),
    on_day date not null,
    reason text not null,
    changed_by text not null,
    terms jsonb not null,
    at timestamptz not null,
    primary key (programme_id, licence_id, place),
    foreign key (programme_id, licence_id) references licence (programme_id, id)
);
alter table licence_change enable row level security;
create policy licence_change_staff on licence_change using (is_staff_of(programme_id));

create sequence licence_claim_share;

-- What a licence lays claim to: one row for each country or part of one. Places are ranges of
-- whole numbers in which a country's range holds those of its parts, so that two claims to the
-- same ground overlap whether they name the country or a part of it.
create table licence_claim (
    programme_id uuid not null,
    licence_id uuid not null,
    place bigint generated always as identity,
    candidate_id uuid not null,
    purpose text not null,
    ground int4range not null,
    period daterange not null,
    -- An exclusive claim takes every share, another takes one of its own: so exclusive claims
    -- overlap with all others, and claims that are not exclusive never with each other.
    share int8range not null,
    primary key (programme_id, licence_id, place),
    foreign key (programme_id, licence_id) references licence (programme_id, id),
    constraint exclusive_stands_alone exclude using gist (
        programme_id with =, candidate_id with =, purpose with =,
        ground with &&, period with &&, share with &&)
);
alter table licence_claim enable row level security;
create policy licence_claim_staff on licence_claim using (is_staff_of(programme_id));

create table propagation_report (
    programme_id uuid not null,
    id uuid not null,
    licence_id uuid not null,
    candidate_id uuid not null,
    licensee_id uuid not null,
    period daterange not null,
    trees_n bigint not null check (trees_n >= 0),
    hectares numeric check (hectares >= 0),
    kilograms numeric check (kilograms >= 0),
    corrects_id uuid,
    corrected_by_id uuid,
    note text not null,
    reported_at timestamptz not null,
    reported_by text not null,
    reported_so_far_n bigint not null,
    above_cap boolean not null,
    primary key (programme_id, id),
    foreign key (programme_id, licence_id) references licence (programme_id, id),
    foreign key (programme_id, corrects_id) references propagation_report (programme_id, id),
    -- A day is reported once; a correction takes the place of what it corrects.
    constraint day_reported_once exclude using gist (
        programme_id with =, licence_id with =, period with &&) where (corrected_by_id is null)
);
create index propagation_report_by_licensee on propagation_report (programme_id, licensee_id, id);
alter table propagation_report enable row level security;
create policy propagation_report_kept on propagation_report
    using (programme_id = current_programme()
        and (current_partner() is null or licensee_id = current_partner()));

create table royalty_statement (
    programme_id uuid not null,
    id uuid not null,
    number text not null,
    licence_id uuid not null,
    licensee_id uuid not null,
    period daterange not null,
    per text not null,
    currency text not null,
    lines jsonb not null,
    subtotal numeric not null,
    minimum_added numeric not null,
    total numeric not null,
    difference numeric,
    corrects_id uuid,
    corrected_by_id uuid,
    reason text not null,
    stated_at timestamptz not null,
    stated_by text not null,
    primary key (programme_id, id),
    foreign key (programme_id, licence_id) references licence (programme_id, id),
    foreign key (programme_id, corrects_id) references royalty_statement (programme_id, id),
    constraint day_settled_once exclude using gist (
        programme_id with =, licence_id with =, period with &&) where (corrected_by_id is null)
);
alter table royalty_statement enable row level security;
create policy royalty_statement_staff on royalty_statement using (is_staff_of(programme_id));
create policy royalty_statement_partner on royalty_statement for select
    using (programme_id = current_programme() and licensee_id = current_partner());

create table testing_agreement (
    programme_id uuid not null,
    id uuid not null,
    candidate_id uuid not null,
    holder_id uuid not null,
    holder_name text not null,
    place text not null,
    country text not null,
    trees_n bigint not null check (trees_n > 0),
    starts_on date not null,
    ends_on date not null,
    on_end text not null check (on_end in ('return', 'destroy')),
    may_say text not null,
    at timestamptz not null,
    primary key (programme_id, id),
    foreign key (programme_id, candidate_id) references candidate (programme_id, id),
    constraint agreement_ends_after_start check (ends_on >= starts_on)
);
create index testing_agreement_by_holder on testing_agreement (programme_id, holder_id, candidate_id);
alter table testing_agreement enable row level security;
create policy testing_agreement_staff on testing_agreement using (is_staff_of(programme_id));
create policy testing_agreement_partner on testing_agreement for select
    using (programme_id = current_programme() and holder_id = current_partner());

create table testing_settlement (
    programme_id uuid not null,
    id uuid not null,
    agreement_id uuid not null,
    holder_id uuid not null,
    on_day date not null,
    outcome text not null check (outcome in ('returned', 'destroyed')),
    trees_n bigint not null check (trees_n > 0),
    evidence text not null check (evidence <> ''),
    recorded_by text not null,
    at timestamptz not null,
    primary key (programme_id, id),
    foreign key (programme_id, agreement_id) references testing_agreement (programme_id, id)
);
create index testing_settlement_by_agreement on testing_settlement (programme_id, agreement_id);
alter table testing_settlement enable row level security;
create policy testing_settlement_staff on testing_settlement using (is_staff_of(programme_id));
create policy testing_settlement_partner on testing_settlement for select
    using (programme_id = current_programme() and holder_id = current_partner());

-- What a partner may see beside its own papers: the candidates they are about, with their names
-- and where they are protected. The inner queries see the partner's own rows only.
create policy candidate_partner on candidate for select using (
    programme_id = current_programme() and current_partner() is not null
    and (exists (select from licence l
                 where l.programme_id = candidate.programme_id and l.candidate_id = candidate.id
                   and l.licensee_id = current_partner())
        or exists (select from testing_agreement a
                   where a.programme_id = candidate.programme_id and a.candidate_id = candidate.id
                     and a.holder_id = current_partner())));
create policy denomination_partner on denomination for select using (
    programme_id = current_programme() and current_partner() is not null
    and state = 'published'
    and exists (select from candidate c
                where c.programme_id = denomination.programme_id and c.id = denomination.candidate_id));
create policy trade_designation_partner on trade_designation for select using (
    programme_id = current_programme() and current_partner() is not null
    and exists (select from candidate c
                where c.programme_id = trade_designation.programme_id
                  and c.id = trade_designation.candidate_id));
create policy filing_partner on filing for select using (
    programme_id = current_programme() and current_partner() is not null
    and exists (select from candidate c
                where c.programme_id = filing.programme_id and c.id = filing.candidate_id));
create policy filing_event_partner on filing_event for select using (
    programme_id = current_programme() and current_partner() is not null
    and event in ('lapse', 'surrender', 'expiry')
    and exists (select from candidate c
                where c.programme_id = filing_event.programme_id
                  and c.id = filing_event.candidate_id));

-- Events posted to addresses that the programme or a partner named.

create table webhook (
    programme_id uuid not null,
    id uuid not null,
    -- The partner whose it is; null for the programme's own.
    organisation_id uuid,
    name text not null,
    url text not null,
    topics text[] not null check (cardinality(topics) > 0),
    active boolean not null default true,
    stopped_reason text not null default '',
    ended_at timestamptz,
    created_at timestamptz not null,
    created_by text not null,
    version bigint not null default 1,
    primary key (programme_id, id)
);
alter table webhook enable row level security;
create policy webhook_kept on webhook using (
    across_programmes()
    or (programme_id = current_programme()
        and (current_partner() is null or organisation_id = current_partner())));

-- Whoever keeps a webhook writes its secrets and never reads them: only the service's own
-- bookkeeping, which signs, does. The newest signs; the one before signs with it for a day.
create table webhook_secret (
    programme_id uuid not null,
    webhook_id uuid not null,
    place bigint generated always as identity,
    secret bytea not null check (octet_length(secret) = 32),
    made_at timestamptz not null,
    primary key (programme_id, webhook_id, place),
    foreign key (programme_id, webhook_id) references webhook (programme_id, id)
);
alter table webhook_secret enable row level security;
create policy webhook_secret_written on webhook_secret for insert
    with check (programme_id = current_programme());
create policy webhook_secret_signs on webhook_secret for select using (across_programmes());

create table webhook_delivery (
    programme_id uuid not null,
    -- Also the id that the receiver knows it by, the same in every attempt.
    id uuid not null,
    webhook_id uuid not null,
    organisation_id uuid,
    topic text not null,
    -- Position of the event in the outbox.
    sequence bigint not null,
    -- Events of one lane reach one webhook in their order; those about one candidate share a lane.
    lane uuid not null,
    body text not null,
    state text not null check (state in ('waiting', 'sending', 'delivered', 'dead')),
    -- Since it was made or last sent again by hand.
    attempts_n int not null default 0,
    next_at timestamptz not null,
    -- A sender that has not reported by then is taken to be gone.
    leased_until timestamptz,
    created_at timestamptz not null,
    delivered_at timestamptz,
    primary key (programme_id, id),
    foreign key (programme_id, webhook_id) references webhook (programme_id, id)
);
create index webhook_delivery_due on webhook_delivery (next_at) where state in ('waiting', 'sending');
create index webhook_delivery_in_lane on webhook_delivery (programme_id, webhook_id, lane, sequence)
    where state in ('waiting', 'sending');
create index webhook_delivery_by_webhook on webhook_delivery (programme_id, webhook_id, id);
alter table webhook_delivery enable row level security;
create policy webhook_delivery_kept on webhook_delivery using (
    across_programmes()
    or (programme_id = current_programme()
        and (current_partner() is null or organisation_id = current_partner())));

create table webhook_attempt (
    programme_id uuid not null,
    delivery_id uuid not null,
    place bigint generated always as identity,
    organisation_id uuid,
    at timestamptz not null,
    status int,
    fault text not null,
    took_ms int not null,
    primary key (programme_id, delivery_id, place),
    foreign key (programme_id, delivery_id) references webhook_delivery (programme_id, id)
);
alter table webhook_attempt enable row level security;
create policy webhook_attempt_kept on webhook_attempt using (
    across_programmes()
    or (programme_id = current_programme()
        and (current_partner() is null or organisation_id = current_partner())));

-- Due dates are computed, so what was announced of them is what must be kept.
create table due_date_told (
    programme_id uuid not null,
    candidate_id uuid not null,
    key text not null,
    -- The lead in days, 0 for the day itself.
    lead_days int not null,
    told_at timestamptz not null,
    primary key (programme_id, candidate_id, key, lead_days)
);
alter table due_date_told enable row level security;
create policy due_date_told_staff on due_date_told using (is_staff_of(programme_id));

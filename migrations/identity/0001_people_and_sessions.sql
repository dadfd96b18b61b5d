-- People, organisations, roles, sessions and signing keys.

create table programme (
    programme_id uuid primary key,
    name text not null,
    founded_at timestamptz not null
);
alter table programme enable row level security;
create policy programme_kept on programme
    using (programme_id = current_programme() or across_programmes());

create table organisation (
    programme_id uuid not null references programme,
    id uuid not null,
    name text not null,
    kind text not null check (kind in ('nursery', 'grower', 'institute')),
    country text not null,
    registered_at timestamptz not null,
    primary key (programme_id, id),
    constraint organisation_name_once unique (programme_id, name)
);
alter table organisation enable row level security;
-- A partner sees its own organisation and no other.
create policy organisation_kept on organisation
    using (programme_id = current_programme() and (current_partner() is null or id = current_partner()));

create table person (
    programme_id uuid not null references programme,
    id uuid not null,
    login text not null,
    name text not null,
    password_hash text not null,
    roles text[] not null,
    organisation_id uuid,
    active boolean not null default true,
    version bigint not null default 1,
    registered_at timestamptz not null,
    primary key (programme_id, id),
    foreign key (programme_id, organisation_id) references organisation (programme_id, id),
    -- Staff or partner, never both: a partner's role stands alone and names its organisation.
    constraint partner_stands_alone check (
        ('partner' = any (roles)) = (organisation_id is not null)
        and (organisation_id is null or roles = array['partner'])
    )
);
-- One login names one person in the whole installation, so that signing in needs no programme.
create unique index login_once on person (lower(login));
alter table person enable row level security;
-- Signing in looks a login up before there is a programme; a partner sees only its own people.
create policy person_kept on person using (
    across_programmes()
    or (programme_id = current_programme()
        and (current_partner() is null or organisation_id = current_partner()))
);

create table session (
    programme_id uuid not null,
    id uuid not null,
    person_id uuid not null,
    opened_at timestamptz not null,
    ended_at timestamptz,
    end_reason text,
    primary key (programme_id, id),
    foreign key (programme_id, person_id) references person (programme_id, id)
);
alter table session enable row level security;
create policy session_kept on session
    using (programme_id = current_programme() or across_programmes());

-- Every refresh token is good once. A token that comes back after its use was stolen or copied,
-- and ends its whole session.
create table refresh_token (
    programme_id uuid not null,
    token_digest bytea not null,
    session_id uuid not null,
    issued_at timestamptz not null,
    ends_at timestamptz not null,
    used_at timestamptz,
    primary key (programme_id, token_digest),
    foreign key (programme_id, session_id) references session (programme_id, id)
);
create index refresh_token_by_digest on refresh_token (token_digest);
alter table refresh_token enable row level security;
create policy refresh_token_kept on refresh_token
    using (programme_id = current_programme() or across_programmes());

-- Ed25519 keys that access tokens are signed with. The newest signs; older ones still verify until
-- the last token they signed has ended.
create table signing_key (
    id text primary key,
    private_pkcs8 bytea not null,
    public_x text not null,
    made_at timestamptz not null
);
alter table signing_key enable row level security;
create policy signing_key_kept on signing_key using (across_programmes());

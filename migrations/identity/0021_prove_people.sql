-- Passwords given by others, second factors, links to set a new password, and what is told of a
-- session to its owner.

-- An empty hash is no password at all: the person sets one with a link.
alter table person add column password_to_change boolean not null default false;

alter table session add column address text not null default '';
alter table session add column proofs text[] not null default '{password}';
alter table session add column seen_at timestamptz;

-- Whether a row of a person's is within the present scope: services' own bookkeeping, the
-- programme's staff, and a partner's own people.
create function is_about_person(programme uuid, person uuid) returns boolean
language sql stable parallel safe as
$$
    select across_programmes()
        or (programme = current_programme()
            and (current_partner() is null
                or exists (select from person p where p.programme_id = programme and p.id = person)))
$$;

-- Apps that show codes (RFC 6238). At most one of a person's is in use.
create table code_app (
    programme_id uuid not null,
    id uuid not null,
    person_id uuid not null,
    secret bytea not null check (octet_length(secret) >= 20),
    begun_at timestamptz not null,
    confirmed_at timestamptz,
    -- The time step of the last code that was taken: no code is taken twice.
    last_step bigint not null default 0,
    ended_at timestamptz,
    primary key (programme_id, id),
    foreign key (programme_id, person_id) references person (programme_id, id)
);
create unique index code_app_once on code_app (programme_id, person_id)
    where confirmed_at is not null and ended_at is null;
alter table code_app enable row level security;
create policy code_app_kept on code_app using (is_about_person(programme_id, person_id));

create table recovery_code (
    programme_id uuid not null,
    person_id uuid not null,
    -- SHA-256 of the code, which is random enough to need no slower hash.
    code_digest bytea not null check (octet_length(code_digest) = 32),
    made_at timestamptz not null,
    used_at timestamptz,
    ended_at timestamptz,
    primary key (programme_id, person_id, code_digest),
    foreign key (programme_id, person_id) references person (programme_id, id)
);
alter table recovery_code enable row level security;
create policy recovery_code_kept on recovery_code using (is_about_person(programme_id, person_id));

create table recovery_link (
    programme_id uuid not null,
    id uuid not null,
    person_id uuid not null,
    token_digest bytea not null check (octet_length(token_digest) = 32),
    made_at timestamptz not null,
    made_by text not null,
    ends_second_factors boolean not null,
    ends_at timestamptz not null,
    used_at timestamptz,
    primary key (programme_id, id),
    foreign key (programme_id, person_id) references person (programme_id, id)
);
create unique index recovery_link_by_digest on recovery_link (token_digest);
alter table recovery_link enable row level security;
create policy recovery_link_kept on recovery_link using (is_about_person(programme_id, person_id));

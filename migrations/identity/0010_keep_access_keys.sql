-- Keys of partners' devices and systems, exchanged for short-lived access tokens.

alter table person add column keeps_keys boolean not null default false;
-- Until now a partner's people were all alike.
update person set keeps_keys = true where organisation_id is not null;
alter table person add constraint keys_are_partners
    check (not keeps_keys or organisation_id is not null);

-- Named, so that the program can tell what a violation of it means.
alter table person rename constraint person_programme_id_organisation_id_fkey
    to person_of_organisation;

create table access_key (
    programme_id uuid not null,
    id uuid not null,
    organisation_id uuid not null,
    name text not null,
    -- SHA-256 of the key, which is random enough to need no slower hash.
    secret_digest bytea not null check (octet_length(secret_digest) = 32),
    quota text not null check (quota in ('small', 'standard', 'large')),
    expires_on date not null,
    created_at timestamptz not null,
    created_by text not null,
    last_used_at timestamptz,
    revoked_at timestamptz,
    revoked_by text not null default '',
    primary key (programme_id, id),
    constraint access_key_of_organisation
        foreign key (programme_id, organisation_id) references organisation (programme_id, id),
    constraint access_key_name_once unique (programme_id, organisation_id, name)
);
create unique index access_key_by_id on access_key (id);
alter table access_key enable row level security;
-- Exchanging looks a key up before there is a programme.
create policy access_key_kept on access_key using (
    across_programmes()
    or (programme_id = current_programme()
        and (current_partner() is null or organisation_id = current_partner())));

-- What a person or an organisation was given ends with their standing.

alter table organisation add column active boolean not null default true;
alter table organisation add column version bigint not null default 1;

-- Who made a key answers for it: it ends with that person's role and standing. Keys made before
-- this end with their organisation's alone.
alter table access_key add column created_by_id uuid;
create index access_key_by_maker on access_key (programme_id, created_by_id)
    where revoked_at is null;

-- Signing in asks for an organisation's standing before there is a programme.
drop policy organisation_kept on organisation;
create policy organisation_kept on organisation using (
    across_programmes()
    or (programme_id = current_programme()
        and (current_partner() is null or id = current_partner())));

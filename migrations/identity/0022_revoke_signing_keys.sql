-- A signing key that may be known to others is revoked: nothing that it signed holds any more.
alter table signing_key add column revoked_at timestamptz;
alter table signing_key add column revoked_by text not null default '';

-- A calendar link has a last day. Links made before this hold for a year from now.
alter table calendar_link add column expires_on date not null default (current_date + 365);
alter table calendar_link alter column expires_on drop default;
alter table calendar_link add column revoked_by text not null default '';

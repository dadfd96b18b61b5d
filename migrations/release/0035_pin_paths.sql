-- Functions that run with their owner's rights look for tables in their own schema, and for
-- temporary ones last of all.

alter function seal(text, bytea) set search_path = release, pg_temp;
alter function seal_holds(uuid, text, bytea, bytea) set search_path = release, pg_temp;

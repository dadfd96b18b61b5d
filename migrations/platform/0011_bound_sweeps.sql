-- How far old rows were forgotten. A clock that is wrong by a year may not sweep a year away, so this
-- moves on no faster than time passes (see `platform::sweep`).

create table sweep (
    what text primary key,
    forgotten_before timestamptz not null
);
alter table sweep enable row level security;
create policy sweep_kept on sweep using (across_programmes());

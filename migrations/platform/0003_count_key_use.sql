-- Requests of partners' keys by day. Counted in memory and added up here every few seconds.

create table key_use (
    programme_id uuid not null,
    key_id uuid not null,
    day date not null,
    requests_n bigint not null,
    primary key (programme_id, key_id, day)
);
alter table key_use enable row level security;
create policy key_use_kept on key_use using (across_programmes() or is_staff_of(programme_id));

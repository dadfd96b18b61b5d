-- A wrong entry is corrected by a later one that takes its place, and both are kept. Everything else
-- reads the entries that stand, so that every figure follows a correction.

alter table pass rename to pass_entry;
alter table pass_entry
    add column supersedes uuid,
    add column superseded_by uuid,
    -- Why the superseded entry was wrong.
    add column correction text not null default '',
    -- Nothing takes the superseded entry's place.
    add column withdrawn boolean not null default false,
    add column entered_at timestamptz not null default now(),
    add constraint pass_correction check
        ((supersedes is null) = (correction = '') and (supersedes is not null or not withdrawn)),
    add foreign key (programme_id, supersedes) references pass_entry (programme_id, id);
create unique index pass_superseded_once on pass_entry (programme_id, supersedes)
    where supersedes is not null;
create view pass with (security_invoker = true) as
    select * from pass_entry where superseded_by is null and not withdrawn;

alter table fruit_count rename to fruit_entry;
alter table fruit_entry
    add column supersedes uuid,
    add column superseded_by uuid,
    add column correction text not null default '',
    add column withdrawn boolean not null default false,
    add column entered_at timestamptz not null default now(),
    add constraint fruit_correction check
        ((supersedes is null) = (correction = '') and (supersedes is not null or not withdrawn)),
    add foreign key (programme_id, supersedes) references fruit_entry (programme_id, id);
create unique index fruit_superseded_once on fruit_entry (programme_id, supersedes)
    where supersedes is not null;
create view fruit_count with (security_invoker = true) as
    select * from fruit_entry where superseded_by is null and not withdrawn;

-- What a superseded pass took of its lot is there again.
alter table pollen_event rename to pollen_entry;
alter table pollen_entry add column superseded_by uuid;
create index pollen_entry_by_pass on pollen_entry (programme_id, pass_id)
    where pass_id is not null;
create view pollen_event with (security_invoker = true) as
    select * from pollen_entry where superseded_by is null;

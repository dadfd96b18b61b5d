-- What budded trees usually stand on at a site, for trials that say nothing else.
alter table site add column rootstock text not null default '';

-- The climate station whose records stand for a site, and the UPOV characteristics a trait serves.
alter table site add column climate_station text not null default '';
alter table trait add column upov jsonb not null default '[]';

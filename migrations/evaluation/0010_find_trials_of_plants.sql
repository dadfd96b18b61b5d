-- The trials of one plant are looked up for its whole life.
create index trial_entry_by_plant on trial_entry (programme_id, germplasm_id);

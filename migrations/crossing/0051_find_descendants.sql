-- Descendants are found by their parents; clones and those that may descend are found by these.
create index germplasm_by_clone_source on germplasm (programme_id, clone_of_id)
    where clone_of_id is not null;
create index pollen_candidate_by_candidate on pollen_candidate (programme_id, candidate_id);

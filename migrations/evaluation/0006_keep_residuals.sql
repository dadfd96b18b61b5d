-- Residuals lie beside the results: they are as many as the records and are read for pictures only.
-- A repeated analysis names the earlier one, with which its digests are compared.
alter table analysis
    add column residuals jsonb,
    add column result_sha256 text not null default '',
    add column repeats_id uuid,
    add constraint analysis_repeats_another
        foreign key (programme_id, repeats_id) references analysis (programme_id, id);

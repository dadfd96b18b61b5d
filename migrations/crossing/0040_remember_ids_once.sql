-- What was loaded from files or came in batches is remembered where everything is (`retry`): under the
-- operation that each row is. Of what content it was is not known any more in the new form, so that
-- the same id counts as written.
insert into retry (programme_id, operation, key, fingerprint, at)
select programme_id,
    case section
        when 'seasons' then 'open_season'
        when 'germplasm' then 'register_germplasm'
        when 'mothers' then 'register_mother'
        when 'bloom_records' then 'record_bloom'
        when 'pollen_lots' then 'gather_pollen'
        when 'pollen_events' then 'record_pollen_event'
        when 'crosses' then 'plan_cross'
        when 'mother_events' then 'record_mother_event'
        when 'passes' then 'record_pass'
        when 'fruit' then 'record_fruit'
        when 'seed' then 'record_seed'
        else 'plant_seedlings'
    end,
    'id:' || id, '', now()
from imported_row
on conflict do nothing;
drop table imported_row;

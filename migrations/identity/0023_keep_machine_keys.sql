-- Keys of the programme's own machines, which belong to no organisation.

alter table access_key alter column organisation_id drop not null;
create unique index machine_key_name_once on access_key (programme_id, name)
    where organisation_id is null;

alter table access_key drop constraint access_key_scopes_check;
alter table access_key add constraint access_key_scopes_check check (
    cardinality(scopes) > 0
    and case when organisation_id is null
        then scopes <@ '{write_weather,take_records,read_programme,read_pipeline}'
        else scopes <@ '{ask_release_status,report_propagation,keep_webhooks}'
    end);

-- A partner sees its own keys alone, and so no machine's.
drop policy access_key_kept on access_key;
create policy access_key_kept on access_key using (
    across_programmes()
    or (programme_id = current_programme()
        and (current_partner() is null or organisation_id = current_partner())));

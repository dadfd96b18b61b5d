-- What a key may do, as words of permissions; keys made before this could do all of it.
alter table access_key add column scopes text[] not null
    default '{ask_release_status,report_propagation,keep_webhooks}'
    check (cardinality(scopes) > 0
        and scopes <@ '{ask_release_status,report_propagation,keep_webhooks}');

-- Every service asks twice a second what was taken back of late.
create index access_key_revoked on access_key (revoked_at) where revoked_at is not null;
create index session_ended on session (ended_at) where ended_at is not null;

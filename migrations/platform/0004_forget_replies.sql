-- Replies kept for safe retries are forgotten when nobody can still be repeating the request.

create index retry_by_age on retry (at);

create policy retry_swept on retry for delete using (across_programmes());
create policy retry_seen_by_sweep on retry for select using (across_programmes());

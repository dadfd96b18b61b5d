-- No reply that is kept stands on these, so their changes are not counted (see count_changes()).

comment on table due_date_told is 'bookkeeping: due dates that were announced already';
comment on table webhook is 'bookkeeping: where events are sent';
comment on table webhook_secret is 'bookkeeping: secrets that events are signed with';
comment on table webhook_delivery is 'bookkeeping: events on their way';
comment on table webhook_attempt is 'bookkeeping: attempts to deliver an event';

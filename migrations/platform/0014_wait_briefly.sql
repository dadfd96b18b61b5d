-- Who waits for another request to be answered holds a connection only briefly, and looks again later:
-- many repeats of one slow request must not use up the connections that others need.
alter function claim_keys(uuid, text[], text[], bytea[], uuid, timestamptz)
    set lock_timeout = '100ms';

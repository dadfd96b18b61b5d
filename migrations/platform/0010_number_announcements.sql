-- Announcements get their position when they can be seen, not when they are written. Transactions
-- commit in another order than they began in, so a position taken while writing could fill in behind
-- a follower that had already passed it. One numberer at a time now gives what it can see the next
-- positions, without a gap: a position, once there, has nothing missing before it. No transaction id
-- is kept, which would mean nothing in another cluster.

drop policy if exists outbox_read on outbox;
alter table outbox
    drop constraint outbox_pkey,
    drop column written_by,
    alter column position drop identity,
    alter column position drop not null,
    -- The order in which announcements were written; two of them in one transaction, or in two of
    -- which the second began after the first had ended, are numbered in this order.
    add column written bigint generated always as identity primary key;
create unique index outbox_by_position on outbox (position);
create index outbox_unnumbered on outbox (written) where position is null;

create policy outbox_read on outbox for select using (across_programmes());
create policy outbox_numbered on outbox for update
    using (across_programmes() and position is null) with check (across_programmes());

-- How many announcements a follower has taken in, to be held against how many the source made up to
-- the same position. Null where nobody counted from the start.
alter table feed_cursor add column taken_n bigint;

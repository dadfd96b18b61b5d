-- An event goes to a webhook once, whatever the number of processes that follow the outbox. What was
-- made twice before is kept, out of the way of the rule and not sent any more.
with doubled as (
    select programme_id, id, row_number() over (
        partition by programme_id, webhook_id, sequence order by id) as n
    from webhook_delivery where sequence > 0
)
update webhook_delivery d
set sequence = 0, state = case when d.state = 'delivered' then d.state else 'dead' end
from doubled
where doubled.programme_id = d.programme_id and doubled.id = d.id and doubled.n > 1;
create unique index webhook_delivery_once on webhook_delivery (programme_id, webhook_id, sequence)
    where sequence > 0;

-- Each webhook is looked after by itself.
create index webhook_delivery_due_to on webhook_delivery (programme_id, webhook_id, next_at)
    where state in ('waiting', 'sending');
drop index webhook_delivery_due;

-- Events that were not kept for a webhook, because as many as may wait did wait already.
alter table webhook add column missed_n bigint not null default 0 check (missed_n >= 0);

-- One memory of what was asked: by the caller's Idempotency-Key, and by the ids that clients make,
-- whichever way an entry comes in: alone, in a batch, in a day's results or in an import. A reply is
-- kept as the bytes of its message, so that a repeat gets the same to the last digit. Replies are
-- forgotten after a time; ids never are.

-- What was kept before was known by a plain digest, secrets included. Ids stay known; of what content
-- they were is not known any more (an empty fingerprint), and replies under a caller's key go.
delete from retry where key like 'key:%';
alter table retry
    alter column reply drop not null,
    alter column reply type bytea using null,
    -- Who was answered, and for which partner: nobody else is given the reply.
    add column subject uuid,
    add column partner_id uuid,
    -- An Argon2 hash of the secrets in the request, which are not part of the fingerprint.
    add column secret_check text not null default '';
update retry set fingerprint = '';

drop policy retry_kept on retry;
create policy retry_kept on retry using (
    (programme_id = current_programme()
        or (current_programme() is null and programme_id = '00000000-0000-0000-0000-000000000000'))
    and partner_id is not distinct from current_partner());
create policy retry_emptied on retry for update using (across_programmes());

drop index retry_by_age;
create index retry_by_age on retry (at) where reply is not null;

-- Claims keys for the rest of the transaction, in one order for everybody, and tells what is known of
-- each. A key that another transaction has claimed is waited for, and then known; who waits too long
-- is told so (lock_not_available). A key that is neither fresh nor told is one that the present
-- caller may know nothing of.
create function claim_keys(
    in_programme uuid, operations text[], keys text[], prints bytea[], asker uuid, asked_at timestamptz)
returns table (operation text, key text, fresh boolean, fingerprint bytea, secret_check text,
    reply bytea, subject uuid)
language plpgsql set lock_timeout = '2s' as
$$
#variable_conflict use_column
declare
    claimed text[];
begin
    with c as (
        insert into retry (programme_id, operation, key, fingerprint, subject, partner_id, at)
        select in_programme, a.operation, a.key, a.print, asker, current_partner(), asked_at
        from unnest(operations, keys, prints) as a (operation, key, print)
        order by a.operation, a.key
        on conflict do nothing
        returning retry.operation || ' ' || retry.key as name)
    select coalesce(array_agg(c.name), '{}') into claimed from c;
    -- A statement of its own, which sees what others have written while the first one waited.
    return query
        select r.operation, r.key, r.operation || ' ' || r.key = any(claimed), r.fingerprint,
            r.secret_check, r.reply, r.subject
        from unnest(operations, keys) as a (operation, key)
        join retry r on r.programme_id = in_programme and r.operation = a.operation
            and r.key = a.key;
end
$$;

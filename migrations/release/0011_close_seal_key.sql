-- The programme's secret leaves the database no more: whoever may seal asks a function to, and no
-- scope of the service's role reads the table.

drop policy seal_key_programme on seal_key;
create policy seal_key_closed on seal_key using (false);

-- HMAC-SHA-256 (RFC 2104, FIPS 198-1) for secrets of at most one block of 64 bytes.
create function seal_hmac(secret bytea, message bytea) returns bytea
language plpgsql immutable strict parallel safe as $$
declare
    inner_pad bytea := secret || decode(repeat('00', 64 - octet_length(secret)), 'hex');
    outer_pad bytea := inner_pad;
begin
    for i in 0..63 loop
        outer_pad := set_byte(outer_pad, i, get_byte(outer_pad, i) # 92);
        inner_pad := set_byte(inner_pad, i, get_byte(inner_pad, i) # 54);
    end loop;
    return sha256(outer_pad || sha256(inner_pad || message));
end $$;

-- A tag of 128 bits over what the text is for, the programme and the content.
create function seal_tag(secret bytea, programme uuid, purpose text, content bytea) returns bytea
language sql immutable strict parallel safe as $$
    select substring(seal_hmac(
        secret,
        convert_to('drupeline ' || purpose || ' v1', 'UTF8') || '\x00'::bytea
            || uuid_send(programme) || content) for 16)
$$;

-- Seals for the present scope: staff any text of the programme, a partner a label of a licence of
-- its own and nothing else. Runs with the rights of the table's owner; the search path is the one
-- at its making, so that nobody slips it other tables.
create function seal(purpose text, content bytea) returns bytea
language plpgsql security definer set search_path from current as $$
declare
    programme uuid := current_programme();
    partner uuid := current_partner();
    own_secret bytea;
begin
    if programme is null then
        return null;
    end if;
    if partner is not null and not (purpose = 'label' and exists (
        select from licence l
        where l.programme_id = programme and l.licensee_id = partner
            and uuid_send(l.id) = substring(content for 16)))
    then
        return null;
    end if;
    insert into seal_key (programme_id, secret, made_at)
        values (programme,
            -- Three random UUIDs of 122 bits each.
            sha256(uuid_send(gen_random_uuid()) || uuid_send(gen_random_uuid())
                || uuid_send(gen_random_uuid())),
            now())
        on conflict (programme_id) do nothing;
    select secret into own_secret from seal_key where programme_id = programme;
    return seal_tag(own_secret, programme, purpose, content);
end $$;

-- Whether a seal holds, for anyone. The tags are compared through another HMAC, so that the time
-- taken says nothing about the right one.
create function seal_holds(programme uuid, purpose text, content bytea, tag bytea) returns boolean
language sql stable security definer set search_path from current as $$
    select coalesce((
        select seal_hmac(k.secret, seal_tag(k.secret, programme, purpose, content))
            = seal_hmac(k.secret, tag)
        from seal_key k where k.programme_id = programme), false)
$$;

revoke execute on function seal(text, bytea), seal_holds(uuid, text, bytea, bytea) from public;
grant execute on function seal(text, bytea), seal_holds(uuid, text, bytea, bytea)
    to drupeline_release;

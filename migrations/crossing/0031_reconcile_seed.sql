-- Seed is followed from stage to stage: each entry takes seed out of one stage and, unless it is
-- lost, puts it into the next. More than was there is written as found, with a reason, so that what
-- went in, was found, went on and was lost always comes out even.

alter table seed_entry rename to seed_record;
alter table seed_record
    -- The step that the seed had taken last; empty for seed taken out of stones.
    add column from_step text not null default '',
    -- The lot or batch that the seed came from, where it is known.
    add column source_id uuid,
    -- Number of a lot or batch within its cross; null for other steps.
    add column batch_n int,
    add column found_n int not null default 0 check (found_n >= 0),
    -- Medium of embryo rescue, temperature of stratification.
    add column medium text not null default '',
    add column temperature_c double precision,
    add column supersedes uuid,
    add column superseded_by uuid,
    add column correction text not null default '',
    add column withdrawn boolean not null default false,
    add column entered_at timestamptz not null default now(),
    add constraint seed_correction check
        ((supersedes is null) = (correction = '') and (supersedes is not null or not withdrawn)),
    add foreign key (programme_id, supersedes) references seed_record (programme_id, id),
    add foreign key (programme_id, source_id) references seed_record (programme_id, id);
create unique index seed_superseded_once on seed_record (programme_id, supersedes)
    where supersedes is not null;
create index seed_record_by_source on seed_record (programme_id, source_id)
    where source_id is not null;

alter table planting
    add column from_step text not null default 'germinated',
    add column found_n int not null default 0 check (found_n >= 0);

-- Entries made before: the stage that each step usually takes from, and what was explained then as
-- found now.
with steps as (
    select programme_id, cross_id, bool_or(step = 'stratified') as stratified,
        bool_or(step = 'rescued') as rescued, bool_or(step = 'germinated') as germinated
    from seed_record group by programme_id, cross_id)
update seed_record e set from_step = case
        when step = 'extracted' then ''
        when step in ('stratified', 'rescued') then 'extracted'
        when step = 'lost' and cause = 'empty' then 'extracted'
        when step = 'lost' and cause = 'damping_off' and germinated then 'germinated'
        when stratified then 'stratified' when rescued then 'rescued' else 'extracted' end
from steps s where s.programme_id = e.programme_id and s.cross_id = e.cross_id;
update planting p set from_step = 'extracted' where not exists (
    select from seed_record e where e.programme_id = p.programme_id and e.cross_id = p.cross_id
        and e.step = 'germinated');
update seed_record e set batch_n = n.n from (
    select programme_id, id, row_number() over
        (partition by programme_id, cross_id order by on_day, id) as n
    from seed_record where step in ('extracted', 'stratified', 'rescued')) n
where n.programme_id = e.programme_id and n.id = e.id;

create view seed_entry with (security_invoker = true) as
    select * from seed_record where superseded_by is null and not withdrawn;

-- What went into each stage of a cross's seed, was found there, was lost from it and went out of it,
-- losses included.
create view seed_stage with (security_invoker = true) as
    select programme_id, cross_id, step, sum(into_n)::bigint as into_n,
        sum(found_n)::bigint as found_n, sum(out_n)::bigint as out_n,
        sum(lost_n)::bigint as lost_n
    from (
        select programme_id, cross_id, step, seed_n as into_n, 0 as found_n, 0 as out_n, 0 as lost_n
            from seed_entry where step <> 'lost'
        union all
        select programme_id, cross_id, from_step, 0, found_n, seed_n,
                case when step = 'lost' then seed_n else 0 end
            from seed_entry where from_step <> ''
        union all
        select programme_id, cross_id, from_step, 0, found_n, planted_n, 0 from planting) flow
    group by programme_id, cross_id, step;

update seed_record e set found_n = s.out_n - s.into_n from (
    select distinct on (b.programme_id, b.cross_id, b.step) b.out_n, b.into_n, r.programme_id, r.id
    from seed_stage b join seed_record r on r.programme_id = b.programme_id
        and r.cross_id = b.cross_id and r.from_step = b.step
    where b.out_n > b.into_n order by b.programme_id, b.cross_id, b.step, r.on_day desc, r.id desc) s
where s.programme_id = e.programme_id and s.id = e.id;
update planting e set found_n = s.out_n - s.into_n - s.found_n from (
    select distinct on (b.programme_id, b.cross_id, b.step)
        b.out_n, b.into_n, b.found_n, p.programme_id, p.id
    from seed_stage b join planting p on p.programme_id = b.programme_id
        and p.cross_id = b.cross_id and p.from_step = b.step
    where b.out_n > b.into_n + b.found_n
    order by b.programme_id, b.cross_id, b.step, p.planted_on desc, p.id desc) s
where s.programme_id = e.programme_id and s.id = e.id;

-- The last word on it: no transaction may leave a stage, a lot or a batch with less than nothing.
create function check_seed_reconciled() returns trigger language plpgsql as
$$
begin
    if exists (select from seed_stage s where s.programme_id = new.programme_id
            and s.cross_id = new.cross_id and s.out_n > s.into_n + s.found_n)
        or exists (select from seed_entry b where b.programme_id = new.programme_id
            and b.cross_id = new.cross_id and b.seed_n < (
                select coalesce(sum(t.seed_n - t.found_n), 0) from seed_entry t
                where t.programme_id = b.programme_id and t.source_id = b.id)) then
        raise exception 'seed of cross % does not reconcile', new.cross_id
            using errcode = 'check_violation', constraint = 'seed_reconciled';
    end if;
    return null;
end
$$;
do $$
begin
    execute format('alter function check_seed_reconciled() set search_path = %I, pg_temp',
        current_schema());
end
$$;
create constraint trigger seed_reconciled after insert or update on seed_record
    deferrable initially deferred for each row execute function check_seed_reconciled();
create constraint trigger seed_reconciled after insert or update on planting
    deferrable initially deferred for each row execute function check_seed_reconciled();

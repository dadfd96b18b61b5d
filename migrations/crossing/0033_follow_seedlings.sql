-- What results at loci say of a seedling's pollen parent is kept apart from the cross's doubt, as the
-- factor by which they multiply its odds, so that a correction of a pass reaches every seedling.
alter table seedling add column evidence_odds double precision not null default 1
    check (evidence_odds > 0);
alter table seedling_event
    -- Of a locus result: the factor by which it multiplies the odds of an out-cross.
    add column evidence_odds double precision,
    -- Why a seedling died.
    add column cause text not null default '';

create function doubt_after(prior double precision, odds double precision)
    returns double precision language sql immutable as
$$
    select case when prior in (0, 1) then prior
        else prior * odds / (prior * odds + 1 - prior) end
$$;

-- Doubts of their own that seedlings had before, as the evidence that led to them.
update seedling s set evidence_odds = greatest(1e-12, least(1e12,
        s.outcross_doubt / (1 - s.outcross_doubt) * (1 - c.outcross_doubt) / c.outcross_doubt))
from planned_cross c
where c.programme_id = s.programme_id and c.id = s.cross_id
    and s.outcross_doubt > 0 and s.outcross_doubt < 1
    and c.outcross_doubt > 0 and c.outcross_doubt < 1;

//! Seasons and what they came to.

use contract::crossing::{
    ListSeasonsRequest, OpenSeasonRequest, Season, SeasonList, SeasonSummaries, SeasonSummary,
    SummariseSeasonsRequest,
};
use jiff::civil::Date;
use jiff::tz::TimeZone;
use platform::database::Day;
use platform::fault::OnConstraint as _;
use platform::{Fault, Fields, Unit};
use sqlx::FromRow;

use super::NAME_CHARS;
use crate::CrossingApp;
use crate::store::seasons::{self as store, SeasonRow};
use crate::store::{count, text_of};

/// Opens a season.
pub async fn open(
    _app: &CrossingApp,
    unit: &mut Unit,
    request: OpenSeasonRequest,
) -> Result<Season, Fault> {
    let mut fields = Fields::new();
    let id = fields.client_id(&request.id);
    let year = request.year;
    fields.require(
        (1950..=2150).contains(&year),
        "year",
        format!("{year} is outside 1950 to 2150; it is the year of the bloom"),
    );
    let site = fields.text("site", &request.site, NAME_CHARS).to_owned();
    let time_zone = fields.text("time_zone", &request.time_zone, 60).to_owned();
    if !time_zone.is_empty() && TimeZone::get(&time_zone).is_err() {
        fields.fault(
            "time_zone",
            format!("{time_zone:?} is not a time zone; write it as America/Los_Angeles"),
        );
    }
    let opens_on = fields.optional_date("opens_on", &request.opens_on);
    let closes_on = fields.optional_date("closes_on", &request.closes_on);
    let edge = |month, day| Date::new(i16::try_from(year).unwrap_or(2000), month, day);
    let (first, last) = match (edge(1, 1), edge(12, 31)) {
        (Ok(first), Ok(last)) => (opens_on.unwrap_or(first), closes_on.unwrap_or(last)),
        _ => {
            return Err(fields
                .finish()
                .err()
                .unwrap_or_else(|| Fault::field("/year", "is no year")));
        }
    };
    fields.require(
        first <= last,
        "closes_on",
        format!("{last} is before the season opens, on {first}"),
    );
    let strays = |day: Date| (i32::from(day.year()) - year).abs() > 1;
    fields.require(
        !strays(first) && !strays(last),
        "opens_on",
        format!("{first} to {last} lies too far from {year}"),
    );
    fields.finish()?;
    let programme = unit.programme()?;
    let row = SeasonRow {
        id,
        year,
        site,
        time_zone,
        opens_on: Day(first),
        closes_on: Day(last),
    };
    store::insert(unit.connection(), programme, &row)
        .await
        .on_constraint("season_pkey", || {
            Fault::exists("/year", format!("the season of {year} is open already"))
        })?;
    unit.touch("season", id);
    Ok(told_of(&row))
}

fn told_of(row: &SeasonRow) -> Season {
    Season {
        id: row.id.to_string(),
        year: row.year,
        site: row.site.clone(),
        time_zone: row.time_zone.clone(),
        opens_on: row.opens_on.0.to_string(),
        closes_on: row.closes_on.0.to_string(),
    }
}

/// The seasons, the latest first.
pub async fn list(
    _app: &CrossingApp,
    unit: &mut Unit,
    _request: ListSeasonsRequest,
) -> Result<SeasonList, Fault> {
    let rows = store::all(unit.connection()).await?;
    Ok(SeasonList {
        items: rows.iter().map(told_of).collect(),
    })
}

/// Reads a season's year as a number or a text.
pub(crate) fn year(fields: &mut Fields, field: &str, text: &str) -> Option<i32> {
    let text = text.trim();
    if text.is_empty() {
        fields.fault(field, "is required, as 2026");
        return None;
    }
    match text.parse::<i32>() {
        Ok(year) if (1900..=2200).contains(&year) => Some(year),
        _ => {
            fields.fault(
                field,
                format!("{text:?} is not a season; seasons are years, as 2026"),
            );
            None
        }
    }
}

/// The season of a year, which must have been opened.
pub(crate) async fn opened(
    fields: &mut Fields,
    unit: &mut Unit,
    year: Option<i32>,
) -> Result<Option<SeasonRow>, Fault> {
    let Some(year) = year else { return Ok(None) };
    let season = store::find(unit.connection(), year).await?;
    fields.require(
        season.is_some(),
        "season",
        format!("the season of {year} has not been opened; open it first with POST /seasons"),
    );
    Ok(season)
}

#[derive(FromRow)]
struct SummaryRow {
    year: i32,
    site: String,
    crosses_n: i64,
    doubt: Option<f64>,
    mothers_n: i64,
    lots_n: i64,
    passes_n: i64,
    emasculated_n: i64,
    pollinated_n: i64,
    warnings_n: i64,
    first_pass_on: Option<Day>,
    last_pass_on: Option<Day>,
    set_n: i64,
    set_flowers_n: i64,
    set_fruit_n: i64,
    harvested_n: i64,
    extracted_n: i64,
    germinated_n: i64,
    seedlings_n: i64,
    dead_n: i64,
    discarded_n: i64,
}

/// What each season came to, the latest first.
pub async fn summarise(
    _app: &CrossingApp,
    unit: &mut Unit,
    _request: SummariseSeasonsRequest,
) -> Result<SeasonSummaries, Fault> {
    let rows: Vec<SummaryRow> = sqlx::query_as(
        "with of_cross as ( \
             select c.season, c.id, c.outcross_doubt, c.standing, \
                 coalesce(p.passes_n, 0) as passes_n, coalesce(p.emasculated_n, 0) as emasculated_n, \
                 coalesce(p.pollinated_n, 0) as pollinated_n, coalesce(p.warnings_n, 0) as warnings_n, \
                 p.first_pass_on, p.last_pass_on, f.set_n, coalesce(f.harvested_n, 0) as harvested_n, \
                 greatest(f.set_n, f.harvested_n) as fruit_n, \
                 coalesce(s.extracted_n, 0) as extracted_n, coalesce(s.germinated_n, 0) as germinated_n, \
                 coalesce(t.planted_n, 0) as planted_n \
             from planned_cross c \
             left join (select cross_id, count(*) as passes_n, sum(emasculated_n) as emasculated_n, \
                     sum(pollinated_n) as pollinated_n, min(on_day) as first_pass_on, \
                     max(on_day) as last_pass_on, sum(jsonb_array_length(warnings)) as warnings_n \
                 from pass where programme_id = current_programme() group by cross_id) p \
                 on p.cross_id = c.id \
             left join (select cross_id, \
                     (array_agg(set_n order by on_day desc, entry desc) \
                         filter (where set_n is not null))[1]::bigint as set_n, \
                     sum(harvested_n) as harvested_n \
                 from fruit_count where programme_id = current_programme() group by cross_id) f \
                 on f.cross_id = c.id \
             left join (select cross_id, sum(seed_n) filter (where step = 'extracted') as extracted_n, \
                     sum(seed_n) filter (where step = 'germinated') as germinated_n \
                 from seed_entry where programme_id = current_programme() group by cross_id) s \
                 on s.cross_id = c.id \
             left join (select cross_id, sum(planted_n) as planted_n from planting \
                 where programme_id = current_programme() group by cross_id) t on t.cross_id = c.id \
             where c.programme_id = current_programme()) \
         select n.year, n.site, count(o.id) filter (where o.standing <> 'cancelled') as crosses_n, \
             avg(o.outcross_doubt) as doubt, \
             (select count(distinct p.mother_id) from pass p join planned_cross c \
                 on c.programme_id = p.programme_id and c.id = p.cross_id \
                 where p.programme_id = n.programme_id and c.season = n.year) as mothers_n, \
             (select count(*) from pollen_lot l \
                 where l.programme_id = n.programme_id and l.season = n.year) as lots_n, \
             coalesce(sum(o.passes_n), 0)::bigint as passes_n, \
             coalesce(sum(o.emasculated_n), 0)::bigint as emasculated_n, \
             coalesce(sum(o.pollinated_n), 0)::bigint as pollinated_n, \
             coalesce(sum(o.warnings_n), 0)::bigint as warnings_n, \
             min(o.first_pass_on) as first_pass_on, max(o.last_pass_on) as last_pass_on, \
             coalesce(sum(o.set_n), 0)::bigint as set_n, \
             coalesce(sum(o.pollinated_n) filter (where o.fruit_n is not null), 0)::bigint \
                 as set_flowers_n, \
             coalesce(sum(o.fruit_n), 0)::bigint as set_fruit_n, \
             coalesce(sum(o.harvested_n), 0)::bigint as harvested_n, \
             coalesce(sum(o.extracted_n), 0)::bigint as extracted_n, \
             coalesce(sum(o.germinated_n), 0)::bigint as germinated_n, \
             coalesce(sum(o.planted_n), 0)::bigint as seedlings_n, \
             (select count(*) from seedling d where d.programme_id = n.programme_id \
                 and d.season = n.year and d.died_on is not null) as dead_n, \
             (select count(*) from seedling d where d.programme_id = n.programme_id \
                 and d.season = n.year and d.died_on is null and d.discarded_on is not null) \
                 as discarded_n \
         from season n left join of_cross o on o.season = n.year \
         where n.programme_id = current_programme() \
         group by n.programme_id, n.year, n.site order by n.year desc",
    )
    .fetch_all(unit.connection())
    .await?;
    let items = rows
        .into_iter()
        .map(|row| SeasonSummary {
            season: row.year,
            site: row.site,
            crosses_n: count(row.crosses_n),
            mothers_n: count(row.mothers_n),
            pollen_lots_n: count(row.lots_n),
            passes_n: count(row.passes_n),
            flowers_emasculated_n: count(row.emasculated_n),
            flowers_pollinated_n: count(row.pollinated_n),
            fruit_set_n: count(row.set_n),
            fruit_harvested_n: count(row.harvested_n),
            seed_extracted_n: count(row.extracted_n),
            seed_germinated_n: count(row.germinated_n),
            seedlings_n: count(row.seedlings_n),
            seedlings_living_n: count(row.seedlings_n - row.dead_n),
            seedlings_discarded_n: count(row.discarded_n),
            fruit_set: (row.set_flowers_n > 0)
                .then(|| row.set_fruit_n as f64 / row.set_flowers_n as f64),
            first_pass_on: text_of(row.first_pass_on),
            last_pass_on: text_of(row.last_pass_on),
            outcross_doubt: row.doubt,
            warnings_n: count(row.warnings_n),
        })
        .collect();
    Ok(SeasonSummaries { items })
}

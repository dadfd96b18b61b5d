//! Trials with their sites and entries.

use std::collections::HashMap;

use contract::evaluation::{PlantTrial, SiteLayout, Trial, TrialEntry};
use jiff::Timestamp;
use jiff::civil::Date;
use platform::database::{Day, Instant};
use platform::fault::OnConstraint as _;
use platform::fields::Words as _;
use platform::{Fault, ProgrammeId};
use sqlx::PgConnection;
use sqlx::types::Json;

use super::{count, day_text, id_text, word};
use crate::domain::trial::{Stage, trial_number};
use crate::domain::{CrossId, GermplasmId, SiteId, TrialId};

/// A trial as the use cases need it.
#[derive(Debug, Clone)]
pub struct TrialHead {
    /// Id.
    pub id: TrialId,
    /// Number.
    pub number: String,
    /// Name.
    pub name: String,
    /// Stage.
    pub stage: Stage,
    /// Year in which it begins.
    pub season: i16,
    /// What budded trees stand on.
    pub rootstock: String,
    /// Day of planting, when known.
    pub planted_on: Option<Date>,
    /// Note.
    pub note: String,
    /// The design's word, once it is laid out.
    pub design: Option<String>,
    /// Number of the last tree.
    pub last_tree: i32,
}

#[derive(sqlx::FromRow)]
struct HeadRow {
    id: TrialId,
    number: String,
    name: String,
    stage: String,
    season: i16,
    rootstock: String,
    planted_on: Option<Day>,
    note: String,
    design: Option<String>,
    last_tree: i32,
}

impl TryFrom<HeadRow> for TrialHead {
    type Error = Fault;

    fn try_from(row: HeadRow) -> Result<Self, Fault> {
        Ok(Self {
            id: row.id,
            number: row.number,
            name: row.name,
            stage: word(&row.stage)?,
            season: row.season,
            rootstock: row.rootstock,
            planted_on: row.planted_on.map(|day| day.0),
            note: row.note,
            design: row.design,
            last_tree: row.last_tree,
        })
    }
}

/// One entry or check.
#[derive(Debug, Clone, sqlx::FromRow)]
pub struct EntryRow {
    /// The plant.
    pub germplasm_id: GermplasmId,
    /// Whether it is a check.
    pub is_check: bool,
    /// The plant's number.
    pub number: String,
    /// The plant's name.
    pub name: String,
    /// variety, selection, seedling or wild
    pub kind: String,
    /// Species.
    pub species: String,
    /// The cross it comes from.
    pub cross_id: Option<CrossId>,
    /// Year of that cross.
    pub crossing_year: Option<i16>,
    /// Doubt about its pollen parent.
    pub outcross_doubt: Option<f64>,
}

impl EntryRow {
    /// What people call it: its name, or its number.
    pub fn label(&self) -> &str {
        if self.name.is_empty() {
            &self.number
        } else {
            &self.name
        }
    }
}

/// Issues the next trial number of a season.
pub async fn next_number(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    season: i16,
) -> Result<String, Fault> {
    let place: i32 = sqlx::query_scalar(
        "insert into trial_counter (programme_id, season, last) values ($1, $2, 1) \
         on conflict (programme_id, season) do update set last = trial_counter.last + 1 \
         returning last",
    )
    .bind(programme)
    .bind(season)
    .fetch_one(connection)
    .await?;
    Ok(trial_number(season, place))
}

/// Writes a trial with its sites.
pub async fn insert(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    trial: &TrialHead,
    sites: &[SiteId],
    now: Timestamp,
) -> Result<(), Fault> {
    sqlx::query(
        "insert into trial (programme_id, id, number, name, stage, season, rootstock, planted_on, \
         note, created_at) values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10)",
    )
    .bind(programme)
    .bind(trial.id)
    .bind(&trial.number)
    .bind(&trial.name)
    .bind(trial.stage.word())
    .bind(trial.season)
    .bind(&trial.rootstock)
    .bind(trial.planted_on.map(Day))
    .bind(&trial.note)
    .bind(Instant(now))
    .execute(&mut *connection)
    .await
    .on_constraint("trial_name_once", || {
        Fault::exists(
            "/name",
            format!(
                "there is a trial {:?} in {} already",
                trial.name, trial.season
            ),
        )
    })?;
    sqlx::query(
        "insert into trial_site (programme_id, trial_id, place, site_id) \
         select $1, $2, place, site_id from unnest($3::uuid[]) with ordinality as s (site_id, place)",
    )
    .bind(programme)
    .bind(trial.id)
    .bind(sites)
    .execute(connection)
    .await?;
    Ok(())
}

/// Makes these the trial's entries; others that were there are dropped.
pub async fn put_entries(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    trial: TrialId,
    entries: &[EntryRow],
) -> Result<(), Fault> {
    sqlx::query("update trial_entry set dropped = true where programme_id = $1 and trial_id = $2")
        .bind(programme)
        .bind(trial)
        .execute(&mut *connection)
        .await?;
    let column = |of: fn(&EntryRow) -> &String| -> Vec<String> {
        entries.iter().map(|entry| of(entry).clone()).collect()
    };
    sqlx::query(
        "insert into trial_entry (programme_id, trial_id, germplasm_id, place, is_check, number, \
         name, kind, species, cross_id, crossing_year, outcross_doubt) \
         select $1, $2, e.* from unnest($3::uuid[], $4::int[], $5::bool[], $6::text[], $7::text[], \
         $8::text[], $9::text[], $10::uuid[], $11::smallint[], $12::float8[]) as e \
         on conflict (programme_id, trial_id, germplasm_id) do update set \
         place = excluded.place, is_check = excluded.is_check, dropped = false",
    )
    .bind(programme)
    .bind(trial)
    .bind(entries.iter().map(|e| e.germplasm_id).collect::<Vec<_>>())
    .bind((0..entries.len() as i32).collect::<Vec<_>>())
    .bind(entries.iter().map(|e| e.is_check).collect::<Vec<_>>())
    .bind(column(|e| &e.number))
    .bind(column(|e| &e.name))
    .bind(column(|e| &e.kind))
    .bind(column(|e| &e.species))
    .bind(entries.iter().map(|e| e.cross_id).collect::<Vec<_>>())
    .bind(entries.iter().map(|e| e.crossing_year).collect::<Vec<_>>())
    .bind(entries.iter().map(|e| e.outcross_doubt).collect::<Vec<_>>())
    .execute(connection)
    .await?;
    Ok(())
}

/// A trial; `lock` holds others off until the unit ends.
pub async fn head(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    id: TrialId,
    lock: bool,
) -> Result<TrialHead, Fault> {
    let sql = if lock {
        "select id, number, name, stage, season, rootstock, planted_on, note, design, last_tree \
         from trial where programme_id = $1 and id = $2 for no key update"
    } else {
        "select id, number, name, stage, season, rootstock, planted_on, note, design, last_tree \
         from trial where programme_id = $1 and id = $2"
    };
    sqlx::query_as::<_, HeadRow>(sql)
        .bind(programme)
        .bind(id)
        .fetch_optional(connection)
        .await?
        .ok_or_else(|| Fault::not_found("trial", id))?
        .try_into()
}

/// Sites of a trial, in order.
pub async fn sites(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    id: TrialId,
) -> Result<Vec<SiteId>, Fault> {
    Ok(sqlx::query_scalar(
        "select site_id from trial_site where programme_id = $1 and trial_id = $2 order by place",
    )
    .bind(programme)
    .bind(id)
    .fetch_all(connection)
    .await?)
}

/// Entries of a trial, in order.
pub async fn entries(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    id: TrialId,
) -> Result<Vec<EntryRow>, Fault> {
    Ok(sqlx::query_as(
        "select germplasm_id, is_check, number, name, kind, species, cross_id, crossing_year, \
         outcross_doubt from trial_entry \
         where programme_id = $1 and trial_id = $2 and not dropped order by place",
    )
    .bind(programme)
    .bind(id)
    .fetch_all(connection)
    .await?)
}

/// Notes how a trial was laid out.
pub async fn put_layout(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    id: TrialId,
    layout: &Made,
) -> Result<(), Fault> {
    sqlx::query(
        "update trial set design = $3, design_made = $4, seed = $5, efficiency = $6, \
         site_layouts = $7, last_tree = $8, planted_on = $9 where programme_id = $1 and id = $2",
    )
    .bind(programme)
    .bind(id)
    .bind(&layout.design)
    .bind(&layout.design_made)
    .bind(layout.seed.cast_signed())
    .bind(layout.efficiency)
    .bind(Json(&layout.sites))
    .bind(layout.last_tree)
    .bind(layout.planted_on.map(Day))
    .execute(connection)
    .await?;
    Ok(())
}

/// How a trial was laid out.
#[derive(Debug, Clone, Default)]
pub struct Made {
    /// The design's word.
    pub design: String,
    /// The design in words.
    pub design_made: String,
    /// Seed.
    pub seed: u64,
    /// Lowest average efficiency factor of the sites.
    pub efficiency: f64,
    /// Qualities by site.
    pub sites: Vec<SiteLayout>,
    /// Number of the last tree.
    pub last_tree: i32,
    /// Day of planting.
    pub planted_on: Option<Date>,
}

/// How a trial was laid out; none before it was.
pub async fn layout(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    id: TrialId,
) -> Result<Option<Made>, Fault> {
    type Row = (
        String,
        String,
        i64,
        f64,
        Json<Vec<SiteLayout>>,
        i32,
        Option<Day>,
    );
    let row: Option<Row> = sqlx::query_as(
        "select design, design_made, seed, efficiency, site_layouts, last_tree, planted_on \
         from trial where programme_id = $1 and id = $2 and design is not null",
    )
    .bind(programme)
    .bind(id)
    .fetch_optional(connection)
    .await?;
    Ok(row.map(|row| Made {
        design: row.0,
        design_made: row.1,
        seed: row.2.cast_unsigned(),
        efficiency: row.3,
        sites: row.4.0,
        last_tree: row.5,
        planted_on: row.6.map(|day| day.0),
    }))
}

/// Takes numbers for further trees of a trial; gives the first.
pub async fn take_tree_numbers(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    id: TrialId,
    n: i32,
) -> Result<i32, Fault> {
    let last: i32 = sqlx::query_scalar(
        "update trial set last_tree = last_tree + $3 where programme_id = $1 and id = $2 \
         returning last_tree",
    )
    .bind(programme)
    .bind(id)
    .bind(n)
    .fetch_one(connection)
    .await?;
    Ok(last - n + 1)
}

#[derive(sqlx::FromRow)]
struct Counts {
    trial_id: TrialId,
    sites: Vec<SiteId>,
    entries_n: i64,
    checks_n: i64,
    trees_n: i64,
    looked_at_n: i64,
    rootstocks: Vec<String>,
}

/// Trials as messages, without their entries, in the order of the heads.
pub async fn messages(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    heads: Vec<TrialHead>,
) -> Result<Vec<Trial>, Fault> {
    let ids: Vec<TrialId> = heads.iter().map(|head| head.id).collect();
    let counts: Vec<Counts> = sqlx::query_as(
        "select t.id as trial_id, \
         (select array_agg(s.site_id order by s.place) from trial_site s \
          where s.programme_id = $1 and s.trial_id = t.id) as sites, \
         (select count(*) from trial_entry e where e.programme_id = $1 and e.trial_id = t.id \
          and not e.dropped and not e.is_check) as entries_n, \
         (select count(*) from trial_entry e where e.programme_id = $1 and e.trial_id = t.id \
          and not e.dropped and e.is_check) as checks_n, \
         (select count(*) from tree r where r.programme_id = $1 and r.trial_id = t.id) as trees_n, \
         (select count(distinct r.tree_id) from record r \
          where r.programme_id = $1 and r.trial_id = t.id) as looked_at_n, \
         array(select distinct r.rootstock from tree r where r.programme_id = $1 \
          and r.trial_id = t.id and r.rootstock <> '' order by 1) as rootstocks \
         from unnest($2::uuid[]) as t (id)",
    )
    .bind(programme)
    .bind(&ids)
    .fetch_all(connection)
    .await?;
    let mut counts: HashMap<TrialId, Counts> = counts
        .into_iter()
        .map(|counts| (counts.trial_id, counts))
        .collect();
    Ok(heads
        .into_iter()
        .filter_map(|head| {
            let counts = counts.remove(&head.id)?;
            Some(Trial {
                id: head.id.to_string(),
                number: head.number,
                name: head.name,
                stage: head.stage.word().to_owned(),
                season: u32::from(head.season.unsigned_abs()),
                site_ids: counts.sites.iter().map(ToString::to_string).collect(),
                entries: Vec::new(),
                entries_n: count(counts.entries_n),
                checks_n: count(counts.checks_n),
                trees_n: count(counts.trees_n),
                trees_looked_at_n: count(counts.looked_at_n),
                rootstock: head.rootstock,
                planted_on: day_text(head.planted_on.map(Day)),
                note: head.note,
                status: if head.design.is_some() {
                    "laid_out"
                } else {
                    "open"
                }
                .to_owned(),
                design: head.design.unwrap_or_default(),
                rootstocks: counts.rootstocks,
            })
        })
        .collect())
}

/// Which trials are listed.
#[derive(Debug, Default)]
pub struct Wanted {
    /// Only of this season.
    pub season: Option<i16>,
    /// Only of this stage.
    pub stage: Option<Stage>,
    /// Only at this site.
    pub site: Option<SiteId>,
    /// Only those before this one.
    pub before: Option<TrialId>,
}

/// Trials, the newest first.
pub async fn list(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    wanted: &Wanted,
    limit: i64,
) -> Result<Vec<TrialHead>, Fault> {
    sqlx::query_as::<_, HeadRow>(
        "select id, number, name, stage, season, rootstock, planted_on, note, design, last_tree \
         from trial where programme_id = $1 and ($2::smallint is null or season = $2) \
         and ($3::text is null or stage = $3) and ($4::uuid is null or exists ( \
         select from trial_site s where s.programme_id = $1 and s.trial_id = trial.id \
         and s.site_id = $4)) \
         and ($5::uuid is null or (created_at, id) < (select t.created_at, t.id from trial t \
         where t.programme_id = $1 and t.id = $5)) \
         order by created_at desc, id desc limit $6",
    )
    .bind(programme)
    .bind(wanted.season)
    .bind(wanted.stage.map(|stage| stage.word()))
    .bind(wanted.site)
    .bind(wanted.before)
    .bind(limit)
    .fetch_all(connection)
    .await?
    .into_iter()
    .map(TrialHead::try_from)
    .collect()
}

/// The trials in which a plant was an entry, oldest first, without decisions.
pub async fn of_plant(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    plant: GermplasmId,
) -> Result<Vec<PlantTrial>, Fault> {
    #[derive(sqlx::FromRow)]
    struct Part {
        id: TrialId,
        number: String,
        name: String,
        stage: String,
        season: i16,
        planted_on: Option<Day>,
        is_check: bool,
        trees_n: i64,
    }
    let parts: Vec<Part> = sqlx::query_as(
        "select h.id, h.number, h.name, h.stage, h.season, h.planted_on, e.is_check, \
         (select count(*) from tree t where t.programme_id = e.programme_id \
            and t.trial_id = e.trial_id and t.germplasm_id = e.germplasm_id) as trees_n \
         from trial_entry e join trial h on h.programme_id = e.programme_id and h.id = e.trial_id \
         where e.programme_id = $1 and e.germplasm_id = $2 and not e.dropped \
         order by h.season, h.id",
    )
    .bind(programme)
    .bind(plant)
    .fetch_all(connection)
    .await?;
    Ok(parts
        .into_iter()
        .map(|part| PlantTrial {
            trial_id: part.id.to_string(),
            number: part.number,
            name: part.name,
            stage: part.stage,
            season: u32::from(part.season.unsigned_abs()),
            planted_on: day_text(part.planted_on),
            is_check: part.is_check,
            trees_n: count(part.trees_n),
            decisions: Vec::new(),
        })
        .collect())
}

/// An entry as a message, with the latest decision on it.
pub fn entry_message(entry: EntryRow, decision: Option<&String>) -> TrialEntry {
    TrialEntry {
        germplasm_id: entry.germplasm_id.to_string(),
        number: entry.number,
        name: entry.name,
        kind: entry.kind,
        species: entry.species,
        cross_id: id_text(entry.cross_id),
        crossing_year: entry
            .crossing_year
            .map_or(0, |year| u32::from(year.unsigned_abs())),
        is_check: entry.is_check,
        outcross_doubt: entry.outcross_doubt,
        decision: decision.cloned().unwrap_or_default(),
    }
}

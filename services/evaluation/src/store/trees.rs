//! Trees and what became of them.

use contract::evaluation::{TreeEvent, TrialTree};
use jiff::Timestamp;
use jiff::civil::Date;
use platform::database::{Day, Instant, refresh_statistics};
use platform::fields::Words as _;
use platform::{Fault, ProgrammeId};
use sqlx::PgConnection;

use super::{count, day_text, id_text, word};
use crate::domain::trial::{TreeEventWord, TreeStatus};
use crate::domain::{GermplasmId, SiteId, TreeEventId, TreeId, TrialId};

/// A tree.
#[derive(Debug, Clone, sqlx::FromRow)]
pub struct TreeRow {
    /// Id.
    pub id: TreeId,
    /// Trial.
    pub trial_id: TrialId,
    /// Site.
    pub site_id: SiteId,
    /// Number with its check character.
    pub number: String,
    /// Row.
    pub row_n: i32,
    /// Column.
    pub column_n: i32,
    /// Complete replicate.
    pub replicate: i32,
    /// Incomplete block.
    pub block: i32,
    /// What stands there.
    pub germplasm_id: GermplasmId,
    /// Whether it is a check.
    pub is_check: bool,
    /// Day of planting.
    pub planted_on: Option<Day>,
    status: String,
    /// Day on which it ended.
    pub ended_on: Option<Day>,
    /// The tree in whose place it was planted.
    pub replaces_id: Option<TreeId>,
    /// What it stands on; empty for own-root.
    pub rootstock: String,
}

impl TreeRow {
    /// A tree that is planted.
    #[expect(clippy::too_many_arguments, reason = "a tree has so many coordinates")]
    pub fn planted(
        trial_id: TrialId,
        site_id: SiteId,
        number: String,
        place: (i32, i32),
        (replicate, block): (i32, i32),
        germplasm_id: GermplasmId,
        is_check: bool,
        rootstock: String,
        planted_on: Option<Date>,
        replaces_id: Option<TreeId>,
    ) -> Self {
        Self {
            id: TreeId::new(),
            trial_id,
            site_id,
            number,
            row_n: place.0,
            column_n: place.1,
            replicate,
            block,
            germplasm_id,
            is_check,
            planted_on: planted_on.map(Day),
            status: TreeStatus::Standing.word().to_owned(),
            ended_on: None,
            replaces_id,
            rootstock,
        }
    }

    /// Whether it still stands.
    pub fn status(&self) -> Result<TreeStatus, Fault> {
        word(&self.status)
    }

    /// As a message, without its events.
    pub fn message(self) -> TrialTree {
        let number = |n: i32| count(i64::from(n));
        TrialTree {
            tree_id: self.id.to_string(),
            number: self.number,
            site_id: self.site_id.to_string(),
            row: number(self.row_n),
            column: number(self.column_n),
            replicate: number(self.replicate),
            block: number(self.block),
            germplasm_id: self.germplasm_id.to_string(),
            is_check: self.is_check,
            trial_id: self.trial_id.to_string(),
            planted_on: day_text(self.planted_on),
            status: self.status,
            ended_on: day_text(self.ended_on),
            replaces_id: id_text(self.replaces_id),
            events: Vec::new(),
            rootstock: self.rootstock,
        }
    }
}

/// Plants trees.
pub async fn insert(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    trees: &[TreeRow],
) -> Result<(), Fault> {
    let numbers = |of: fn(&TreeRow) -> i32| -> Vec<i32> { trees.iter().map(of).collect() };
    sqlx::query(
        "insert into tree (programme_id, id, trial_id, site_id, number, row_n, column_n, replicate, \
         block, germplasm_id, is_check, planted_on, status, replaces_id, rootstock) \
         select $1, t.* from unnest($2::uuid[], $3::uuid[], $4::uuid[], $5::text[], $6::int[], \
         $7::int[], $8::int[], $9::int[], $10::uuid[], $11::bool[], $12::date[], $13::text[], \
         $14::uuid[], $15::text[]) as t",
    )
    .bind(programme)
    .bind(trees.iter().map(|t| t.id).collect::<Vec<_>>())
    .bind(trees.iter().map(|t| t.trial_id).collect::<Vec<_>>())
    .bind(trees.iter().map(|t| t.site_id).collect::<Vec<_>>())
    .bind(trees.iter().map(|t| t.number.clone()).collect::<Vec<_>>())
    .bind(numbers(|t| t.row_n))
    .bind(numbers(|t| t.column_n))
    .bind(numbers(|t| t.replicate))
    .bind(numbers(|t| t.block))
    .bind(trees.iter().map(|t| t.germplasm_id).collect::<Vec<_>>())
    .bind(trees.iter().map(|t| t.is_check).collect::<Vec<_>>())
    .bind(trees.iter().map(|t| t.planted_on).collect::<Vec<_>>())
    .bind(trees.iter().map(|t| t.status.clone()).collect::<Vec<_>>())
    .bind(trees.iter().map(|t| t.replaces_id).collect::<Vec<_>>())
    .bind(trees.iter().map(|t| t.rootstock.clone()).collect::<Vec<_>>())
    .execute(&mut *connection)
    .await?;
    for table in ["tree", "trial_entry"] {
        refresh_statistics(&mut *connection, table, trees.len()).await?;
    }
    Ok(())
}

/// Trees of a trial, in order of number.
pub async fn of_trial(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    trial: TrialId,
) -> Result<Vec<TreeRow>, Fault> {
    Ok(sqlx::query_as(
        "select id, trial_id, site_id, number, row_n, column_n, replicate, block, germplasm_id, \
         is_check, planted_on, status, ended_on, replaces_id, rootstock from tree \
         where programme_id = $1 and trial_id = $2 order by number",
    )
    .bind(programme)
    .bind(trial)
    .fetch_all(connection)
    .await?)
}

/// Trees of a plant that stand on their own roots, checks aside.
pub async fn standing_own_root(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    plant: GermplasmId,
) -> Result<Vec<TreeRow>, Fault> {
    Ok(sqlx::query_as(
        "select t.id, t.trial_id, t.site_id, t.number, t.row_n, t.column_n, t.replicate, t.block, \
         t.germplasm_id, t.is_check, t.planted_on, t.status, t.ended_on, t.replaces_id, t.rootstock \
         from tree t join trial r on r.programme_id = t.programme_id and r.id = t.trial_id \
         where t.programme_id = $1 and t.germplasm_id = $2 and t.status = 'standing' \
         and r.stage = 'own_root' and not t.is_check order by t.id",
    )
    .bind(programme)
    .bind(plant)
    .fetch_all(connection)
    .await?)
}

/// Trees by id or by number, each with the time zone of its site.
pub async fn with_zones(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    ids: &[TreeId],
    numbers: &[String],
) -> Result<(Vec<TreeRow>, Vec<(SiteId, String)>), Fault> {
    let mut trees: Vec<TreeRow> = sqlx::query_as(
        "select id, trial_id, site_id, number, row_n, column_n, replicate, block, germplasm_id, \
         is_check, planted_on, status, ended_on, replaces_id, rootstock from tree \
         where programme_id = $1 and id = any($2)",
    )
    .bind(programme)
    .bind(ids)
    .fetch_all(&mut *connection)
    .await?;
    if !numbers.is_empty() {
        let by_number: Vec<TreeRow> = sqlx::query_as(
            "select id, trial_id, site_id, number, row_n, column_n, replicate, block, germplasm_id, \
             is_check, planted_on, status, ended_on, replaces_id, rootstock from tree \
             where programme_id = $1 and number = any($2)",
        )
        .bind(programme)
        .bind(numbers)
        .fetch_all(&mut *connection)
        .await?;
        trees.extend(by_number);
    }
    let mut sites: Vec<SiteId> = trees.iter().map(|tree| tree.site_id).collect();
    sites.sort_unstable();
    sites.dedup();
    let zones = super::sites::zones(connection, programme, &sites).await?;
    Ok((trees, zones))
}

/// One tree; `lock` holds others off until the unit ends.
pub async fn get(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    id: TreeId,
    lock: bool,
) -> Result<TreeRow, Fault> {
    let sql = if lock {
        "select id, trial_id, site_id, number, row_n, column_n, replicate, block, germplasm_id, \
         is_check, planted_on, status, ended_on, replaces_id, rootstock from tree \
         where programme_id = $1 and id = $2 for no key update"
    } else {
        "select id, trial_id, site_id, number, row_n, column_n, replicate, block, germplasm_id, \
         is_check, planted_on, status, ended_on, replaces_id, rootstock from tree \
         where programme_id = $1 and id = $2"
    };
    sqlx::query_as(sql)
        .bind(programme)
        .bind(id)
        .fetch_optional(connection)
        .await?
        .ok_or_else(|| Fault::not_found("tree", id))
}

/// Ends a tree.
pub async fn end(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    id: TreeId,
    status: TreeStatus,
    on: Date,
) -> Result<(), Fault> {
    sqlx::query("update tree set status = $3, ended_on = $4 where programme_id = $1 and id = $2")
        .bind(programme)
        .bind(id)
        .bind(status.word())
        .bind(Day(on))
        .execute(connection)
        .await?;
    Ok(())
}

/// Something that became of a tree.
#[derive(Debug, Clone)]
pub struct Event {
    /// Id.
    pub id: TreeEventId,
    /// Tree.
    pub tree: TreeId,
    /// What.
    pub kind: TreeEventWord,
    /// When.
    pub on: Date,
    /// Why.
    pub reason: String,
    /// Fruits left after thinning.
    pub fruits_left_n: Option<i32>,
    /// The tree planted in its place.
    pub new_tree: Option<TreeId>,
}

/// Writes an event.
pub async fn insert_event(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    event: &Event,
    by: platform::PersonId,
    now: Timestamp,
) -> Result<(), Fault> {
    sqlx::query(
        "insert into tree_event (programme_id, id, tree_id, kind, on_day, reason, fruits_left_n, \
         new_tree_id, by_id, at) values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10)",
    )
    .bind(programme)
    .bind(event.id)
    .bind(event.tree)
    .bind(event.kind.word())
    .bind(Day(event.on))
    .bind(&event.reason)
    .bind(event.fruits_left_n)
    .bind(event.new_tree)
    .bind(by)
    .bind(Instant(now))
    .execute(connection)
    .await?;
    Ok(())
}

/// Fruits left on each tree of a trial after the latest thinning of each year.
pub async fn fruits_left(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    trial: TrialId,
) -> Result<Vec<(TreeId, i16, f64)>, Fault> {
    Ok(sqlx::query_as(
        "select distinct on (e.tree_id, year) e.tree_id, \
         extract(year from e.on_day)::smallint as year, e.fruits_left_n::float8 \
         from tree_event e join tree t on t.programme_id = e.programme_id and t.id = e.tree_id \
         where e.programme_id = $1 and t.trial_id = $2 and e.fruits_left_n is not null \
         order by e.tree_id, year, e.on_day desc, e.at desc",
    )
    .bind(programme)
    .bind(trial)
    .fetch_all(connection)
    .await?)
}

#[derive(sqlx::FromRow)]
struct EventRow {
    id: TreeEventId,
    tree_id: TreeId,
    kind: String,
    on_day: Day,
    reason: String,
    fruits_left_n: Option<i32>,
    new_tree_id: Option<TreeId>,
    new_tree_number: Option<String>,
}

/// Events of a tree, the earliest first.
pub async fn events(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    tree: TreeId,
) -> Result<Vec<TreeEvent>, Fault> {
    let rows: Vec<EventRow> = sqlx::query_as(
        "select e.id, e.tree_id, e.kind, e.on_day, e.reason, e.fruits_left_n, e.new_tree_id, \
         n.number as new_tree_number from tree_event e \
         left join tree n on n.programme_id = e.programme_id and n.id = e.new_tree_id \
         where e.programme_id = $1 and e.tree_id = $2 order by e.on_day, e.at",
    )
    .bind(programme)
    .bind(tree)
    .fetch_all(connection)
    .await?;
    Ok(rows
        .into_iter()
        .map(|row| TreeEvent {
            id: row.id.to_string(),
            tree_id: row.tree_id.to_string(),
            kind: row.kind,
            on: row.on_day.0.to_string(),
            reason: row.reason,
            fruits_left_n: row.fruits_left_n.map(|n| count(i64::from(n))),
            new_tree_id: id_text(row.new_tree_id),
            new_tree_number: row.new_tree_number.unwrap_or_default(),
        })
        .collect())
}

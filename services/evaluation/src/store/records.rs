//! Records, their corrections and judgements.

use std::collections::{HashMap, HashSet};

use contract::evaluation::RecordItem;
use jiff::Timestamp;
use platform::database::Instant;
use platform::fields::Words as _;
use platform::{Fault, PersonId, ProgrammeId};
use sqlx::{PgConnection, Postgres, QueryBuilder};

use super::id_text;
use crate::domain::trial::Judgement;
use crate::domain::{RecordId, SiteId, TreeId, TrialId};

/// A record to be written.
#[derive(Debug, Clone, PartialEq)]
pub struct NewRecord {
    /// Id made by the client.
    pub id: RecordId,
    /// Trial of the tree.
    pub trial: TrialId,
    /// Tree.
    pub tree: TreeId,
    /// Trait.
    pub code: String,
    /// Year of observation at the site.
    pub year: i16,
    /// Number to reckon with; none when the corrected record is withdrawn.
    pub value: Option<f64>,
    /// Value as sent.
    pub sent: String,
    /// When it was seen.
    pub observed_at: Timestamp,
    /// Who saw it.
    pub observer: String,
    /// Record that it replaces.
    pub corrects: Option<RecordId>,
    /// Why it deserves a second look.
    pub doubt: Option<String>,
}

/// What makes two rows with one id the same record.
#[derive(Debug, Clone, PartialEq, sqlx::FromRow)]
pub struct Content {
    /// Tree.
    pub tree_id: TreeId,
    /// Trait.
    #[sqlx(rename = "trait")]
    pub code: String,
    /// Value as sent.
    pub sent: String,
    /// When it was seen.
    pub observed_at: Instant,
    /// Who saw it.
    pub observer: String,
    /// Record that it replaces.
    pub corrects: Option<RecordId>,
}

/// Ids up to which each is looked up by itself.
const PROBES: usize = 2000;

/// Stored records with any of these ids.
pub async fn known(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    ids: &[RecordId],
) -> Result<HashMap<RecordId, Content>, Fault> {
    #[derive(sqlx::FromRow)]
    struct Row {
        id: RecordId,
        #[sqlx(flatten)]
        content: Content,
    }
    let (Some(least), Some(largest)) = (ids.iter().min(), ids.iter().max()) else {
        return Ok(HashMap::new());
    };
    // A few ids are probed for; of many, which clients make in order of time, one range is read.
    let sql = if ids.len() <= PROBES {
        "select r.id, r.tree_id, r.trait, r.sent, r.observed_at, r.observer, r.corrects \
         from record r where r.programme_id = $1 and r.id between $3 and $4 and r.id = any($2)"
    } else {
        "with near as materialized (select r.id, r.tree_id, r.trait, r.sent, r.observed_at, \
         r.observer, r.corrects from record r where r.programme_id = $1 and r.id between $3 and $4) \
         select near.* from near join unnest($2::uuid[]) as asked (id) using (id)"
    };
    let rows: Vec<Row> = sqlx::query_as(sql)
        .bind(programme)
        .bind(ids)
        .bind(least)
        .bind(largest)
        .fetch_all(connection)
        .await?;
    Ok(rows.into_iter().map(|row| (row.id, row.content)).collect())
}

/// Which of these records were corrected already, and by which.
pub async fn corrections(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    ids: &[RecordId],
) -> Result<HashMap<RecordId, RecordId>, Fault> {
    if ids.is_empty() {
        return Ok(HashMap::new());
    }
    let rows: Vec<(RecordId, RecordId)> = sqlx::query_as(
        "select corrected_id, correction_id from correction \
         where programme_id = $1 and corrected_id = any($2)",
    )
    .bind(programme)
    .bind(ids)
    .fetch_all(connection)
    .await?;
    Ok(rows.into_iter().collect())
}

/// Rows written by one statement: the arrays of so many stay within the memory that the database
/// gives a statement before it turns to its disk.
const WRITTEN_AT_ONCE: usize = 10_000;

/// Writes records and their corrections.
///
/// # Errors
/// When the database refuses; a primary key that is taken when another batch wrote a row of the same
/// id, or corrected the same record, at this moment: at the next look that is known.
pub async fn insert(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    records: &[NewRecord],
    now: Timestamp,
) -> Result<(), sqlx::Error> {
    for part in records.chunks(WRITTEN_AT_ONCE) {
        insert_part(connection, programme, part, now).await?;
    }
    let corrections: Vec<(RecordId, RecordId)> = records
        .iter()
        .filter_map(|r| r.corrects.map(|corrected| (corrected, r.id)))
        .collect();
    if !corrections.is_empty() {
        sqlx::query(
            "insert into correction (programme_id, corrected_id, correction_id) \
             select $1, c.* from unnest($2::uuid[], $3::uuid[]) as c",
        )
        .bind(programme)
        .bind(corrections.iter().map(|c| c.0).collect::<Vec<_>>())
        .bind(corrections.iter().map(|c| c.1).collect::<Vec<_>>())
        .execute(connection)
        .await?;
    }
    Ok(())
}

async fn insert_part(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    part: &[NewRecord],
    now: Timestamp,
) -> Result<(), sqlx::Error> {
    fn each<'a, T>(part: &'a [NewRecord], of: impl Fn(&'a NewRecord) -> T) -> Vec<T> {
        part.iter().map(of).collect()
    }
    // Most rows neither correct nor raise a doubt, and columns that are left out cost nothing.
    let plain = part
        .iter()
        .all(|r| r.corrects.is_none() && r.doubt.is_none());
    let sql = if plain {
        "insert into record (programme_id, recorded_at, year, id, trial_id, tree_id, trait, value, \
         sent, observed_at, observer) \
         select $1, $2, r.* from unnest($3::smallint[], $4::uuid[], $5::uuid[], $6::uuid[], \
         $7::text[], $8::float8[], $9::text[], $10::timestamptz[], $11::text[]) as r"
    } else {
        "insert into record (programme_id, recorded_at, year, id, trial_id, tree_id, trait, value, \
         sent, observed_at, observer, corrects, doubt) \
         select $1, $2, r.* from unnest($3::smallint[], $4::uuid[], $5::uuid[], $6::uuid[], \
         $7::text[], $8::float8[], $9::text[], $10::timestamptz[], $11::text[], $12::uuid[], \
         $13::text[]) as r"
    };
    let mut query = sqlx::query(sql)
        .bind(programme)
        .bind(Instant(now))
        .bind(each(part, |r| r.year))
        .bind(each(part, |r| r.id))
        .bind(each(part, |r| r.trial))
        .bind(each(part, |r| r.tree))
        .bind(each(part, |r| r.code.as_str()))
        .bind(each(part, |r| r.value))
        .bind(each(part, |r| r.sent.as_str()))
        .bind(each(part, |r| Instant(r.observed_at)))
        .bind(each(part, |r| r.observer.as_str()));
    if !plain {
        query = query
            .bind(each(part, |r| r.corrects))
            .bind(each(part, |r| r.doubt.as_deref()));
    }
    query.execute(connection).await.map(drop)
}

/// A value that counts in the figures.
#[derive(Debug, Clone, sqlx::FromRow)]
pub struct Value {
    /// Tree.
    pub tree_id: TreeId,
    /// Year.
    pub year: i16,
    /// Value.
    pub value: f64,
    /// Who saw it.
    pub observer: String,
}

/// Values of one trait in a trial that count: neither corrected nor set aside nor withdrawn.
pub async fn values(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    trial: TrialId,
    code: &str,
    (year, site): (Option<i16>, Option<SiteId>),
) -> Result<Vec<Value>, Fault> {
    let mut query = QueryBuilder::<Postgres>::new(
        "select r.tree_id, r.year, r.value, r.observer from record r where r.programme_id = ",
    );
    query
        .push_bind(programme)
        .push(" and r.trial_id = ")
        .push_bind(trial);
    query.push(" and r.trait = ").push_bind(code);
    query.push(
        " and r.value is not null and not exists (select from correction c \
         where c.programme_id = r.programme_id and c.corrected_id = r.id) \
         and r.id not in (select l.record_id from (select distinct on (j.record_id) j.record_id, \
         j.judgement from judgement j where j.programme_id = ",
    );
    query.push_bind(programme);
    query.push(" order by j.record_id, j.at desc) l where l.judgement = 'set_aside')");
    if let Some(year) = year {
        query.push(" and r.year = ").push_bind(year);
    }
    if let Some(site) = site {
        query.push(" and r.tree_id in (select t.id from tree t where t.programme_id = ");
        query
            .push_bind(programme)
            .push(" and t.trial_id = ")
            .push_bind(trial);
        query.push(" and t.site_id = ").push_bind(site).push(")");
    }
    // Figures must come out the same to the last bit, whatever order the table has.
    query.push(" order by r.year, r.id");
    Ok(query.build_query_as().fetch_all(connection).await?)
}

/// Plain values of one trait in a trial, for the usual range.
pub async fn usual_values(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    trial: TrialId,
    code: &str,
) -> Result<Vec<f64>, Fault> {
    Ok(sqlx::query_scalar(
        "select value from record where programme_id = $1 and trial_id = $2 and trait = $3 \
         and value is not null limit 5000",
    )
    .bind(programme)
    .bind(trial)
    .bind(code)
    .fetch_all(connection)
    .await?)
}

/// Codes of the traits that have records in a trial.
pub async fn recorded_traits(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    trial: TrialId,
) -> Result<HashSet<String>, Fault> {
    let codes: Vec<String> = sqlx::query_scalar(
        "select code from trait t where programme_id = $1 and exists (select from record r \
         where r.programme_id = $1 and r.trial_id = $2 and r.trait = t.code)",
    )
    .bind(programme)
    .bind(trial)
    .fetch_all(connection)
    .await?;
    Ok(codes.into_iter().collect())
}

#[derive(sqlx::FromRow)]
struct ItemRow {
    id: RecordId,
    tree_id: TreeId,
    trial_id: TrialId,
    #[sqlx(rename = "trait")]
    code: String,
    sent: String,
    observed_at: Instant,
    observer: String,
    corrects: Option<RecordId>,
    corrected_by: Option<RecordId>,
    doubt: Option<String>,
    judgement: Option<String>,
    judgement_reason: Option<String>,
    recorded_at: Instant,
}

impl From<ItemRow> for RecordItem {
    fn from(row: ItemRow) -> Self {
        Self {
            id: row.id.to_string(),
            tree_id: row.tree_id.to_string(),
            trial_id: row.trial_id.to_string(),
            r#trait: row.code,
            value: row.sent,
            observed_at: row.observed_at.0.to_string(),
            by: row.observer,
            corrects: id_text(row.corrects),
            corrected_by: id_text(row.corrected_by),
            doubt: row.doubt.unwrap_or_default(),
            judgement: row.judgement.unwrap_or_default(),
            judgement_reason: row.judgement_reason.unwrap_or_default(),
            recorded_at: row.recorded_at.0.to_string(),
        }
    }
}

/// Which records are listed.
#[derive(Debug, Default)]
pub struct Wanted<'a> {
    /// Only this one.
    pub id: Option<RecordId>,
    /// Only of this trial.
    pub trial: Option<TrialId>,
    /// Only of this trait.
    pub code: &'a str,
    /// Only of this tree.
    pub tree: Option<TreeId>,
    /// Only doubtful ones that nobody judged.
    pub doubtful: bool,
    /// Only those after this one.
    pub after: Option<RecordId>,
}

/// Records in order of id.
pub async fn list(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    wanted: &Wanted<'_>,
    limit: i64,
) -> Result<Vec<RecordItem>, Fault> {
    let mut query = QueryBuilder::<Postgres>::new(
        "select r.id, r.tree_id, r.trial_id, r.trait, r.sent, r.observed_at, r.observer, r.corrects, \
         c.correction_id as corrected_by, r.doubt, j.judgement, j.reason as judgement_reason, \
         r.recorded_at from record r \
         left join correction c on c.programme_id = r.programme_id and c.corrected_id = r.id \
         left join lateral (select j.judgement, j.reason from judgement j \
         where j.programme_id = r.programme_id and j.record_id = r.id order by j.at desc limit 1) j \
         on true where r.programme_id = ",
    );
    query.push_bind(programme);
    if let Some(id) = wanted.id {
        query.push(" and r.id = ").push_bind(id);
    }
    if let Some(trial) = wanted.trial {
        query.push(" and r.trial_id = ").push_bind(trial);
    }
    if !wanted.code.is_empty() {
        query
            .push(" and r.trait = ")
            .push_bind(wanted.code.to_owned());
    }
    if let Some(tree) = wanted.tree {
        query.push(" and r.tree_id = ").push_bind(tree);
    }
    if wanted.doubtful {
        query.push(" and r.doubt is not null and j.judgement is null");
    }
    if let Some(after) = wanted.after {
        query.push(" and r.id > ").push_bind(after);
    }
    query.push(" order by r.id limit ").push_bind(limit);
    let rows: Vec<ItemRow> = query.build_query_as().fetch_all(connection).await?;
    Ok(rows.into_iter().map(RecordItem::from).collect())
}

/// Keeps a judgement.
pub async fn insert_judgement(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    record: RecordId,
    (judgement, reason): (Judgement, &str),
    (by, name): (PersonId, &str),
    now: Timestamp,
) -> Result<(), Fault> {
    sqlx::query(
        "insert into judgement (programme_id, record_id, at, judgement, reason, by_id, by_name) \
         values ($1, $2, $3, $4, $5, $6, $7)",
    )
    .bind(programme)
    .bind(record)
    .bind(Instant(now))
    .bind(judgement.word())
    .bind(reason)
    .bind(by)
    .bind(name)
    .execute(connection)
    .await?;
    Ok(())
}

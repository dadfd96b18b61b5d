//! Licences, their history and the ground they claim.

use std::collections::BTreeMap;

use jiff::ToSpan as _;
use jiff::civil::Date;
use platform::database::{Day, Instant};
use platform::paging::Page;
use platform::{Fault, OrganisationId, PersonId, ProgrammeId};
use serde::{Deserialize, Serialize};
use sqlx::types::Json;
use sqlx::{FromRow, PgConnection};

use super::page_of;
use crate::domain::money::Royalty;
use crate::domain::reporting::{Ledger, Reporting};
use crate::domain::territory::{Territory, ground_of};
use crate::domain::{CandidateId, LicenceId};

/// A licence as it is kept, with what was reported under it and whom it is about.
#[derive(Debug, Clone, FromRow)]
pub struct LicenceRow {
    /// Its id.
    pub id: LicenceId,
    /// Its number.
    pub number: String,
    /// The candidate.
    pub candidate_id: CandidateId,
    /// Who holds it.
    pub licensee_id: OrganisationId,
    /// By name.
    pub licensee_name: String,
    /// Word of the purpose.
    pub purpose: String,
    /// Codes.
    pub territory: Vec<String>,
    /// Whether it stands alone.
    pub exclusive: bool,
    /// First day.
    pub starts_on: Day,
    /// Last day.
    pub ends_on: Option<Day>,
    /// Cap on trees.
    pub propagate_max_n: Option<i64>,
    /// What is owed.
    pub royalty: Option<Json<Royalty>>,
    /// Whether its holder may grant licences.
    pub sublicensing: bool,
    /// Codes of countries and parts that the territory comes to.
    pub comes_to: Vec<String>,
    /// When its holder must report.
    pub reporting: Json<Reporting>,
    /// Version for concurrent edits.
    pub version: i64,
    /// Trees reported so far.
    pub propagated_n: i64,
    /// The candidate's code.
    pub candidate_code: String,
    /// The candidate's denomination.
    pub denomination: Option<String>,
}

impl LicenceRow {
    /// What its territory comes to; codes were checked when they were written.
    pub fn territories(&self) -> Vec<Territory> {
        let codes = if self.comes_to.is_empty() {
            &self.territory
        } else {
            &self.comes_to
        };
        codes
            .iter()
            .filter_map(|code| Territory::read(code).ok())
            .collect()
    }

    /// Word of its standing on a day.
    pub fn standing(&self, on: Date) -> &'static str {
        if on < self.starts_on.0 {
            "ahead"
        } else if self.ends_on.is_some_and(|last| last.0 < on) {
            "ended"
        } else {
            "in_force"
        }
    }
}

/// The terms of a licence as they are kept in its history.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct Terms {
    /// Codes.
    pub territory: Vec<String>,
    /// Whether it stands alone.
    pub exclusive: bool,
    /// Last day.
    pub ends_on: Option<Date>,
    /// Cap on trees.
    pub propagate_max_n: Option<i64>,
    /// What is owed.
    pub royalty: Option<Royalty>,
    /// Whether its holder may grant licences.
    pub sublicensing: bool,
    /// Codes of countries and parts that the territory comes to.
    #[serde(default)]
    pub comes_to: Vec<String>,
    /// When its holder must report.
    #[serde(default)]
    pub reporting: Option<crate::domain::reporting::Terms>,
}

impl LicenceRow {
    /// The terms that hold.
    pub fn terms(&self) -> Terms {
        Terms {
            territory: self.territory.clone(),
            exclusive: self.exclusive,
            ends_on: self.ends_on.map(|on| on.0),
            propagate_max_n: self.propagate_max_n,
            royalty: self.royalty.as_ref().map(|r| r.0.clone()),
            sublicensing: self.sublicensing,
            comes_to: self.comes_to.clone(),
            reporting: self.reporting.0.current(),
        }
    }
}

macro_rules! licence_select {
    () => {
        "select l.id, l.number, l.candidate_id, l.licensee_id, l.licensee_name, l.purpose, \
           l.territory, l.exclusive, l.starts_on, l.ends_on, l.propagate_max_n, l.royalty, \
           l.sublicensing, l.comes_to, l.reporting, l.version, c.code as candidate_code, \
           (select coalesce(sum(r.trees_n), 0)::bigint from propagation_report r \
              where r.programme_id = l.programme_id and r.licence_id = l.id \
                and r.corrected_by_id is null) as propagated_n, \
           (select d.name from denomination d where d.programme_id = l.programme_id \
              and d.candidate_id = l.candidate_id and d.state in ('proposed', 'checked', 'published') \
              order by d.jurisdiction limit 1) as denomination \
         from licence l join candidate c on c.programme_id = l.programme_id and c.id = l.candidate_id "
    };
}

/// Writes a licence.
pub async fn insert(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    row: &LicenceRow,
    at: Instant,
) -> Result<(), sqlx::Error> {
    sqlx::query(
        "insert into licence (programme_id, id, number, candidate_id, licensee_id, licensee_name, \
         purpose, territory, exclusive, starts_on, ends_on, propagate_max_n, royalty, sublicensing, \
         granted_at, comes_to, reporting) \
         values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14, $15, $16, $17)",
    )
    .bind(programme)
    .bind(row.id)
    .bind(&row.number)
    .bind(row.candidate_id)
    .bind(row.licensee_id)
    .bind(&row.licensee_name)
    .bind(&row.purpose)
    .bind(&row.territory)
    .bind(row.exclusive)
    .bind(row.starts_on)
    .bind(row.ends_on)
    .bind(row.propagate_max_n)
    .bind(&row.royalty)
    .bind(row.sublicensing)
    .bind(at)
    .bind(&row.comes_to)
    .bind(&row.reporting)
    .execute(connection)
    .await
    .map(drop)
}

/// One licence.
pub async fn find(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    id: LicenceId,
) -> Result<Option<LicenceRow>, sqlx::Error> {
    sqlx::query_as(concat!(
        licence_select!(),
        "where l.programme_id = $1 and l.id = $2"
    ))
    .bind(programme)
    .bind(id)
    .fetch_optional(connection)
    .await
}

/// A page of licences.
pub async fn list(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    candidate: Option<CandidateId>,
    licensee: Option<OrganisationId>,
    page: &Page,
) -> Result<Vec<LicenceRow>, Fault> {
    let query = concat!(
        licence_select!(),
        page_where!(oldest "l.", "candidate_id", "licensee_id")
    );
    let of = (candidate.map(|id| id.uuid()), licensee.map(|id| id.uuid()));
    page_of(connection, query, programme, of, page).await
}

/// Licences about some candidates that the present scope may see.
pub async fn of_candidates(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    candidates: &[CandidateId],
) -> Result<Vec<LicenceRow>, sqlx::Error> {
    sqlx::query_as(concat!(
        licence_select!(),
        "where l.programme_id = $1 and l.candidate_id = any($2) order by l.candidate_id, l.id"
    ))
    .bind(programme)
    .bind(candidates)
    .fetch_all(connection)
    .await
}

/// Caps on trees of some licences.
pub async fn caps(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    licences: &[LicenceId],
) -> Result<BTreeMap<LicenceId, Option<i64>>, sqlx::Error> {
    let rows: Vec<(LicenceId, Option<i64>)> = sqlx::query_as(
        "select id, propagate_max_n from licence where programme_id = $1 and id = any($2)",
    )
    .bind(programme)
    .bind(licences)
    .fetch_all(connection)
    .await?;
    Ok(rows.into_iter().collect())
}

/// Writes the terms that hold from now on; false when the version was another.
pub async fn update(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    row: &LicenceRow,
) -> Result<bool, sqlx::Error> {
    let done = sqlx::query(
        "update licence set territory = $4, exclusive = $5, ends_on = $6, propagate_max_n = $7, \
         royalty = $8, sublicensing = $9, comes_to = $10, reporting = $11, version = version + 1 \
         where programme_id = $1 and id = $2 and version = $3",
    )
    .bind(programme)
    .bind(row.id)
    .bind(row.version)
    .bind(&row.territory)
    .bind(row.exclusive)
    .bind(row.ends_on)
    .bind(row.propagate_max_n)
    .bind(&row.royalty)
    .bind(row.sublicensing)
    .bind(&row.comes_to)
    .bind(&row.reporting)
    .execute(connection)
    .await?;
    Ok(done.rows_affected() == 1)
}

/// Name of the constraint that keeps exclusive licences alone.
pub const EXCLUSIVE: &str = "exclusive_stands_alone";

/// Lays claim to a licence's territory from a day to the licence's end.
pub async fn claim(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    row: &LicenceRow,
    from: Date,
) -> Result<(), sqlx::Error> {
    let ground = ground_of(&row.territories(), from);
    let (starts, ends): (Vec<i32>, Vec<i32>) = ground.iter().map(|g| (g.start, g.end)).unzip();
    let until = row.ends_on.map(|on| Day(on.0.saturating_add(1.day())));
    sqlx::query(
        "insert into licence_claim (programme_id, licence_id, candidate_id, purpose, ground, \
         period, share) \
         select $1, $2, $3, $4, int4range(g.starts, g.ends), daterange($5, $6), \
           case when $7 then int8range(0, null) else int8range(s.n, s.n, '[]') end \
         from unnest($8::int[], $9::int[]) as g (starts, ends), \
           (select nextval('licence_claim_share') as n) s",
    )
    .bind(programme)
    .bind(row.id)
    .bind(row.candidate_id)
    .bind(&row.purpose)
    .bind(Day(from))
    .bind(until)
    .bind(row.exclusive)
    .bind(starts)
    .bind(ends)
    .execute(connection)
    .await
    .map(drop)
}

/// Gives a licence's claims up from a day on.
pub async fn give_up(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    licence: LicenceId,
    from: Date,
) -> Result<(), sqlx::Error> {
    sqlx::query(
        "update licence_claim set period = period * daterange(null, $3) \
         where programme_id = $1 and licence_id = $2 and not period << daterange($3, null)",
    )
    .bind(programme)
    .bind(licence)
    .bind(Day(from))
    .execute(connection)
    .await
    .map(drop)
}

/// Who stands in the way of a claim: number, whether exclusive, and territory of each licence.
pub async fn in_the_way(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    row: &LicenceRow,
    from: Date,
) -> Result<Vec<(String, bool, Vec<String>)>, sqlx::Error> {
    let ground = ground_of(&row.territories(), from);
    let (starts, ends): (Vec<i32>, Vec<i32>) = ground.iter().map(|g| (g.start, g.end)).unzip();
    let until = row.ends_on.map(|on| Day(on.0.saturating_add(1.day())));
    sqlx::query_as(
        "select distinct l.number, l.exclusive, l.territory from licence_claim k \
         join licence l on l.programme_id = k.programme_id and l.id = k.licence_id \
         join unnest($6::int[], $7::int[]) as g (starts, ends) \
           on k.ground && int4range(g.starts, g.ends) \
         where k.programme_id = $1 and k.candidate_id = $2 and k.purpose = $3 \
           and k.period && daterange($4, $5) and k.licence_id <> $9 \
           and ($8 or lower(k.share) = 0) order by l.number",
    )
    .bind(programme)
    .bind(row.candidate_id)
    .bind(&row.purpose)
    .bind(Day(from))
    .bind(until)
    .bind(starts)
    .bind(ends)
    .bind(row.exclusive)
    .bind(row.id)
    .fetch_all(connection)
    .await
}

/// A change of a licence as it is kept.
#[derive(Debug, Clone, FromRow)]
pub struct ChangeRow {
    /// granted, amended or ended.
    pub change: String,
    /// From when.
    pub on_day: Day,
    /// Why.
    pub reason: String,
    /// By whom.
    pub changed_by: String,
    /// The terms from then on.
    pub terms: Json<Terms>,
}

/// Writes a change.
pub async fn insert_change(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    licence: LicenceId,
    row: &ChangeRow,
    at: Instant,
) -> Result<(), sqlx::Error> {
    sqlx::query(
        "insert into licence_change (programme_id, licence_id, change, on_day, reason, changed_by, \
         terms, at) values ($1, $2, $3, $4, $5, $6, $7, $8)",
    )
    .bind(programme)
    .bind(licence)
    .bind(&row.change)
    .bind(row.on_day)
    .bind(&row.reason)
    .bind(&row.changed_by)
    .bind(&row.terms)
    .bind(at)
    .execute(connection)
    .await
    .map(drop)
}

/// A licence's changes, oldest first.
pub async fn changes(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    licence: LicenceId,
) -> Result<Vec<ChangeRow>, sqlx::Error> {
    sqlx::query_as(
        "select change, on_day, reason, changed_by, terms from licence_change \
         where programme_id = $1 and licence_id = $2 order by place",
    )
    .bind(programme)
    .bind(licence)
    .fetch_all(connection)
    .await
}

/// A licence under which something may fall due, with whom it is about.
#[derive(Debug, Clone)]
pub struct LedgerRow {
    /// Its id.
    pub id: LicenceId,
    /// Its number.
    pub number: String,
    /// The candidate.
    pub candidate_id: CandidateId,
    /// Who holds it.
    pub licensee_name: String,
    /// The candidate's code.
    pub candidate_code: String,
    /// The candidate's denomination.
    pub denomination: Option<String>,
    /// Who answers for the candidate.
    pub responsible_id: Option<PersonId>,
    /// What the licence asks for, and what was done of it.
    pub ledger: Ledger,
}

/// What is asked for under the licences of some candidates, or all, that the present scope may see:
/// three readings in all, however many licences there are.
pub async fn ledgers(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    candidates: Option<&[CandidateId]>,
) -> Result<Vec<LedgerRow>, sqlx::Error> {
    #[derive(FromRow)]
    struct Asked {
        id: LicenceId,
        number: String,
        candidate_id: CandidateId,
        licensee_name: String,
        candidate_code: String,
        denomination: Option<String>,
        responsible_id: Option<PersonId>,
        starts_on: Day,
        ends_on: Option<Day>,
        reporting: Json<Reporting>,
        has_minimum: bool,
    }
    let asked: Vec<Asked> = sqlx::query_as(
        "select l.id, l.number, l.candidate_id, l.licensee_name, c.code as candidate_code, \
           (select d.name from denomination d where d.programme_id = l.programme_id \
              and d.candidate_id = l.candidate_id and d.state in ('proposed', 'checked', 'published') \
              order by d.jurisdiction limit 1) as denomination, \
           c.responsible_id, l.starts_on, l.ends_on, l.reporting, \
           coalesce((l.royalty ->> 'minimum')::numeric > 0, false) as has_minimum \
         from licence l join candidate c on c.programme_id = l.programme_id and c.id = l.candidate_id \
         where l.programme_id = $1 and ($2::uuid[] is null or l.candidate_id = any($2)) \
         order by l.id",
    )
    .bind(programme)
    .bind(candidates)
    .fetch_all(&mut *connection)
    .await?;
    let reporting: Vec<LicenceId> = asked
        .iter()
        .filter(|row| row.reporting.0 != Reporting::default())
        .map(|row| row.id)
        .collect();
    let mut reported = covered(
        connection,
        "select licence_id, lower(period), upper(period) - 1 from propagation_report \
         where programme_id = $1 and licence_id = any($2) and corrected_by_id is null \
         order by lower(period)",
        programme,
        &reporting,
    )
    .await?;
    let mut stated = covered(
        connection,
        "select licence_id, lower(period), upper(period) - 1 from royalty_statement \
         where programme_id = $1 and licence_id = any($2) and corrected_by_id is null \
         order by lower(period)",
        programme,
        &reporting,
    )
    .await?;
    Ok(asked
        .into_iter()
        .map(|row| LedgerRow {
            ledger: Ledger {
                starts: row.starts_on.0,
                ends: row.ends_on.map(|on| on.0),
                reporting: row.reporting.0,
                has_minimum: row.has_minimum,
                reported: reported.remove(&row.id).unwrap_or_default(),
                stated: stated.remove(&row.id).unwrap_or_default(),
            },
            id: row.id,
            number: row.number,
            candidate_id: row.candidate_id,
            licensee_name: row.licensee_name,
            candidate_code: row.candidate_code,
            denomination: row.denomination,
            responsible_id: row.responsible_id,
        })
        .collect())
}

/// Stretches of days by licence, in order and apart.
async fn covered(
    connection: &mut PgConnection,
    query: &'static str,
    programme: ProgrammeId,
    licences: &[LicenceId],
) -> Result<BTreeMap<LicenceId, Vec<(Date, Date)>>, sqlx::Error> {
    let mut days: BTreeMap<LicenceId, Vec<(Date, Date)>> = BTreeMap::new();
    if licences.is_empty() {
        return Ok(days);
    }
    let rows: Vec<(LicenceId, Day, Day)> = sqlx::query_as(query)
        .bind(programme)
        .bind(licences)
        .fetch_all(connection)
        .await?;
    for (licence, first, last) in rows {
        days.entry(licence).or_default().push((first.0, last.0));
    }
    Ok(days)
}

//! Disclosures, filings and what is computed from them.

use std::collections::BTreeMap;

use platform::database::{Day, Instant};
use platform::fields::Words as _;
use platform::{PersonId, ProgrammeId};
use sqlx::{FromRow, PgConnection};

use crate::domain::dossier::{Dossier, ToldDisclosure, ToldFiling, ToldStep};
use crate::domain::words::FilingEventWord;
use crate::domain::{CandidateId, DisclosureId, FilingEventId, FilingId};

/// A disclosure as it is kept.
#[derive(Debug, Clone, FromRow)]
pub struct DisclosureRow {
    /// Its id.
    pub id: DisclosureId,
    /// The candidate.
    pub candidate_id: CandidateId,
    /// Word of the event.
    pub kind: String,
    /// The day.
    pub on_day: Day,
    /// The country.
    pub country: Option<String>,
    /// What was shown.
    pub detail: String,
    /// To whom; empty when to the public.
    pub disclosed_to: String,
    /// Who wrote it down.
    pub recorded_by: String,
}

/// Writes a disclosure.
pub async fn insert_disclosure(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    row: &DisclosureRow,
    at: Instant,
) -> Result<(), sqlx::Error> {
    sqlx::query(
        "insert into disclosure (programme_id, id, candidate_id, kind, on_day, country, detail, \
         disclosed_to, recorded_by, at) values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10)",
    )
    .bind(programme)
    .bind(row.id)
    .bind(row.candidate_id)
    .bind(&row.kind)
    .bind(row.on_day)
    .bind(&row.country)
    .bind(&row.detail)
    .bind(&row.disclosed_to)
    .bind(&row.recorded_by)
    .bind(at)
    .execute(connection)
    .await
    .map(drop)
}

/// Disclosures of some candidates, or all, in order of their day.
pub async fn disclosures(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    candidates: Option<&[CandidateId]>,
) -> Result<Vec<DisclosureRow>, sqlx::Error> {
    sqlx::query_as(
        "select id, candidate_id, kind, on_day, country, detail, disclosed_to, recorded_by \
         from disclosure where programme_id = $1 and ($2::uuid[] is null or candidate_id = any($2)) \
         order by candidate_id, on_day, id",
    )
    .bind(programme)
    .bind(candidates)
    .fetch_all(connection)
    .await
}

/// A filing as it is kept.
#[derive(Debug, Clone, FromRow)]
pub struct FilingRow {
    /// Its id.
    pub id: FilingId,
    /// The candidate.
    pub candidate_id: CandidateId,
    /// Code of the jurisdiction.
    pub jurisdiction: String,
    /// Word for the right.
    pub kind: String,
    /// The day.
    pub filed_on: Day,
    /// The office's number of the application.
    pub application_number: String,
    /// The filing whose priority is claimed.
    pub priority_of: Option<FilingId>,
    /// Day of grant.
    pub granted_on: Option<Day>,
    /// The office's number of the grant.
    pub grant_number: String,
    /// Days by which the office lengthened the term.
    pub pta_days: Option<i32>,
}

/// Writes a filing.
pub async fn insert_filing(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    row: &FilingRow,
    recorded_by: &str,
    at: Instant,
) -> Result<(), sqlx::Error> {
    sqlx::query(
        "insert into filing (programme_id, id, candidate_id, jurisdiction, kind, filed_on, \
         application_number, priority_of, recorded_by, at) \
         values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10)",
    )
    .bind(programme)
    .bind(row.id)
    .bind(row.candidate_id)
    .bind(&row.jurisdiction)
    .bind(&row.kind)
    .bind(row.filed_on)
    .bind(&row.application_number)
    .bind(row.priority_of)
    .bind(recorded_by)
    .bind(at)
    .execute(connection)
    .await
    .map(drop)
}

/// Writes a grant onto a filing that has none; false when it had one.
pub async fn grant(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    filing: FilingId,
    on: Day,
    number: &str,
    pta_days: Option<i32>,
) -> Result<bool, sqlx::Error> {
    let done = sqlx::query(
        "update filing set granted_on = $3, grant_number = $4, pta_days = $5 \
         where programme_id = $1 and id = $2 and granted_on is null",
    )
    .bind(programme)
    .bind(filing)
    .bind(on)
    .bind(number)
    .bind(pta_days)
    .execute(connection)
    .await?;
    Ok(done.rows_affected() == 1)
}

macro_rules! filing_columns {
    () => {
        "id, candidate_id, jurisdiction, kind, filed_on, application_number, priority_of, \
         granted_on, grant_number, pta_days"
    };
}

/// One filing, locked until the transaction ends.
pub async fn lock_filing(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    filing: FilingId,
) -> Result<Option<FilingRow>, sqlx::Error> {
    sqlx::query_as(concat!(
        "select ",
        filing_columns!(),
        " from filing where programme_id = $1 and id = $2 for no key update"
    ))
    .bind(programme)
    .bind(filing)
    .fetch_optional(connection)
    .await
}

/// Filings of some candidates, or all, in order of their day.
pub async fn filings(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    candidates: Option<&[CandidateId]>,
) -> Result<Vec<FilingRow>, sqlx::Error> {
    sqlx::query_as(concat!(
        "select ",
        filing_columns!(),
        " from filing where programme_id = $1 and ($2::uuid[] is null or candidate_id = any($2)) \
         order by candidate_id, filed_on, id"
    ))
    .bind(programme)
    .bind(candidates)
    .fetch_all(connection)
    .await
}

/// An event of a filing as it is kept.
#[derive(Debug, Clone, FromRow)]
pub struct FilingEventRow {
    /// Its id.
    pub id: FilingEventId,
    /// The filing.
    pub filing_id: FilingId,
    /// The candidate.
    pub candidate_id: CandidateId,
    /// Word of the event.
    pub event: String,
    /// The day.
    pub on_day: Day,
    /// What shows it.
    pub evidence: String,
    /// For an annual fee, the year it pays for.
    pub year_n: Option<i32>,
}

/// Writes an event.
pub async fn insert_event(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    row: &FilingEventRow,
    recorded_by: &str,
    at: Instant,
) -> Result<(), sqlx::Error> {
    sqlx::query(
        "insert into filing_event (programme_id, id, filing_id, candidate_id, event, on_day, \
         evidence, year_n, recorded_by, at) values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10)",
    )
    .bind(programme)
    .bind(row.id)
    .bind(row.filing_id)
    .bind(row.candidate_id)
    .bind(&row.event)
    .bind(row.on_day)
    .bind(&row.evidence)
    .bind(row.year_n)
    .bind(recorded_by)
    .bind(at)
    .execute(connection)
    .await
    .map(drop)
}

/// Filing events of some candidates, or all, in order of their day.
pub async fn events(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    candidates: Option<&[CandidateId]>,
) -> Result<Vec<FilingEventRow>, sqlx::Error> {
    sqlx::query_as(
        "select id, filing_id, candidate_id, event, on_day, evidence, year_n from filing_event \
         where programme_id = $1 and ($2::uuid[] is null or candidate_id = any($2)) \
         order by filing_id, on_day, id",
    )
    .bind(programme)
    .bind(candidates)
    .fetch_all(connection)
    .await
}

/// Who a candidate is, for lists that span candidates.
#[derive(Debug, Clone, FromRow)]
pub struct Heading {
    /// Its id.
    pub id: CandidateId,
    /// Its code.
    pub code: String,
    /// Word of its stage.
    pub stage: String,
    /// Class with the longer periods.
    pub tree_or_vine: bool,
    /// Who answers for it.
    pub responsible_id: Option<PersonId>,
    /// Its denomination, if it has one.
    pub denomination: Option<String>,
}

/// What is on file about some candidates, or all that have something on file, with who they are.
pub async fn dossiers(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    candidates: Option<&[CandidateId]>,
) -> Result<Vec<(Heading, Dossier)>, sqlx::Error> {
    let headings: Vec<Heading> = sqlx::query_as(
        "select c.id, c.code, c.stage, c.tree_or_vine, c.responsible_id, \
           (select d.name from denomination d where d.programme_id = c.programme_id \
              and d.candidate_id = c.id and d.state in ('proposed', 'checked', 'published') \
              order by d.jurisdiction limit 1) as denomination \
         from candidate c where c.programme_id = $1 and ($2::uuid[] is null or c.id = any($2)) \
           and ($2 is not null \
             or exists (select from disclosure d where d.programme_id = c.programme_id and d.candidate_id = c.id) \
             or exists (select from filing f where f.programme_id = c.programme_id and f.candidate_id = c.id)) \
         order by c.id",
    )
    .bind(programme)
    .bind(candidates)
    .fetch_all(&mut *connection)
    .await?;
    let mut told: BTreeMap<CandidateId, (Vec<ToldDisclosure>, Vec<ToldFiling>)> = BTreeMap::new();
    for row in disclosures(connection, programme, candidates).await? {
        told.entry(row.candidate_id)
            .or_default()
            .0
            .push(ToldDisclosure {
                kind: row.kind,
                on: row.on_day.0,
                country: row.country,
            });
    }
    let mut steps: BTreeMap<FilingId, Vec<ToldStep>> = BTreeMap::new();
    for row in events(connection, programme, candidates).await? {
        if let Some(event) = FilingEventWord::from_word(&row.event) {
            steps.entry(row.filing_id).or_default().push(ToldStep {
                event,
                on: row.on_day.0,
                year_n: row.year_n.and_then(|n| u16::try_from(n).ok()),
            });
        }
    }
    for row in filings(connection, programme, candidates).await? {
        told.entry(row.candidate_id)
            .or_default()
            .1
            .push(ToldFiling {
                steps: steps.remove(&row.id).unwrap_or_default(),
                id: row.id,
                jurisdiction: row.jurisdiction,
                kind: row.kind,
                filed_on: row.filed_on.0,
                application_number: row.application_number,
                granted_on: row.granted_on.map(|on| on.0),
                grant_number: row.grant_number,
                pta_days: row.pta_days.and_then(|n| u16::try_from(n).ok()),
            });
    }
    Ok(headings
        .into_iter()
        .map(|heading| {
            let (disclosures, filings) = told.remove(&heading.id).unwrap_or_default();
            let dossier = Dossier {
                candidate: heading.id,
                tree_or_vine: heading.tree_or_vine,
                withdrawn: heading.stage == "withdrawn",
                disclosures,
                filings,
            };
            (heading, dossier)
        })
        .collect())
}

/// That a due date was met.
#[derive(Debug, Clone, FromRow)]
pub struct DoneRow {
    /// The candidate.
    pub candidate_id: CandidateId,
    /// The due date's key.
    pub key: String,
    /// When it was met.
    pub on_day: Day,
    /// What shows it.
    pub evidence: String,
}

/// Due dates that were met.
pub async fn done(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    candidates: Option<&[CandidateId]>,
) -> Result<Vec<DoneRow>, sqlx::Error> {
    sqlx::query_as(
        "select candidate_id, key, on_day, evidence from due_date_done \
         where programme_id = $1 and ($2::uuid[] is null or candidate_id = any($2))",
    )
    .bind(programme)
    .bind(candidates)
    .fetch_all(connection)
    .await
}

/// Notes that a due date was met.
pub async fn insert_done(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    row: &DoneRow,
    confirmed_by: &str,
    at: Instant,
) -> Result<(), sqlx::Error> {
    sqlx::query(
        "insert into due_date_done (programme_id, candidate_id, key, on_day, evidence, \
         confirmed_by, at) values ($1, $2, $3, $4, $5, $6, $7)",
    )
    .bind(programme)
    .bind(row.candidate_id)
    .bind(&row.key)
    .bind(row.on_day)
    .bind(&row.evidence)
    .bind(confirmed_by)
    .bind(at)
    .execute(connection)
    .await
    .map(drop)
}

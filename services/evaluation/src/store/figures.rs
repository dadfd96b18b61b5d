//! Figures of traits as they are kept, and the analyses chosen for them.

use jiff::Timestamp;
use platform::database::Instant;
use platform::{Fault, PersonId, ProgrammeId};
use sqlx::PgConnection;
use sqlx::types::Json;

use crate::domain::figures::Figures;
use crate::domain::{AnalysisId, FiguresId, TrialId};

/// Figures with when they were made.
#[derive(Debug, Clone)]
pub struct Kept {
    /// What they are named by.
    pub id: FiguresId,
    /// The figures with their draws.
    pub figures: Figures,
    /// When they were made.
    pub made_at: Timestamp,
}

/// An analysis that a person chose.
#[derive(Debug, Clone)]
pub struct Chosen {
    /// The analysis.
    pub analysis: AnalysisId,
    /// Who chose it.
    pub by: String,
}

/// Draws as bytes.
fn packed(draws: &[Vec<f32>]) -> Vec<u8> {
    draws
        .iter()
        .flatten()
        .flat_map(|value| value.to_le_bytes())
        .collect()
}

/// Bytes as draws of so many entries.
fn unpacked(bytes: &[u8], entries_n: usize) -> Vec<Vec<f32>> {
    let values: Vec<f32> = bytes
        .as_chunks::<4>()
        .0
        .iter()
        .map(|four| f32::from_le_bytes(*four))
        .collect();
    if entries_n == 0 {
        return Vec::new();
    }
    values
        .chunks_exact(entries_n)
        .map(<[f32]>::to_vec)
        .collect()
}

/// Kept figures by their id.
pub async fn get(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    id: FiguresId,
) -> Result<Option<Kept>, Fault> {
    let found: Option<(Json<Figures>, Vec<u8>, Instant)> = sqlx::query_as(
        "select figures, draws, made_at from trial_figures where programme_id = $1 and id = $2",
    )
    .bind(programme)
    .bind(id)
    .fetch_optional(connection)
    .await?;
    Ok(found.map(|(Json(mut figures), draws, made_at)| {
        let entries_n = figures.told.true_values.entries.len();
        figures.told.true_values.draws = unpacked(&draws, entries_n);
        Kept {
            id,
            figures,
            made_at: made_at.0,
        }
    }))
}

/// Keeps figures, unless they are kept already.
pub async fn keep(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    (trial, code, analysis): (TrialId, &str, Option<AnalysisId>),
    kept: &Kept,
) -> Result<(), Fault> {
    sqlx::query(
        "insert into trial_figures (programme_id, id, trial_id, trait, analysis_id, figures, \
         draws, made_at, version) values ($1, $2, $3, $4, $5, $6, $7, $8, $9) \
         on conflict do nothing",
    )
    .bind(programme)
    .bind(kept.id)
    .bind(trial)
    .bind(code)
    .bind(analysis)
    .bind(Json(&kept.figures))
    .bind(packed(&kept.figures.told.true_values.draws))
    .bind(Instant(kept.made_at))
    .bind(env!("CARGO_PKG_VERSION"))
    .execute(connection)
    .await?;
    Ok(())
}

/// A trial's share of variance as its latest figures tell it.
#[derive(Debug, sqlx::FromRow)]
pub struct ToldShares {
    /// The trial.
    pub trial_id: TrialId,
    /// Its number.
    pub number: String,
    /// Share of entries among trees, with its standard deviation.
    pub of_trees: Option<Json<(f64, f64)>>,
    /// Share of entries among records, likewise.
    pub of_records: Option<Json<(f64, f64)>>,
}

/// What the latest figures of other trials tell of a trait, by the model their designs can carry.
pub async fn shares(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    (trial, code): (TrialId, &str),
) -> Result<Vec<ToldShares>, Fault> {
    Ok(sqlx::query_as(
        "select f.trial_id, t.number, f.of_trees, f.of_records from (\
         select distinct on (trial_id) trial_id, \
         nullif(figures #> '{told,share_of_trees}', 'null') as of_trees, \
         nullif(figures #> '{told,share_of_records}', 'null') as of_records \
         from trial_figures where programme_id = $1 and trait = $2 and trial_id <> $3 \
         and analysis_id is null order by trial_id, made_at desc) f \
         join trial t on t.programme_id = $1 and t.id = f.trial_id order by t.number",
    )
    .bind(programme)
    .bind(code)
    .bind(trial)
    .fetch_all(connection)
    .await?)
}

/// Other trials with records of a trait and more trees than entries, the newest first.
pub async fn replicated(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    (trial, codes): (TrialId, &[String]),
    limit: i64,
) -> Result<Vec<TrialId>, Fault> {
    Ok(sqlx::query_scalar(
        "select t.id from trial t where t.programme_id = $1 and t.id <> $2 \
         and exists (select from record r where r.programme_id = $1 and r.trial_id = t.id \
         and r.trait = any($3)) \
         and (select count(*) from tree where programme_id = $1 and trial_id = t.id) >= 2 * \
         (select count(*) from trial_entry where programme_id = $1 and trial_id = t.id \
         and not dropped and not is_check) \
         order by t.season desc, t.number desc limit $4",
    )
    .bind(programme)
    .bind(trial)
    .bind(codes)
    .bind(limit)
    .fetch_all(connection)
    .await?)
}

/// The analysis chosen for the figures of a trait; none for the model that the design can carry.
pub async fn chosen(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    (trial, code): (TrialId, &str),
) -> Result<Option<Chosen>, Fault> {
    let found: Option<(Option<AnalysisId>, String)> = sqlx::query_as(
        "select analysis_id, by_name from chosen_analysis \
         where programme_id = $1 and trial_id = $2 and trait = $3 order by at desc limit 1",
    )
    .bind(programme)
    .bind(trial)
    .bind(code)
    .fetch_optional(connection)
    .await?;
    Ok(found.and_then(|(analysis, by)| {
        Some(Chosen {
            analysis: analysis?,
            by,
        })
    }))
}

/// Writes which analysis was chosen.
pub async fn choose(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    (trial, code): (TrialId, &str),
    analysis: Option<AnalysisId>,
    (by, by_name): (PersonId, &str),
    at: Timestamp,
) -> Result<(), Fault> {
    sqlx::query(
        "insert into chosen_analysis (programme_id, trial_id, trait, at, analysis_id, by_id, \
         by_name) values ($1, $2, $3, $4, $5, $6, $7) \
         on conflict (programme_id, trial_id, trait, at) do update set \
         analysis_id = excluded.analysis_id, by_id = excluded.by_id, by_name = excluded.by_name",
    )
    .bind(programme)
    .bind(trial)
    .bind(code)
    .bind(Instant(at))
    .bind(analysis)
    .bind(by)
    .bind(by_name)
    .execute(connection)
    .await?;
    Ok(())
}

//! Analyses: a queue and its results.

use contract::evaluation::{Analysis, AnalysisResiduals, RequestAnalysisRequest};
use jiff::Timestamp;
use platform::database::Instant;
use platform::fields::Words as _;
use platform::{Fault, ProgrammeId};
use sqlx::PgConnection;
use sqlx::types::Json;

use super::id_text;
use crate::domain::model::Method;
use crate::domain::{AnalysisId, TrialId};

/// An analysis to be computed.
#[derive(Debug, Clone)]
pub struct Job {
    /// Programme.
    pub programme: ProgrammeId,
    /// Analysis.
    pub id: AnalysisId,
    /// Trial.
    pub trial: TrialId,
    /// The model as it was asked for.
    pub model: RequestAnalysisRequest,
    /// The earlier analysis that this one repeats.
    pub repeats: Option<AnalysisId>,
}

/// Queues an analysis.
pub async fn queue(connection: &mut PgConnection, job: &Job, now: Timestamp) -> Result<(), Fault> {
    sqlx::query(
        "insert into analysis (programme_id, id, trial_id, trait, model, status, requested_at, \
         repeats_id) values ($1, $2, $3, $4, $5, 'queued', $6, $7)",
    )
    .bind(job.programme)
    .bind(job.id)
    .bind(job.trial)
    .bind(&job.model.r#trait)
    .bind(Json(&job.model))
    .bind(Instant(now))
    .bind(job.repeats)
    .execute(connection)
    .await?;
    Ok(())
}

#[derive(sqlx::FromRow)]
struct Row {
    id: AnalysisId,
    trial_id: TrialId,
    model: Json<RequestAnalysisRequest>,
    status: String,
    problem: String,
    result: Option<Json<Analysis>>,
    data_sha256: String,
    version: String,
    requested_at: Instant,
    finished_at: Option<Instant>,
    result_sha256: String,
    repeats_id: Option<AnalysisId>,
    same_records: Option<bool>,
    same_results: Option<bool>,
}

impl From<Row> for Analysis {
    fn from(row: Row) -> Self {
        let model = row.model.0;
        Self {
            id: row.id.to_string(),
            analysis_id: row.id.to_string(),
            trial_id: row.trial_id.to_string(),
            r#trait: model.r#trait,
            fixed_terms: model.fixed,
            random_terms: model.random,
            smooth_terms: model.smooth,
            components_at_zero: model.components_at_zero,
            relationship: model.relationship,
            residual: model.residual,
            method: method_word(model.method),
            between_sites: model.between_sites,
            status: row.status,
            problem: row.problem,
            data_sha256: row.data_sha256,
            version: row.version,
            requested_at: row.requested_at.0.to_string(),
            finished_at: row
                .finished_at
                .map(|at| at.0.to_string())
                .unwrap_or_default(),
            result_sha256: row.result_sha256,
            repeats_id: id_text(row.repeats_id),
            same_records: row.same_records,
            same_results: row.same_results,
            ..row.result.map(|result| result.0).unwrap_or_default()
        }
    }
}

/// Analyses from before there were several methods are linear.
fn method_word(kept: String) -> String {
    if kept.is_empty() {
        Method::default().word().to_owned()
    } else {
        kept
    }
}

/// One analysis.
pub async fn get(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    id: AnalysisId,
) -> Result<Analysis, Fault> {
    sqlx::query_as::<_, Row>(
        "select a.id, a.trial_id, a.model, a.status, a.problem, a.result, a.data_sha256, a.version, \
         a.requested_at, a.finished_at, a.result_sha256, a.repeats_id, \
         a.data_sha256 = e.data_sha256 as same_records, \
         a.result_sha256 = e.result_sha256 as same_results from analysis a \
         left join analysis e on e.programme_id = a.programme_id and e.id = a.repeats_id \
         and e.status = 'done' and a.status = 'done' \
         where a.programme_id = $1 and a.id = $2",
    )
    .bind(programme)
    .bind(id)
    .fetch_optional(connection)
    .await?
    .map(Analysis::from)
    .ok_or_else(|| Fault::not_found("analysis", id))
}

/// The model of an analysis as it was asked for, with its trial.
pub async fn model(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    id: AnalysisId,
) -> Result<(TrialId, RequestAnalysisRequest), Fault> {
    let found: Option<(TrialId, Json<RequestAnalysisRequest>)> =
        sqlx::query_as("select trial_id, model from analysis where programme_id = $1 and id = $2")
            .bind(programme)
            .bind(id)
            .fetch_optional(connection)
            .await?;
    found
        .map(|(trial, Json(model))| (trial, model))
        .ok_or_else(|| Fault::not_found("analysis", id))
}

/// Residuals of an analysis; none before it is done.
pub async fn residuals(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    id: AnalysisId,
) -> Result<AnalysisResiduals, Fault> {
    let found: Option<(TrialId, String, String, Option<Json<AnalysisResiduals>>)> = sqlx::query_as(
        "select trial_id, trait, status, residuals from analysis \
             where programme_id = $1 and id = $2",
    )
    .bind(programme)
    .bind(id)
    .fetch_optional(connection)
    .await?;
    let (trial, code, status, kept) = found.ok_or_else(|| Fault::not_found("analysis", id))?;
    let mut residuals = kept
        .map(|Json(kept)| kept)
        .unwrap_or_else(|| AnalysisResiduals {
            notes: vec![format!("the analysis is {status}; it has no residuals")],
            ..AnalysisResiduals::default()
        });
    residuals.analysis_id = id.to_string();
    residuals.trial_id = trial.to_string();
    residuals.r#trait = code;
    Ok(residuals)
}

/// Analyses of a trial, the newest first, before a known one.
pub async fn list(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    trial: TrialId,
    before: Option<AnalysisId>,
    limit: i64,
) -> Result<Vec<Analysis>, Fault> {
    let rows: Vec<Row> = sqlx::query_as(
        "select id, trial_id, model, status, problem, \
         result - 'random' - 'fixed' as result, data_sha256, version, requested_at, finished_at, \
         result_sha256, repeats_id, null::bool as same_records, null::bool as same_results \
         from analysis where programme_id = $1 and trial_id = $2 and ($3::uuid is null or id < $3) \
         order by id desc limit $4",
    )
    .bind(programme)
    .bind(trial)
    .bind(before)
    .bind(limit)
    .fetch_all(connection)
    .await?;
    Ok(rows.into_iter().map(Analysis::from).collect())
}

/// Finished analyses of a trait that predict entries, the newest first, before a known one; the trait
/// is named by its code or name.
pub async fn predicting(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    named: &str,
    before: Option<AnalysisId>,
    limit: i64,
) -> Result<Vec<Analysis>, Fault> {
    let rows: Vec<Row> = sqlx::query_as(
        "select a.id, a.trial_id, a.model, a.status, a.problem, \
         a.result - 'random' - 'fixed' as result, a.data_sha256, a.version, a.requested_at, \
         a.finished_at, a.result_sha256, a.repeats_id, null::bool as same_records, \
         null::bool as same_results from analysis a \
         left join trait t on t.programme_id = a.programme_id and t.code = a.trait \
         where a.programme_id = $1 and ($3::uuid is null or a.id < $3) and a.status = 'done' \
         and lower($2) in (lower(a.trait), lower(t.name)) \
         and (a.result ->> 'converged')::bool and a.model -> 'random' ? 'entry' \
         order by a.id desc limit $4",
    )
    .bind(programme)
    .bind(named)
    .bind(before)
    .bind(limit)
    .fetch_all(connection)
    .await?;
    Ok(rows.into_iter().map(Analysis::from).collect())
}

/// Key of the advisory lock that a worker holds while it computes an analysis.
const LOCK: &str = "select pg_try_advisory_lock(hashtextextended($1, 0))";

/// Whether the analysis could be locked for this connection.
pub async fn lock(connection: &mut PgConnection, id: AnalysisId) -> Result<bool, sqlx::Error> {
    sqlx::query_scalar(LOCK)
        .bind(id.to_string())
        .fetch_one(connection)
        .await
}

/// Gives the lock back.
pub async fn unlock(connection: &mut PgConnection, id: AnalysisId) -> Result<(), sqlx::Error> {
    sqlx::query("select pg_advisory_unlock(hashtextextended($1, 0))")
        .bind(id.to_string())
        .execute(connection)
        .await
        .map(drop)
}

type JobRow = (
    ProgrammeId,
    AnalysisId,
    TrialId,
    Json<RequestAnalysisRequest>,
    Option<AnalysisId>,
);

/// Claims the analysis that waits longest; several workers never claim the same.
pub async fn claim(connection: &mut PgConnection) -> Result<Option<Job>, sqlx::Error> {
    let row: Option<JobRow> = sqlx::query_as(
        "update analysis set status = 'running', attempts = attempts + 1 \
             where (programme_id, id) = (select programme_id, id from analysis \
             where status = 'queued' order by requested_at limit 1 for update skip locked) \
             returning programme_id, id, trial_id, model, repeats_id",
    )
    .fetch_optional(connection)
    .await?;
    Ok(row.map(|(programme, id, trial, Json(model), repeats)| Job {
        programme,
        id,
        trial,
        model,
        repeats,
    }))
}

/// Analyses that run, or ran in a process that is no more.
pub async fn running(connection: &mut PgConnection) -> Result<Vec<AnalysisId>, sqlx::Error> {
    sqlx::query_scalar("select id from analysis where status = 'running'")
        .fetch_all(connection)
        .await
}

/// How often an analysis is begun before it is given up.
const ATTEMPTS: i16 = 3;

/// Puts an analysis whose worker is gone back into the queue, or gives it up.
pub async fn requeue(connection: &mut PgConnection, id: AnalysisId) -> Result<(), sqlx::Error> {
    sqlx::query(
        "update analysis set \
         status = case when attempts < $2 then 'queued' else 'failed' end, \
         problem = case when attempts < $2 then '' else \
         'it was begun several times and never finished; ask for a smaller model' end \
         where id = $1 and status = 'running'",
    )
    .bind(id)
    .bind(ATTEMPTS)
    .execute(connection)
    .await
    .map(drop)
}

/// What came of an analysis.
#[derive(Debug, Default)]
pub struct Outcome {
    /// The results; none when it failed.
    pub result: Option<Analysis>,
    /// Residuals.
    pub residuals: Option<AnalysisResiduals>,
    /// Why it failed or did not converge.
    pub problem: String,
    /// Digest of the data.
    pub data_sha256: String,
    /// Digest of the results.
    pub result_sha256: String,
}

/// Keeps what came of an analysis.
pub async fn finish(
    connection: &mut PgConnection,
    job: &Job,
    outcome: &Outcome,
    now: Timestamp,
) -> Result<(), sqlx::Error> {
    sqlx::query(
        "update analysis set status = case when $3::jsonb is null then 'failed' else 'done' end, \
         result = $3, problem = $4, data_sha256 = $5, version = $6, finished_at = $7, \
         residuals = $8, result_sha256 = $9 where programme_id = $1 and id = $2",
    )
    .bind(job.programme)
    .bind(job.id)
    .bind(outcome.result.as_ref().map(Json))
    .bind(&outcome.problem)
    .bind(&outcome.data_sha256)
    .bind(env!("CARGO_PKG_VERSION"))
    .bind(Instant(now))
    .bind(outcome.residuals.as_ref().map(Json))
    .bind(&outcome.result_sha256)
    .execute(connection)
    .await
    .map(drop)
}

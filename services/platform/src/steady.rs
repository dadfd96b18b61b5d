//! Replies kept for as long as nothing that they stand on changes.
//!
//! A steady read is asked far more often than its answer changes. Its reply is kept together with
//! the count of changes to the programme that the database showed in the same snapshot
//! (`migrations/platform`, `revision`), and given again while that count stands. The count is read
//! after each request has come in, so no reply is older than its request; requests that come in
//! while the database is being asked share the next question.

use std::any::Any;
use std::collections::HashMap;
use std::sync::Arc;
use std::time::{Duration, Instant};

use axum::body::Bytes;
use jiff::civil::Date;
use quick_cache::Weighter;
use quick_cache::sync::Cache;
use sqlx::postgres::PgConnectOptions;
use sqlx::{Connection as _, PgConnection, PgPool};
use tokio::sync::{mpsc, oneshot};

use crate::access::Caller;
use crate::compute;
use crate::database;
use crate::fault::Fault;
use crate::ids::{OrganisationId, ProgrammeId};
use crate::operation::{self, App, UseCase, again_if_cut};
use crate::unit::Unit;

/// How much of the replies' bodies is kept for one service.
const KEPT_BYTES: u64 = 64 * 1024 * 1024;
/// About as many replies as that makes.
const KEPT_REPLIES: usize = 32 * 1024;

/// How long to wait before the database is tried again.
const BETWEEN_TRIES: Duration = Duration::from_millis(200);

/// The replies that one service keeps.
#[derive(Clone)]
pub struct Steady {
    kept: Arc<Cache<Asked, Arc<Kept>, ByBody>>,
    questions: mpsc::UnboundedSender<Question>,
}

/// All that a reply depends on beside the programme's rows.
#[derive(PartialEq, Eq, Hash, Clone)]
struct Asked {
    operation: &'static str,
    programme: ProgrammeId,
    partner: Option<OrganisationId>,
    today: Date,
    request: Vec<u8>,
}

/// A kept reply.
pub struct Kept {
    revision: i64,
    reply: Box<dyn Any + Send + Sync>,
    /// Its JSON.
    pub body: Bytes,
}

impl Kept {
    /// The reply as a message.
    pub(crate) fn reply<R: Clone + 'static>(&self) -> R {
        let reply: Option<&R> = self.reply.downcast_ref();
        reply
            .expect("a reply is kept under its operation's name")
            .clone()
    }
}

#[derive(Clone)]
struct ByBody;

impl Weighter<Asked, Arc<Kept>> for ByBody {
    fn weight(&self, asked: &Asked, kept: &Arc<Kept>) -> u64 {
        // The message takes about as much as its JSON.
        (asked.request.len() + 2 * kept.body.len()) as u64
    }
}

/// How often has this programme changed?
struct Question {
    programme: ProgrammeId,
    answer: oneshot::Sender<Result<i64, Fault>>,
}

impl Steady {
    /// Keeps replies of the service whose tables these are. Must be made within a runtime; the
    /// database is connected to when the first steady read is asked.
    pub fn new(pool: &PgPool) -> Self {
        let (questions, asked) = mpsc::unbounded_channel();
        tokio::spawn(answer_all(pool.connect_options(), asked));
        Self {
            kept: Arc::new(Cache::with_weighter(KEPT_REPLIES, KEPT_BYTES, ByBody)),
            questions,
        }
    }

    async fn revision(&self, programme: ProgrammeId) -> Result<i64, Fault> {
        let silent = || Fault::unavailable("the database does not answer");
        let (answer, answered) = oneshot::channel();
        self.questions
            .send(Question { programme, answer })
            .map_err(|_| silent())?;
        answered.await.map_err(|_| silent())?
    }
}

/// Answers a steady read, from the kept replies when nothing has changed since.
///
/// # Errors
/// Whatever the use case finds.
pub(crate) async fn answer<U: UseCase>(
    app: &U::App,
    caller: Caller,
    request: U::Request,
) -> Result<Arc<Kept>, Fault> {
    let context = app.context();
    let programme = caller
        .programme()
        .ok_or_else(|| Fault::forbidden("this needs to be asked for one programme"))?;
    let asked = Asked {
        operation: U::OPERATION.name,
        programme,
        partner: caller.partner(),
        today: context.clock.today(),
        request: prost::Message::encode_to_vec(&request),
    };
    if let Some(kept) = context.steady.kept.get(&asked)
        && context.steady.revision(programme).await? == kept.revision
    {
        return Ok(kept);
    }
    let (kept, today) = again_if_cut(|| make::<U>(app, caller.clone(), request.clone())).await?;
    // A day that turned meanwhile would be kept under yesterday's name.
    if today == asked.today {
        context.steady.kept.insert(asked, kept.clone());
    }
    Ok(kept)
}

/// Makes a reply; gives it with the day on which it was made.
async fn make<U: UseCase>(
    app: &U::App,
    caller: Caller,
    request: U::Request,
) -> Result<(Arc<Kept>, Date), Fault> {
    let context = app.context();
    let programme = caller.programme();
    let mut unit = Unit::begin(context, caller, &U::OPERATION).await?;
    // Of the same snapshot as all that the use case reads.
    let revision: Option<i64> =
        sqlx::query_scalar("select n from revision where programme_id = $1")
            .bind(programme)
            .fetch_optional(unit.connection())
            .await?;
    let today = unit.today();
    let question = compute::Question::of(&U::OPERATION, unit.caller(), &request);
    let settled = U::run(app, &mut unit, request).await?;
    let reply = operation::read(context, unit, question, settled).await?;
    let body = serde_json::to_vec(&reply).map_err(Fault::internal)?;
    let kept = Arc::new(Kept {
        revision: revision.unwrap_or(0),
        reply: Box::new(reply),
        body: body.into(),
    });
    Ok((kept, today))
}

async fn answer_all(options: Arc<PgConnectOptions>, mut asked: mpsc::UnboundedReceiver<Question>) {
    let mut connection = None;
    let mut questions = Vec::new();
    while asked.recv_many(&mut questions, KEPT_REPLIES).await > 0 {
        let programmes: Vec<ProgrammeId> = questions.iter().map(|q| q.programme).collect();
        let answer = answered(&mut connection, &options, &programmes).await;
        if let Err(error) = &answer {
            tracing::warn!(%error, "changes could not be counted");
        }
        for question in questions.drain(..) {
            // Who has gone away needs no answer.
            let _ = question.answer.send(match &answer {
                Ok(counts) => Ok(counts.get(&question.programme).copied().unwrap_or(0)),
                Err(_) => Err(Fault::unavailable("the database does not answer")),
            });
        }
    }
}

/// Asks until the database answers, for as long as a request would wait for a connection of a pool.
async fn answered(
    connection: &mut Option<PgConnection>,
    options: &PgConnectOptions,
    programmes: &[ProgrammeId],
) -> Result<HashMap<ProgrammeId, i64>, sqlx::Error> {
    let deadline = Instant::now() + database::ACQUIRED_WITHIN;
    let mut at_once = true;
    loop {
        let answer = revisions(connection, options, programmes).await;
        let Err(error) = &answer else { return answer };
        if !database::may_come_back(error) || Instant::now() >= deadline {
            return answer;
        }
        // The connection may have been lost since the last time.
        *connection = None;
        if !std::mem::take(&mut at_once) {
            tokio::time::sleep(BETWEEN_TRIES).await;
        }
    }
}

async fn revisions(
    connection: &mut Option<PgConnection>,
    options: &PgConnectOptions,
    programmes: &[ProgrammeId],
) -> Result<HashMap<ProgrammeId, i64>, sqlx::Error> {
    let connection = match connection {
        Some(connection) => connection,
        None => {
            let mut fresh = PgConnection::connect_with(options).await?;
            // For as long as the connection lasts: it never serves anything else.
            sqlx::query("select set_config('drupeline.across', 'on', false)")
                .execute(&mut fresh)
                .await?;
            connection.insert(fresh)
        }
    };
    let counts: Vec<(ProgrammeId, i64)> =
        sqlx::query_as("select programme_id, n from revision where programme_id = any($1)")
            .bind(programmes)
            .fetch_all(connection)
            .await?;
    Ok(counts.into_iter().collect())
}

//! Many rows in one call, each taken for itself: accepted, duplicate, doubtful or rejected.
//!
//! A row is rejected for a fault of its own only. Any other fault (the database is away or busy, time
//! is up, something is wrong on our side) ends the whole call, of which nothing is written or kept.
//!
//! Where each row is an entry of its own, it is carried out as the service's own operation
//! ([`Batch`]): under the same client-made id, remembered in the same place and with the same reply as
//! if it had come in alone ([`crate::retry`]).

use std::collections::HashMap;
use std::future::Future;
use std::ops::ControlFlow;
use std::pin::Pin;

use contract::common::{BatchReply, RejectedRow, SkippedRow};
use uuid::Uuid;

use crate::fault::{Fault, FieldError};
use crate::operation::{UseCase, reply_within};
use crate::retry::{self, Answered, Known, RetryKey};
use crate::unit::Unit;

/// The faults of a row; a fault that is not the row's own is given back to end the batch.
///
/// # Errors
/// The fault, when it is not the row's own.
pub fn own_faults(fault: Fault) -> Result<Vec<FieldError>, Fault> {
    if fault.kind().is_of_the_request() {
        Ok(fault.into_field_errors())
    } else {
        Err(fault)
    }
}

/// What became of the rows of a batch.
#[derive(Debug, Default)]
pub struct Report {
    told: BatchReply,
}

impl Report {
    /// The report of so many rows.
    pub fn of(sent_n: usize) -> Self {
        let mut report = Self::default();
        report.told.sent = sent_n as u64;
        report
    }

    /// Rows of a file say nothing.
    pub fn skip(&mut self, rows: Vec<SkippedRow>) {
        self.told.skipped.extend(rows);
    }

    /// Rows were written now.
    pub fn accept(&mut self, rows_n: u64) {
        self.told.accepted += rows_n;
    }

    /// Rows had been written before with the same content.
    pub fn duplicate(&mut self, rows_n: u64) {
        self.told.duplicates += rows_n;
    }

    /// A row that is written deserves a second look.
    pub fn doubt(&mut self, row: u64, id: &str, why: Vec<FieldError>) {
        self.told.doubtful.push(about(row, id, why));
    }

    /// A row is at fault.
    pub fn reject(&mut self, row: u64, id: &str, errors: Vec<FieldError>) {
        self.told.rejected.push(about(row, id, errors));
    }

    /// Whether any row is at fault.
    pub fn any_rejected(&self) -> bool {
        !self.told.rejected.is_empty()
    }

    /// The report of a batch of which nothing is written, since some of its rows are at fault.
    pub fn nothing_taken(&mut self) {
        self.told.held_back = std::mem::take(&mut self.told.accepted);
        self.told.doubtful.clear();
    }

    /// The reply, by row.
    pub fn into_reply(mut self) -> BatchReply {
        self.told.rejected.sort_by_key(|rejected| rejected.row);
        self.told.doubtful.sort_by_key(|doubtful| doubtful.row);
        self.told
    }
}

fn about(row: u64, id: &str, errors: Vec<FieldError>) -> RejectedRow {
    RejectedRow {
        row,
        id: id.to_owned(),
        errors: errors
            .into_iter()
            .map(|error| {
                FieldError {
                    row: Some(row),
                    ..error
                }
                .into()
            })
            .collect(),
    }
}

/// What became of a row.
#[derive(Debug)]
pub enum Verdict<D> {
    /// It is written now, and this is what is to be said of it.
    Accepted(D),
    /// It had been written before with the same content.
    Duplicate,
    /// It is at fault.
    Rejected(Vec<FieldError>),
}

/// What a row's operation answers: the reply as it is kept, and what is said of it in the batch.
type Run<A, D> = Box<dyn for<'a> FnOnce(&'a A, &'a mut Unit) -> Done<'a, D> + Send>;
type Done<'a, D> = Pin<Box<dyn Future<Output = Result<(Option<Vec<u8>>, D), Fault>> + Send + 'a>>;

/// A row that is an operation of its own.
pub struct Row<A, T, D> {
    /// By what the batch knows the row.
    tag: T,
    call: Result<Call<A, D>, Fault>,
}

struct Call<A, D> {
    operation: &'static str,
    key: RetryKey,
    id: String,
    fingerprint: Vec<u8>,
    run: Run<A, D>,
}

impl<A: Sync + 'static, T: Send, D: Send + 'static> Row<A, T, D> {
    /// A row under its client-made id; `said` gives what is to be said of it when it is written.
    pub fn new<U: UseCase<App = A>>(
        tag: T,
        id: &str,
        request: U::Request,
        said: fn(U::Reply) -> D,
    ) -> Self {
        let call = match id.parse::<Uuid>() {
            Ok(_) => Ok(Call {
                operation: U::OPERATION.name,
                key: RetryKey::client_id(id),
                id: id.to_owned(),
                fingerprint: retry::fingerprint(&request),
                run: boxed(move |app, unit| {
                    Box::pin(async move {
                        let reply = reply_within::<U>(app, unit, request).await?;
                        Ok((retry::kept_form(&reply), said(reply)))
                    })
                }),
            }),
            Err(_) if id.is_empty() => Err(Fault::field(
                "/id",
                "is required here, so that the entry can be sent again without harm",
            )),
            Err(_) => Err(Fault::field(
                "/id",
                format!("{id:?} is not an id; ids are UUIDs as 0190f3a2-…"),
            )),
        };
        Self { tag, call }
    }

    /// A row that cannot be carried out.
    pub fn unreadable(tag: T, why: Vec<FieldError>) -> Self {
        Self {
            tag,
            call: Err(Fault::invalid(why)),
        }
    }
}

/// Helps the compiler to the lifetimes of a row's work.
fn boxed<A, D, F>(run: F) -> Run<A, D>
where
    F: for<'a> FnOnce(&'a A, &'a mut Unit) -> Done<'a, D> + Send + 'static,
{
    Box::new(run)
}

/// What is known of a row's id.
enum Memory {
    Unknown,
    Content(Vec<u8>),
    Hidden,
}

/// Replies remembered in one statement.
const REMEMBERED_AT_ONCE: usize = 500;

/// Rows whose ids are claimed and which are to be written.
#[must_use = "claimed ids without their rows would be known and not be there"]
pub struct Batch<A, T, D> {
    rows: Vec<Row<A, T, D>>,
    known: HashMap<(&'static str, RetryKey), Memory>,
    answered: Vec<Answered>,
}

impl<A: Sync + 'static, T: Send, D: Send + 'static> Batch<A, T, D> {
    /// Claims the ids of all rows, before anything else is held: everybody claims ids first, and in
    /// the same order, so that batches do not wait for one another in a circle.
    ///
    /// # Errors
    /// When the database refuses, or another request holds one of the ids for too long.
    pub async fn claim(unit: &mut Unit, rows: Vec<Row<A, T, D>>) -> Result<Self, Fault> {
        // An id that comes twice is claimed once.
        let mut first: HashMap<(&'static str, RetryKey), &[u8]> = HashMap::new();
        for call in rows.iter().filter_map(|row| row.call.as_ref().ok()) {
            first
                .entry((call.operation, call.key.clone()))
                .or_insert(&call.fingerprint);
        }
        let asked: Vec<(&'static str, RetryKey, &[u8])> = first
            .into_iter()
            .map(|((operation, key), print)| (operation, key, print))
            .collect();
        let found = if asked.is_empty() {
            Vec::new()
        } else {
            retry::claim(unit, &asked).await?
        };
        let known = asked
            .into_iter()
            .zip(found)
            .map(|((operation, key, _), known)| {
                let memory = match known {
                    Known::Fresh => Memory::Unknown,
                    Known::Before(before) => Memory::Content(before.fingerprint),
                    Known::Hidden => Memory::Hidden,
                };
                ((operation, key), memory)
            })
            .collect();
        Ok(Self {
            rows,
            known,
            answered: Vec::new(),
        })
    }

    /// Writes the rows in their order, each for itself, and tells what became of each, until all are
    /// written or `told` breaks off.
    ///
    /// # Errors
    /// A fault that is not a row's own.
    pub async fn write(
        mut self,
        app: &A,
        unit: &mut Unit,
        mut told: impl FnMut(T, Verdict<D>) -> ControlFlow<()> + Send,
    ) -> Result<(), Fault> {
        for row in std::mem::take(&mut self.rows) {
            let verdict = match row.call {
                Ok(call) => self.carry_out(app, unit, call).await?,
                Err(fault) => Verdict::Rejected(own_faults(fault)?),
            };
            if self.answered.len() >= REMEMBERED_AT_ONCE {
                retry::remember(unit, &std::mem::take(&mut self.answered)).await?;
            }
            if told(row.tag, verdict).is_break() {
                break;
            }
        }
        retry::remember(unit, &self.answered).await?;
        let unused: Vec<(&'static str, RetryKey)> = self
            .known
            .into_iter()
            .filter(|(_, memory)| matches!(memory, Memory::Unknown))
            .map(|(key, _)| key)
            .collect();
        retry::give_up(unit, &unused).await
    }

    async fn carry_out(
        &mut self,
        app: &A,
        unit: &mut Unit,
        call: Call<A, D>,
    ) -> Result<Verdict<D>, Fault> {
        let key = (call.operation, call.key);
        match self.known.get(&key) {
            Some(Memory::Content(content)) if retry::same(content, &call.fingerprint) => {
                return Ok(Verdict::Duplicate);
            }
            Some(Memory::Content(_)) => {
                return own_faults(retry::other_content(&call.id)).map(Verdict::Rejected);
            }
            Some(Memory::Hidden) => return own_faults(retry::taken(&key.1)).map(Verdict::Rejected),
            Some(Memory::Unknown) | None => {}
        }
        let touched_n = unit.touched_n();
        sqlx::query("savepoint row_of_many")
            .execute(unit.connection())
            .await?;
        match (call.run)(app, unit).await {
            Ok((reply, said)) => {
                sqlx::query("release savepoint row_of_many")
                    .execute(unit.connection())
                    .await?;
                self.answered.push(Answered {
                    operation: key.0,
                    key: key.1.clone(),
                    fingerprint: call.fingerprint.clone(),
                    secret_check: String::new(),
                    reply,
                });
                self.known.insert(key, Memory::Content(call.fingerprint));
                Ok(Verdict::Accepted(said))
            }
            Err(fault) => {
                let errors = if fault.is_taken_key() {
                    own_faults(retry::taken(&key.1))?
                } else {
                    own_faults(fault)?
                };
                for undo in [
                    "rollback to savepoint row_of_many",
                    "release savepoint row_of_many",
                ] {
                    sqlx::query(undo).execute(unit.connection()).await?;
                }
                unit.forget_since(touched_n);
                Ok(Verdict::Rejected(errors))
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_a_rows_own_fault_rejects_it() {
        let own = [
            Fault::field("/on", "is required"),
            Fault::not_found("cross", "x"),
            Fault::exists("/id", "is there"),
            Fault::state("is cancelled"),
        ];
        for fault in own {
            assert!(own_faults(fault).is_ok());
        }
        let others: [Fault; 5] = [
            Fault::unavailable("busy"),
            Fault::throttled("too often", 1),
            Fault::unauthenticated("who?"),
            sqlx::Error::PoolTimedOut.into(),
            sqlx::Error::RowNotFound.into(),
        ];
        for fault in others {
            let kind = fault.kind();
            assert!(own_faults(fault).is_err(), "{kind:?}");
        }
    }

    #[test]
    fn a_report_is_by_row_and_adds_up() {
        let mut report = Report::default();
        report.reject(4, "d", vec![FieldError::new("/on", "is required")]);
        report.accept(2);
        report.duplicate(1);
        report.reject(1, "b", vec![]);
        report.doubt(3, "c", vec![FieldError::new("", "is much")]);
        assert!(report.any_rejected());
        let reply = report.into_reply();
        let rows: Vec<u64> = reply.rejected.iter().map(|row| row.row).collect();
        assert_eq!((reply.accepted, reply.duplicates, rows), (2, 1, vec![1, 4]));
        assert_eq!(reply.rejected[1].errors[0].row, Some(4));
        assert_eq!(reply.doubtful[0].errors[0].row, Some(3));
    }
}

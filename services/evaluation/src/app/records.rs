//! Records of traits on trees, taken in batches.

use std::collections::{HashMap, HashSet};

use contract::common::BatchReply;
use contract::evaluation::{
    JudgeRecordRequest, ListRecordsRequest, RecordBatchRow, RecordItem, RecordList,
    TakeRecordsRequest,
};
use jiff::civil::{Date, DateTime, time};
use jiff::tz::TimeZone;
use jiff::{SignedDuration, Timestamp};
use platform::batch::Report;
use platform::database::refresh_statistics;
use platform::paging::Page;
use platform::{Fault, FieldError, Fields, ProgrammeId, Unit, numbering};

use crate::EvaluationApp;
use crate::domain::doubt::{ENOUGH, Usual};
use crate::domain::traits::{Scale, Trait};
use crate::domain::trial::Judgement;
use crate::domain::{RecordId, TreeId, TrialId};
use crate::store;
use crate::store::records::{Content, NewRecord, Wanted};
use crate::store::trees::TreeRow;

/// How far ahead of ours a tablet's clock may run.
const CLOCK_SLACK: SignedDuration = SignedDuration::from_mins(15);

/// Takes records in a batch.
///
/// A row sent again with the same content is a duplicate and harmless; with other content it is
/// rejected, as a record is corrected by a later one and never overwritten.
///
/// # Errors
/// When the database refuses, or another batch wrote the same rows at the same moment. Faults of
/// rows are part of the reply.
pub async fn take(
    _app: &EvaluationApp,
    unit: &mut Unit,
    request: TakeRecordsRequest,
) -> Result<BatchReply, Fault> {
    let how = How {
        all_or_nothing: request.all_or_nothing,
        dry_run: request.dry_run,
    };
    take_rows(unit, &request.rows, how).await
}

/// How a batch is taken.
#[derive(Debug, Clone, Copy)]
pub(super) struct How {
    /// Write nothing when any row is rejected.
    pub all_or_nothing: bool,
    /// Check everything and write nothing.
    pub dry_run: bool,
}

pub(super) async fn take_rows(
    unit: &mut Unit,
    rows: &[RecordBatchRow],
    how: How,
) -> Result<BatchReply, Fault> {
    let programme = unit.programme()?;
    let library = store::traits::library_kept(unit.connection(), programme).await?;
    let library: HashMap<&str, &Trait> = library.iter().map(|t| (t.code.as_str(), t)).collect();
    let mut sieve = Sieve {
        report: Report::of(rows.len()),
    };

    let rows = read_rows(rows, &library, unit, &mut sieve);
    let grown = Grown::load(unit, programme, &rows).await?;
    let rows = settle_rows(rows, &grown, &mut sieve);
    let rows = without_duplicates(rows, unit, programme, &mut sieve).await?;
    let rows = check_rows(rows, &grown, &library, unit.now(), &mut sieve);
    let rows = check_corrections(rows, unit, programme, &mut sieve).await?;
    let mut records = with_doubts(rows, unit, programme, &library, &mut sieve).await?;
    // Batches that bring the same rows write them in one order, and wait for one another in turn.
    records.sort_unstable_by_key(|record| record.id);

    let mut report = sieve.report;
    report.accept(records.len() as u64);
    if how.all_or_nothing && report.any_rejected() {
        report.nothing_taken();
    } else if !how.dry_run && !records.is_empty() {
        let now = unit.now();
        store::records::insert(unit.connection(), programme, &records, now).await?;
        let grown_n = records.len();
        refresh_statistics(unit.connection(), "record", grown_n).await?;
        unit.touch("records", records.len());
    }
    Ok(report.into_reply())
}

/// What is set apart while rows pass through the checks.
struct Sieve {
    report: Report,
}

impl Sieve {
    fn reject(&mut self, row: usize, id: &str, errors: Vec<FieldError>) {
        self.report.reject(row as u64, id, errors);
    }

    fn reject_one(&mut self, row: usize, id: RecordId, pointer: &str, message: String) {
        self.reject(
            row,
            &id.to_string(),
            vec![FieldError::new(pointer, message)],
        );
    }
}

/// How a row names its tree.
enum TreeName {
    Id(TreeId),
    Number(String),
}

/// When something was seen, as it was sent.
#[derive(Clone, Copy)]
enum Seen {
    At(Timestamp),
    Local(DateTime),
    On(Date),
}

/// A row whose fields could be read.
struct ReadRow<'a> {
    row: usize,
    id: RecordId,
    tree: TreeName,
    code: &'a str,
    sent: &'a str,
    seen: Seen,
    observer: String,
    corrects: Option<RecordId>,
}

fn read_rows<'a>(
    rows: &'a [RecordBatchRow],
    library: &HashMap<&str, &Trait>,
    unit: &Unit,
    sieve: &mut Sieve,
) -> Vec<ReadRow<'a>> {
    let caller = unit.caller().name.clone();
    let mut read = Vec::with_capacity(rows.len());
    for (row, sent) in rows.iter().enumerate() {
        if !sent.malformed.is_empty() {
            let errors = sent.malformed.iter().cloned().map(Into::into).collect();
            sieve.reject(row, &sent.id, errors);
            continue;
        }
        let mut fields = Fields::new();
        let id = fields.id("id", &sent.id);
        let tree = tree_name(&mut fields, &sent.tree_id);
        if sent.r#trait.is_empty() {
            fields.fault("trait", "is required: a trait's code, as brix");
        } else if !library.contains_key(sent.r#trait.as_str()) {
            fields.fault(
                "trait",
                format!("no trait {:?} is known; see GET /traits", sent.r#trait),
            );
        }
        let corrects = fields.optional_id("corrects", &sent.corrects);
        let value = sent.value.trim();
        if value.is_empty() && sent.corrects.is_empty() {
            fields.fault(
                "value",
                "is required; leave the row out when nothing was seen",
            );
        } else if value.len() > 100 {
            fields.fault("value", "is longer than 100 characters; shorten it");
        }
        let unit = sent.unit.trim();
        if let Some(defined) = library.get(sent.r#trait.as_str())
            && !unit.is_empty()
            && unit != defined.unit
        {
            fields.fault("unit", wrong_unit(unit, defined));
        }
        if id.is_some() && corrects == id {
            fields.fault("corrects", "names the row itself; name the earlier record");
        }
        let seen = seen(&mut fields, &sent.observed_at);
        let by = sent.by.trim();
        fields.require(
            by.chars().count() <= 100,
            "by",
            "is longer than 100 characters; shorten it",
        );
        match (id, tree, seen) {
            (Some(id), Some(tree), Some(seen)) if !fields.any() => read.push(ReadRow {
                row,
                id,
                tree,
                code: &sent.r#trait,
                sent: value,
                seen,
                observer: if by.is_empty() {
                    caller.clone()
                } else {
                    by.to_owned()
                },
                corrects,
            }),
            _ => sieve.reject(row, &sent.id, fields.into_errors()),
        }
    }
    read
}

fn wrong_unit(unit: &str, defined: &Trait) -> String {
    match defined.unit.as_str() {
        "" => format!(
            "{unit:?} is given, but {} has no unit; leave it out",
            defined.code
        ),
        own => format!(
            "{unit:?} is not the unit of {}, which is {own}; convert the value and leave the unit out",
            defined.code
        ),
    }
}

fn tree_name(fields: &mut Fields, sent: &str) -> Option<TreeName> {
    let sent = sent.trim();
    if sent.is_empty() {
        fields.fault("tree_id", "is required: a tree's id or number");
        return None;
    }
    if let Ok(id) = sent.parse() {
        return Some(TreeName::Id(id));
    }
    if numbering::verify(sent).is_some() {
        return Some(TreeName::Number(sent.to_ascii_uppercase()));
    }
    fields.fault(
        "tree_id",
        format!("{sent:?} is neither an id nor a number whose check character holds; read the label again"),
    );
    None
}

fn seen(fields: &mut Fields, sent: &str) -> Option<Seen> {
    if sent.is_empty() {
        fields.fault(
            "observed_at",
            "is required, as 2026-06-14T08:30:00Z or 2026-06-14",
        );
        return None;
    }
    if sent.len() == 10 {
        return fields.date("observed_at", sent).map(Seen::On);
    }
    if let Ok(instant) = sent.parse() {
        return Some(Seen::At(instant));
    }
    // A clock on the wall without a zone is that of the site.
    match sent.parse() {
        Ok(local) if !sent.contains('[') => Some(Seen::Local(local)),
        _ => fields.optional_instant("observed_at", sent).map(Seen::At),
    }
}

/// A tree with its site's time zone.
struct GrownTree {
    tree: TreeRow,
    zone: TimeZone,
    standing: bool,
}

/// The trees that a batch speaks of.
struct Grown {
    trees: Vec<GrownTree>,
    by_id: HashMap<TreeId, usize>,
    by_number: HashMap<String, usize>,
}

impl Grown {
    async fn load(
        unit: &mut Unit,
        programme: ProgrammeId,
        rows: &[ReadRow<'_>],
    ) -> Result<Self, Fault> {
        let mut ids = HashSet::new();
        let mut numbers = HashSet::new();
        for row in rows {
            match &row.tree {
                TreeName::Id(id) => drop(ids.insert(*id)),
                TreeName::Number(number) => drop(numbers.insert(number.clone())),
            }
        }
        let ids: Vec<TreeId> = ids.into_iter().collect();
        let numbers: Vec<String> = numbers.into_iter().collect();
        let (trees, zones) =
            store::trees::with_zones(unit.connection(), programme, &ids, &numbers).await?;
        let zones: HashMap<_, TimeZone> = zones
            .into_iter()
            .map(|(site, name)| (site, TimeZone::get(&name).unwrap_or(TimeZone::UTC)))
            .collect();
        let trees = trees
            .into_iter()
            .map(|tree| {
                let zone = zones.get(&tree.site_id).cloned().unwrap_or(TimeZone::UTC);
                let standing = tree.status()? == crate::domain::trial::TreeStatus::Standing;
                Ok(GrownTree {
                    tree,
                    zone,
                    standing,
                })
            })
            .collect::<Result<Vec<_>, Fault>>()?;
        Ok(Self {
            by_id: trees
                .iter()
                .enumerate()
                .map(|(i, t)| (t.tree.id, i))
                .collect(),
            by_number: trees
                .iter()
                .enumerate()
                .map(|(i, t)| (t.tree.number.clone(), i))
                .collect(),
            trees,
        })
    }

    fn find(&self, name: &TreeName) -> Option<usize> {
        match name {
            TreeName::Id(id) => self.by_id.get(id),
            TreeName::Number(number) => self.by_number.get(number),
        }
        .copied()
    }
}

/// A row whose tree and instant are known.
struct SettledRow<'a> {
    row: usize,
    id: RecordId,
    /// Place among the trees of the batch.
    tree: usize,
    tree_id: TreeId,
    trial_id: TrialId,
    code: &'a str,
    sent: &'a str,
    observed_at: Timestamp,
    /// Day at the site.
    day: Date,
    observer: String,
    corrects: Option<RecordId>,
}

impl SettledRow<'_> {
    fn says_the_same(&self, other: &Self) -> bool {
        (
            self.tree_id,
            self.code,
            self.sent,
            self.observed_at,
            &self.observer,
            self.corrects,
        ) == (
            other.tree_id,
            other.code,
            other.sent,
            other.observed_at,
            &other.observer,
            other.corrects,
        )
    }

    fn is(&self, stored: &Content) -> bool {
        self.tree_id == stored.tree_id
            && self.code == stored.code
            && self.sent == stored.sent
            // The database keeps microseconds.
            && self.observed_at.as_microsecond() == stored.observed_at.0.as_microsecond()
            && self.observer == stored.observer
            && self.corrects == stored.corrects
    }
}

fn settle_rows<'a>(
    rows: Vec<ReadRow<'a>>,
    grown: &Grown,
    sieve: &mut Sieve,
) -> Vec<SettledRow<'a>> {
    let mut settled = Vec::with_capacity(rows.len());
    for row in rows {
        let Some(tree) = grown.find(&row.tree) else {
            let name = match &row.tree {
                TreeName::Id(id) => id.to_string(),
                TreeName::Number(number) => number.clone(),
            };
            sieve.reject_one(
                row.row,
                row.id,
                "/tree_id",
                format!(
                    "no tree {name} is known; lay the trial out first, or read the label again"
                ),
            );
            continue;
        };
        let at = &grown.trees[tree];
        let (observed_at, day) = match row.seen {
            Seen::At(instant) => (Ok(instant), at.zone.to_datetime(instant).date()),
            Seen::Local(local) => (at.zone.to_timestamp(local), local.date()),
            Seen::On(day) => {
                let noon = day.to_datetime(time(12, 0, 0, 0));
                (at.zone.to_timestamp(noon), day)
            }
        };
        let Ok(observed_at) = observed_at else {
            let message = format!("{day} cannot be placed in time");
            sieve.reject_one(row.row, row.id, "/observed_at", message);
            continue;
        };
        settled.push(SettledRow {
            row: row.row,
            id: row.id,
            tree,
            tree_id: at.tree.id,
            trial_id: at.tree.trial_id,
            code: row.code,
            sent: row.sent,
            observed_at,
            day,
            observer: row.observer,
            corrects: row.corrects,
        });
    }
    settled
}

/// Sets apart rows that say again what is stored or stands earlier in the batch.
async fn without_duplicates<'a>(
    rows: Vec<SettledRow<'a>>,
    unit: &mut Unit,
    programme: ProgrammeId,
    sieve: &mut Sieve,
) -> Result<Vec<SettledRow<'a>>, Fault> {
    const OTHER: &str = "has other content; give a new record a new id, and name this one in `corrects` when it replaces it";
    let ids: Vec<RecordId> = rows.iter().map(|row| row.id).collect();
    let stored = store::records::known(unit.connection(), programme, &ids).await?;
    let mut first: HashMap<RecordId, usize> = HashMap::with_capacity(rows.len());
    let mut kept: Vec<SettledRow<'a>> = Vec::with_capacity(rows.len());
    for row in rows {
        if let Some(content) = stored.get(&row.id) {
            if row.is(content) {
                sieve.report.duplicate(1);
            } else {
                sieve.reject_one(
                    row.row,
                    row.id,
                    "/id",
                    format!("the record stored under this id {OTHER}"),
                );
            }
        } else if let Some(&earlier) = first.get(&row.id) {
            if row.says_the_same(&kept[earlier]) {
                sieve.report.duplicate(1);
            } else {
                let message = format!("row {} under this id {OTHER}", kept[earlier].row);
                sieve.reject_one(row.row, row.id, "/id", message);
            }
        } else {
            first.insert(row.id, kept.len());
            kept.push(row);
        }
    }
    Ok(kept)
}

fn check_rows<'a>(
    rows: Vec<SettledRow<'a>>,
    grown: &Grown,
    library: &HashMap<&str, &Trait>,
    now: Timestamp,
    sieve: &mut Sieve,
) -> Vec<(SettledRow<'a>, Option<f64>)> {
    let latest = now + CLOCK_SLACK;
    let mut checked = Vec::with_capacity(rows.len());
    for row in rows {
        let at = &grown.trees[row.tree];
        let mut fields = Fields::new();
        if row.observed_at > latest
            // Noon of a day that is still morning at the site is no claim about the future.
            && row.day > at.zone.to_datetime(now).date()
        {
            fields.fault(
                "observed_at",
                format!("{} is in the future; check the tablet's clock", row.day),
            );
        }
        if let Some(planted_on) = at.tree.planted_on
            && row.day < planted_on.0
        {
            fields.fault(
                "observed_at",
                format!(
                    "{} is before tree {} was planted, {}",
                    row.day, at.tree.number, planted_on.0
                ),
            );
        }
        if let Some(ended_on) = at.tree.ended_on
            && !at.standing
            && row.day > ended_on.0
        {
            fields.fault(
                "tree_id",
                format!(
                    "tree {} stands no more since {}; a record of a later day cannot be its own",
                    at.tree.number, ended_on.0
                ),
            );
        }
        let defined = library[row.code];
        let value = if row.sent.is_empty() {
            None
        } else {
            match defined.read(row.sent, row.day) {
                Ok(value) => Some(value),
                Err(message) => {
                    fields.fault("value", message);
                    None
                }
            }
        };
        if fields.any() {
            sieve.reject(row.row, &row.id.to_string(), fields.into_errors());
        } else {
            checked.push((row, value));
        }
    }
    checked
}

async fn check_corrections<'a>(
    rows: Vec<(SettledRow<'a>, Option<f64>)>,
    unit: &mut Unit,
    programme: ProgrammeId,
    sieve: &mut Sieve,
) -> Result<Vec<(SettledRow<'a>, Option<f64>)>, Fault> {
    let targets: Vec<RecordId> = rows.iter().filter_map(|(row, _)| row.corrects).collect();
    if targets.is_empty() {
        return Ok(rows);
    }
    let stored = store::records::known(unit.connection(), programme, &targets).await?;
    let mut corrected = store::records::corrections(unit.connection(), programme, &targets).await?;
    let in_batch: HashMap<RecordId, (TreeId, String)> = rows
        .iter()
        .map(|(row, _)| (row.id, (row.tree_id, row.code.to_owned())))
        .collect();
    let mut kept = Vec::with_capacity(rows.len());
    for (row, value) in rows {
        let Some(target) = row.corrects else {
            kept.push((row, value));
            continue;
        };
        let of = in_batch
            .get(&target)
            .map(|(tree, code)| (*tree, code.as_str()))
            .or_else(|| {
                stored
                    .get(&target)
                    .map(|content| (content.tree_id, content.code.as_str()))
            });
        let fault = match of {
            None => Some(format!("no record {target} is known")),
            Some((tree, code)) if tree != row.tree_id || code != row.code => Some(format!(
                "record {target} is of another tree or trait; a correction keeps both"
            )),
            Some(_) => corrected.get(&target).map(|by| {
                format!("record {target} was corrected by {by} already; correct that one")
            }),
        };
        match fault {
            Some(message) => sieve.reject_one(row.row, row.id, "/corrects", message),
            None => {
                corrected.insert(target, row.id);
                kept.push((row, value));
            }
        }
    }
    Ok(kept)
}

/// Makes records of rows and flags those that deserve a second look.
async fn with_doubts(
    rows: Vec<(SettledRow<'_>, Option<f64>)>,
    unit: &mut Unit,
    programme: ProgrammeId,
    library: &HashMap<&str, &Trait>,
    sieve: &mut Sieve,
) -> Result<Vec<NewRecord>, Fault> {
    let ranged = |code: &str| {
        matches!(
            library[code].scale,
            Scale::Measured | Scale::Count | Scale::Date
        )
    };
    let mut groups: HashMap<(TrialId, &str), Vec<f64>> = HashMap::new();
    for (row, value) in &rows {
        if let Some(value) = value
            && ranged(row.code)
        {
            groups
                .entry((row.trial_id, row.code))
                .or_default()
                .push(*value);
        }
    }
    let mut usual: HashMap<(TrialId, &str), Usual> = HashMap::new();
    for ((trial, code), mut values) in groups {
        if values.len() < ENOUGH {
            values.extend(
                store::records::usual_values(unit.connection(), programme, trial, code).await?,
            );
        }
        usual.extend(Usual::of(values).map(|range| ((trial, code), range)));
    }
    Ok(rows
        .into_iter()
        .map(|(row, value)| {
            let trial = row.trial_id;
            let doubt = value.and_then(|value| usual.get(&(trial, row.code))?.doubt(value));
            if let Some(doubt) = &doubt {
                let error = FieldError::new("/value", doubt.clone());
                sieve
                    .report
                    .doubt(row.row as u64, &row.id.to_string(), vec![error]);
            }
            NewRecord {
                id: row.id,
                trial,
                tree: row.tree_id,
                code: row.code.to_owned(),
                year: row.day.year(),
                value,
                sent: row.sent.to_owned(),
                observed_at: row.observed_at,
                observer: row.observer,
                corrects: row.corrects,
                doubt,
            }
        })
        .collect())
}

/// Lists records.
///
/// # Errors
/// Invalid fields; a tree that is not known.
pub async fn list(
    _app: &EvaluationApp,
    unit: &mut Unit,
    request: ListRecordsRequest,
) -> Result<RecordList, Fault> {
    let programme = unit.programme()?;
    let page = Page::parse(request.limit, &request.cursor)?;
    let mut fields = Fields::new();
    let mut wanted = Wanted {
        trial: fields.optional_id("trial_id", &request.trial_id),
        code: &request.r#trait,
        tree: fields.optional_id("tree_id", &request.tree_id),
        doubtful: request.doubtful,
        after: page.after_key()?,
        ..Wanted::default()
    };
    fields.finish()?;
    if let Some(tree) = wanted.tree
        && wanted.trial.is_none()
    {
        // Records are found by trial; a tree knows its own.
        wanted.trial = Some(
            store::trees::get(unit.connection(), programme, tree, false)
                .await?
                .trial_id,
        );
    }
    let records = store::records::list(unit.connection(), programme, &wanted, page.fetch()).await?;
    let (items, next_cursor) = page.cut(records, |record| record.id.clone());
    Ok(RecordList { items, next_cursor })
}

/// Decides whether a doubtful record stays in the figures.
///
/// # Errors
/// Invalid fields; not found; a record that was corrected.
pub async fn judge(
    _app: &EvaluationApp,
    unit: &mut Unit,
    request: JudgeRecordRequest,
) -> Result<RecordItem, Fault> {
    let programme = unit.programme()?;
    let mut fields = Fields::new();
    let id: Option<RecordId> = fields.id("record_id", &request.record_id);
    let judgement: Option<Judgement> = fields.word("judgement", &request.judgement);
    let reason = fields.text("reason", &request.reason, 500).to_owned();
    fields.finish()?;
    let (Some(id), Some(judgement)) = (id, judgement) else {
        return Err(Fault::malformed("the judgement cannot be read"));
    };
    let record = one(unit, programme, id).await?;
    if !record.corrected_by.is_empty() {
        return Err(Fault::state(format!(
            "record {id} was corrected by {}; judge that one",
            record.corrected_by
        )));
    }
    let caller = unit.caller().clone();
    let now = unit.now();
    store::records::insert_judgement(
        unit.connection(),
        programme,
        id,
        (judgement, &reason),
        (caller.subject, &caller.name),
        now,
    )
    .await?;
    unit.touch("record", id);
    one(unit, programme, id).await
}

async fn one(unit: &mut Unit, programme: ProgrammeId, id: RecordId) -> Result<RecordItem, Fault> {
    let wanted = Wanted {
        id: Some(id),
        ..Wanted::default()
    };
    store::records::list(unit.connection(), programme, &wanted, 1)
        .await?
        .pop()
        .ok_or_else(|| Fault::not_found("record", id))
}

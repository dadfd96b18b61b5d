//! A season loaded from plain files: everything is checked first, all faults are told with file,
//! row and column, and all is written or nothing.
//!
//! [`form`] says which files and columns there are; [`table`] reads them from CSV or XLSX; [`season`]
//! and [`trials`] make requests of the rows. The crossing part goes to its service as one request,
//! which judges every row by the rules of the single calls; trials and records follow once it is
//! written, after all of them that could be checked has been.

pub mod cells;
pub mod command;
pub mod faults;
pub mod form;
pub mod keys;
pub mod remote;
pub mod season;
pub mod table;
pub mod trials;

use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};
use std::time::Duration;

use indicatif::{ProgressBar, ProgressStyle};
use platform::Fault;
use platform::peers::Peers;

use cells::Known;
use faults::{Faults, RowFault};
use form::{FILES, Kind};
use remote::Remote;
use season::Season;
use table::{Folder, Skipped, Table};
use trials::Trials;

/// What became of one file's rows.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Loaded {
    /// The section.
    pub section: String,
    /// Rows written now.
    pub written_n: u64,
    /// Rows that had been loaded before with the same content.
    pub unchanged_n: u64,
}

impl Loaded {
    fn of(section: &str) -> Self {
        Self {
            section: section.to_owned(),
            written_n: 0,
            unchanged_n: 0,
        }
    }

    fn count(&mut self, written: bool) {
        if written {
            self.written_n += 1;
        } else {
            self.unchanged_n += 1;
        }
    }
}

/// What an import found and did.
#[derive(Debug, Default)]
pub struct Report {
    /// What became of each section.
    pub loaded: Vec<Loaded>,
    /// Every fault; nothing of the crossing part is written when there is one.
    pub faults: Vec<RowFault>,
    /// What deserves a second look.
    pub warnings: Vec<RowFault>,
    /// What lies in the folder and was passed over, with the reason.
    pub skipped: Vec<Skipped>,
    /// Rows that the files hold.
    pub rows_n: u64,
    /// False when there are faults or when only a check was asked for.
    pub written: bool,
}

/// Why an import could not be carried out.
#[derive(Debug, thiserror::Error)]
pub enum ImportError {
    /// The folder cannot be read.
    #[error("{} cannot be read: {}", .0.display(), .1)]
    NoFolder(PathBuf, std::io::Error),
    /// There is nothing to load.
    #[error("{} holds none of the files of a season ({}), as .csv or .xlsx", .0.display(), .1)]
    NoFiles(PathBuf, String),
    /// A service refused or did not answer.
    #[error("the service said: {0}")]
    Refused(#[from] Fault),
}

/// Tells how far an import is.
#[derive(Clone)]
pub struct Progress(ProgressBar);

impl Progress {
    /// Shown on the terminal.
    pub fn shown() -> Self {
        let bar = ProgressBar::new_spinner();
        if let Ok(style) = ProgressStyle::with_template("{spinner} {msg} ({elapsed})") {
            bar.set_style(style);
        }
        bar.enable_steady_tick(Duration::from_millis(120));
        Self(bar)
    }

    /// Shown nowhere.
    pub fn hidden() -> Self {
        Self(ProgressBar::hidden())
    }

    /// Says what is being done.
    pub fn say(&self, what: &str) {
        self.0.set_message(what.to_owned());
    }

    /// Takes the line away.
    pub fn finish(&self) {
        self.0.finish_and_clear();
    }
}

/// Loads the season in a folder, or only checks it.
///
/// # Errors
/// When there are no files, or a service refuses the whole or does not answer. Faults of rows are
/// in the report.
pub async fn load(
    peers: &Peers,
    token: &str,
    folder: &Path,
    check_only: bool,
    progress: &Progress,
) -> Result<Report, ImportError> {
    let remote = Remote::new(peers, token);
    let mut faults = Faults::default();
    progress.say("reading the files");
    let Folder {
        tables,
        unread,
        skipped,
    } = table::read_folder(folder, &mut faults)
        .map_err(|error| ImportError::NoFolder(folder.to_owned(), error))?;
    if tables.is_empty() && faults.is_empty() {
        let names = FILES
            .iter()
            .map(|form| form.name)
            .collect::<Vec<_>>()
            .join(", ");
        return Err(ImportError::NoFiles(folder.to_owned(), names));
    }
    progress.say("looking up what they refer to");
    let mut known = known(&remote, &tables).await?;
    known.unread = unread;
    let season = Season::read(&tables, &known, &mut faults);
    let mut trials = Trials::read(&tables, &known, &season, &mut faults);
    // While a file cannot be read, whatever rests on it would be told to be missing.
    let all_read = known.unread.is_empty();
    if !trials.is_empty() && all_read {
        progress.say("checking trials and records");
        trials
            .check(&remote, &season.planted(), &mut faults)
            .await?;
    }

    let mut report = Report {
        skipped,
        rows_n: tables.values().map(|table| table.len() as u64).sum(),
        ..Report::default()
    };
    let has_season = !season.is_empty();
    let check_only = check_only || !faults.is_empty();
    let (request, sent) = season.request(check_only);
    report.written = !check_only;
    if has_season && all_read {
        progress.say(if check_only {
            "checking the season"
        } else {
            "loading the season"
        });
        let reply = remote
            .crossing()?
            .import_season(request)
            .await
            .map_err(Fault::from)?
            .into_inner();
        let (found, warnings) = sent.told(&reply);
        for fault in found {
            faults.push(RowFault {
                message: named(&fault.message, &known),
                ..fault
            });
        }
        report.warnings = warnings;
        report.written = reply.written;
        report.loaded = reply
            .sections
            .into_iter()
            .map(|section| Loaded {
                section: section.section,
                written_n: section.written_n.into(),
                unchanged_n: section.unchanged_n.into(),
            })
            .collect();
    }
    if report.written && !trials.is_empty() {
        let (loaded, doubtful) = trials.write(&remote, progress, &mut faults).await?;
        report.loaded.extend(loaded);
        report.warnings.extend(doubtful);
    }
    report.faults = faults.sorted();
    report.warnings.sort();
    progress.finish();
    Ok(report)
}

/// Looks up all that the rows refer to.
async fn known(
    remote: &Remote<'_>,
    tables: &BTreeMap<&'static str, Table>,
) -> Result<Known, Fault> {
    let mut known = Known {
        programme: remote.programme().await?,
        ..Known::default()
    };
    for kind in [
        Kind::Variety,
        Kind::Mother,
        Kind::Lot,
        Kind::Cross,
        Kind::Site,
        Kind::Trial,
    ] {
        let (file, column) = kind.home();
        for row in tables.get(file).into_iter().flat_map(Table::rows) {
            let text = row.cell(column);
            let id = keys::id(&known.programme, kind.word(), &[text]);
            known.here.insert((kind, Known::key(text)), id);
        }
    }
    let mut sought: BTreeMap<Kind, BTreeSet<String>> = BTreeMap::new();
    for table in tables.values() {
        for column in table
            .form
            .columns
            .iter()
            .filter(|column| !column.refers.is_empty())
        {
            for text in table
                .rows()
                .flat_map(|row| row.cell(column.name).split(';'))
            {
                let found = column
                    .refers
                    .iter()
                    .any(|kind| known.find(*kind, text).is_some());
                if !found && !text.trim().is_empty() {
                    for kind in column.refers {
                        sought.entry(*kind).or_default().insert(Known::key(text));
                    }
                }
            }
        }
    }
    for (kind, texts) in sought {
        let named: BTreeMap<String, String> = match kind {
            Kind::Variety => remote.germplasm().await?,
            Kind::Site => remote
                .sites()
                .await?
                .into_iter()
                .map(|site| (site.name.to_lowercase(), site.id))
                .collect(),
            Kind::Trial => {
                let all = remote.trials().await?;
                all.into_iter()
                    .flat_map(|trial| {
                        [
                            (trial.name.to_lowercase(), trial.id.clone()),
                            (trial.number.to_lowercase(), trial.id),
                        ]
                    })
                    .collect()
            }
            Kind::Mother | Kind::Lot | Kind::Cross => BTreeMap::new(),
        };
        for text in texts {
            let id = match named.get(&text) {
                Some(id) => Some(id.clone()),
                // What an earlier import called by a key of its own.
                None => match remote.numbered(kind, &text.to_uppercase()).await? {
                    Some(id) => Some(id),
                    None => remote.imported(kind, &known.own_id(kind, &text)).await?,
                },
            };
            if let Some(id) = id {
                known.there.insert((kind, text), id);
            }
        }
    }
    Ok(known)
}

/// A message in which ids of the files' own things are replaced by what the files call them.
fn named(message: &str, known: &Known) -> String {
    let mut message = message.to_owned();
    for ((kind, key), id) in &known.here {
        let id = id.to_string();
        if message.contains(&id) {
            message = message.replace(&id, &format!("{} {key}", kind.word()));
        }
    }
    message
}

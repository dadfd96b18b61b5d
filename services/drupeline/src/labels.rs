//! `drupeline labels`: asks for labels and writes them to a file.

use std::error::Error;
use std::path::PathBuf;

use clap::{ArgGroup, Args};
use contract::crossing::{FindNumberRequest, PrintLabelsRequest};
use platform::Fault;

use crate::import::command::SignIn;
use crate::import::remote::Remote;

/// What `labels` was asked for.
#[derive(Debug, Clone, Args)]
#[command(group = ArgGroup::new("of").required(true))]
pub struct LabelsCommand {
    /// Where, and as whom.
    #[command(flatten)]
    pub sign_in: SignIn,
    /// Number of a cross: labels of all its seedlings.
    #[arg(long, group = "of")]
    pub cross: Option<String>,
    /// A block of a season, as 2026/S26: labels of all its seedlings.
    #[arg(long, group = "of", value_name = "SEASON/BLOCK")]
    pub block: Option<String>,
    /// Numbers of seedlings, pollen lots, mothers or germplasm, all of one kind.
    #[arg(long, group = "of", num_args = 1..)]
    pub numbers: Vec<String>,
    /// a4, letter, or a single label as 54x25 in millimetres.
    #[arg(long, default_value = "a4")]
    pub page: String,
    /// Labels on the first sheet that are used up already.
    #[arg(long)]
    pub skip: Option<u32>,
    /// File to write.
    #[arg(long)]
    pub out: PathBuf,
}

/// Fetches labels as PDF and writes them.
///
/// # Errors
/// When signing in is refused, a number is not known or the file cannot be written.
pub async fn run(command: &LabelsCommand) -> Result<(), Box<dyn Error + Send + Sync>> {
    let (peers, token) = command.sign_in.connect("breeder").await?;
    let remote = Remote::new(&peers, &token);
    let mut request = PrintLabelsRequest {
        page: command.page.clone(),
        skip: command.skip,
        ..Default::default()
    };
    if let Some(block) = &command.block {
        let (season, block) = block
            .split_once('/')
            .ok_or_else(|| format!("{block:?} is no block of a season; write it as 2026/S26"))?;
        request.season = season.to_owned();
        request.block = block.to_owned();
    }
    if let Some(cross) = &command.cross {
        let (kind, id) = find(&remote, cross).await?;
        if kind != "cross" {
            return Err(format!("{cross} is the number of a {kind}, not of a cross").into());
        }
        request.cross_id = id;
    }
    for number in &command.numbers {
        let (kind, id) = find(&remote, number).await?;
        match kind.as_str() {
            "seedling" => request.seedling_ids.push(id),
            "pollen_lot" => request.pollen_lot_ids.push(id),
            "mother" => request.mother_ids.push(id),
            "cross" => request.cross_ids.push(id),
            _ => request.germplasm_ids.push(id),
        }
    }
    let document = remote
        .crossing()?
        .print_labels(request)
        .await
        .map_err(Fault::from)?
        .into_inner();
    std::fs::write(&command.out, &document.content)
        .map_err(|error| format!("cannot write {}: {error}", command.out.display()))?;
    eprintln!(
        "drupeline: {} bytes written to {}",
        document.content.len(),
        command.out.display()
    );
    Ok(())
}

async fn find(remote: &Remote<'_>, number: &str) -> Result<(String, String), Fault> {
    let request = FindNumberRequest {
        number: number.to_owned(),
    };
    let found = remote.crossing()?.find_number(request).await?.into_inner();
    Ok((found.kind, found.id))
}

//! Lists of known denominations, against which proposals are checked.

use contract::release::{
    ImportKnownNamesRequest, KnownNameEntry, KnownNameList, KnownNamesTaken, ListKnownNamesRequest,
    RejectedName,
};
use platform::database::{Day, Instant};
use platform::paging::Page;
use platform::{Fault, Fields, Unit};
use rights::denomination::fold;

use super::asked::checked;
use super::shown;
use crate::ReleaseApp;
use crate::domain::KnownNameId;
use crate::domain::known_names::read;
use crate::store::known_names::{self, KnownNameRow, genus};

/// Takes a list in.
pub async fn import(
    _app: &ReleaseApp,
    unit: &mut Unit,
    request: ImportKnownNamesRequest,
) -> Result<KnownNamesTaken, Fault> {
    let today = unit.today();
    let mut fields = Fields::new();
    let source = fields.text("source", &request.source, 200).to_owned();
    let listed_on = fields.date("listed_on", &request.listed_on);
    if let Some(on) = listed_on {
        fields.require(on <= today, "listed_on", format!("{on} lies ahead"));
    }
    fields.require(
        !request.csv.trim().is_empty(),
        "csv",
        "is required: lines of name,class,jurisdiction below a line that says so",
    );
    fields.finish()?;
    let listed_on = Day(checked(listed_on, "listed_on")?);
    let (names, bad) = read(&request.csv).map_err(|fault| Fault::field("/csv", fault))?;
    let rows: Vec<KnownNameRow> = names
        .into_iter()
        .map(|name| KnownNameRow {
            id: KnownNameId::new(),
            folded: fold(&name.name),
            name: name.name,
            class: name.class,
            jurisdiction: name.jurisdiction,
            source: source.clone(),
            listed_on,
        })
        .collect();
    let (programme, now) = (unit.programme()?, Instant(unit.now()));
    let accepted = known_names::insert(unit.connection(), programme, &rows, now).await?;
    unit.touch("known_names", &source);
    let n = |n: usize| u32::try_from(n).unwrap_or(u32::MAX);
    let accepted_n = u32::try_from(accepted).unwrap_or(u32::MAX);
    Ok(KnownNamesTaken {
        accepted_n,
        duplicates_n: n(rows.len()) - accepted_n,
        rejected: bad
            .into_iter()
            .map(|line| RejectedName {
                line: u32::try_from(line.line).unwrap_or(u32::MAX),
                name: line.name,
                errors: line.errors.into_iter().map(Into::into).collect(),
            })
            .collect(),
    })
}

/// Lists known names.
pub async fn list(
    _app: &ReleaseApp,
    unit: &mut Unit,
    request: ListKnownNamesRequest,
) -> Result<KnownNameList, Fault> {
    let page = Page::parse(request.limit, &request.cursor)?;
    let name = Some(fold(&request.name)).filter(|name| !name.is_empty());
    let class = Some(genus(&request.class)).filter(|genus| !genus.is_empty());
    let programme = unit.programme()?;
    let rows = known_names::list(
        unit.connection(),
        programme,
        name.as_deref(),
        class.as_deref(),
        &page,
    )
    .await?;
    let (rows, next_cursor) = page.cut(rows, |row| row.id);
    Ok(KnownNameList {
        items: rows
            .into_iter()
            .map(|row| KnownNameEntry {
                id: shown::id(Some(row.id)),
                name: row.name,
                class: row.class,
                jurisdiction: row.jurisdiction,
                source: row.source,
                listed_on: row.listed_on.0.to_string(),
            })
            .collect(),
        next_cursor,
    })
}

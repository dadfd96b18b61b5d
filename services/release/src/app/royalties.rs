//! Royalty statements, to the currency's minor unit.

use contract::release::{
    ListRoyaltyStatementsRequest, RoyaltyLine, RoyaltyStatement, RoyaltyStatementList,
    StateRoyaltyRequest,
};
use jiff::civil::Date;
use platform::database::{Day, Instant};
use platform::fault::OnConstraint as _;
use platform::fields::Words as _;
use platform::{Fault, Fields, Unit};
use rust_decimal::Decimal;
use serde_json::json;
use sqlx::types::Json;

use super::asked::{self, checked};
use super::events::{Announcement, announce};
use super::shown;
use crate::ReleaseApp;
use crate::domain::money::{Currency, ROUNDING, Royalty, read_decimal, total};
use crate::domain::webhook::Topic;
use crate::domain::words::Per;
use crate::domain::{LicenceId, StatementId};
use crate::store::licences::ChangeRow;
use crate::store::reports::ReportRow;
use crate::store::royalties::{Line, StatementRow};
use crate::store::webhooks::Subject;
use crate::store::{licences, next_number, reports, royalties};

/// Computes and keeps a statement.
pub async fn state(
    _app: &ReleaseApp,
    unit: &mut Unit,
    request: StateRoyaltyRequest,
) -> Result<RoyaltyStatement, Fault> {
    let mut fields = Fields::new();
    let id: StatementId = fields.client_id(&request.id);
    let licence: Option<LicenceId> = fields.id("licence_id", &request.licence_id);
    let period = asked::period(&mut fields, &request.period_start, &request.period_end);
    let corrects: Option<StatementId> = fields.optional_id("corrects_id", &request.corrects_id);
    let reason = request.reason.trim().to_owned();
    fields.require(
        corrects.is_none() || !reason.is_empty(),
        "reason",
        "is required for a correction",
    );
    fields.finish()?;
    let licence_id = checked(licence, "licence_id")?;
    let (start, end) = checked(period, "period_start")?;
    let programme = unit.programme()?;
    let licence = licences::find(unit.connection(), programme, licence_id)
        .await?
        .ok_or_else(|| {
            Fault::field(
                "/licence_id",
                format!("no licence {licence_id} is known here"),
            )
        })?;
    reports::take_turn(unit.connection(), licence_id).await?;

    let found = reports::within(unit.connection(), programme, licence_id, (start, end)).await?;
    if let Some(over) = found
        .iter()
        .find(|report| report.period_start.0 < start || report.period_end.0 > end)
    {
        return Err(Fault::field(
            "/period_start",
            format!(
                "the report of {} to {} reaches over the ends of this period; settle whole reports",
                over.period_start.0, over.period_end.0
            ),
        ));
    }
    let changes = licences::changes(unit.connection(), programme, licence_id).await?;
    let terms = terms_of(&changes, &found, licence.starts_on.0, end)?;
    let currency = Currency::read(&terms.currency).ok_or_else(|| {
        Fault::state(format!(
            "the licence's currency {} is not known",
            terms.currency
        ))
    })?;
    if !request.currency.is_empty() && !request.currency.eq_ignore_ascii_case(currency.code()) {
        return Err(Fault::field(
            "/currency",
            format!(
                "{} is not the licence's currency, {}; a statement never mixes currencies",
                request.currency,
                currency.code()
            ),
        ));
    }
    let lines = lines(&changes, &found, currency, licence.starts_on.0)?;
    let sums = total(currency, lines.iter().map(|line| line.1), terms.minimum);
    let mut difference = None;
    if let Some(replaced) = corrects {
        let earlier = royalties::find(unit.connection(), programme, replaced)
            .await?
            .filter(|earlier| earlier.licence_id == licence_id)
            .ok_or_else(|| Fault::field("/corrects_id", "is no statement under this licence"))?;
        if earlier.currency != currency.code() {
            return Err(Fault::field(
                "/corrects_id",
                format!(
                    "is in {}, this one would be in {}",
                    earlier.currency,
                    currency.code()
                ),
            ));
        }
        if !royalties::replace(unit.connection(), programme, earlier.id, id).await? {
            return Err(Fault::state(
                "that statement was corrected before; correct the one that stands",
            ));
        }
        let before = earlier.total.parse::<Decimal>().map_err(Fault::internal)?;
        difference = Some(currency.round(sums.total - before).to_string());
    }
    let number = next_number(unit.connection(), programme, "royalty_statement", 'R').await?;
    let row = StatementRow {
        id,
        number,
        licence_id,
        licensee_id: licence.licensee_id,
        period_start: Day(start),
        period_end: Day(end),
        per: terms.per.clone(),
        currency: currency.code().to_owned(),
        lines: Json(lines.into_iter().map(|line| line.0).collect()),
        subtotal: sums.subtotal.to_string(),
        minimum_added: sums.minimum_added.to_string(),
        total: sums.total.to_string(),
        difference,
        corrects_id: corrects,
        corrected_by_id: None,
        reason,
        stated_at: Instant(unit.now()),
        stated_by: unit.caller().name.clone(),
    };
    royalties::insert(unit.connection(), programme, &row)
        .await
        .on_constraint(royalties::ONCE, || {
            Fault::exists(
                "/period_start",
                "a day in this period was settled before; send a correction of that statement (corrects_id)",
            )
        })?;
    unit.touch("royalty_statement", id);
    let open = json!({
        "statement_id": id.to_string(),
        "number": row.number,
        "licence_id": licence_id.to_string(),
        "period_start": start.to_string(),
        "period_end": end.to_string(),
        "currency": row.currency,
        "total": row.total,
        "difference": row.difference,
        "corrects_id": shown::id(corrects),
    });
    let of = Announcement::new(Subject::Statement, id.uuid(), licence.candidate_id, open)
        .for_staff(json!({ "licensee_name": licence.licensee_name, "reason": row.reason }));
    announce(unit, Topic::RoyaltyStated, &of).await?;
    Ok(told(row))
}

/// Anniversaries of a licence's start up to a day.
fn anniversaries(starts: Date, on: Date) -> u32 {
    let years = i32::from(on.year()) - i32::from(starts.year());
    let passed = (on.month(), on.day()) >= (starts.month(), starts.day());
    u32::try_from(years - i32::from(!passed)).unwrap_or(0)
}

/// The terms in force on a day, as they are after the anniversaries of the licence's start since
/// they were agreed.
fn in_force(changes: &[ChangeRow], starts: Date, on: Date) -> Option<Royalty> {
    let change = changes
        .iter()
        .rev()
        .find(|change| change.change != "ended" && change.on_day.0 <= on)
        .or(changes.first())?;
    let since = anniversaries(starts, on).saturating_sub(anniversaries(starts, change.on_day.0));
    Some(change.terms.0.royalty.as_ref()?.after(since))
}

/// The terms by which a statement is headed; all its reports must agree on currency and count.
fn terms_of(
    changes: &[ChangeRow],
    found: &[ReportRow],
    starts: Date,
    end: Date,
) -> Result<Royalty, Fault> {
    let none = || Fault::state("the licence has no royalty in this period; amend it first");
    let last = in_force(changes, starts, end).ok_or_else(none)?;
    for report in found {
        let own = in_force(changes, starts, report.period_end.0).ok_or_else(none)?;
        if own.currency != last.currency || own.per != last.per {
            return Err(Fault::field(
                "/period_start",
                format!(
                    "within this period the licence goes from {} per {} to {} per {}; a statement never mixes them, so state each part by itself",
                    own.currency, own.per, last.currency, last.per
                ),
            ));
        }
    }
    Ok(last)
}

/// Lines of a statement, each with its rounded amount: a report's quantity at the rates that held,
/// steps counted over the statement.
fn lines(
    changes: &[ChangeRow],
    found: &[ReportRow],
    currency: Currency,
    starts: Date,
) -> Result<Vec<(Line, Decimal)>, Fault> {
    let mut before = Decimal::ZERO;
    let mut lines = Vec::new();
    for report in found {
        let Some(terms) = in_force(changes, starts, report.period_end.0) else {
            continue;
        };
        let counted = |text: &Option<String>, what: &str| match text {
            Some(text) => read_decimal(text).map_err(Fault::state),
            None => Err(Fault::state(format!(
                "the report of {} to {} tells no {what}, by which this royalty is counted; correct it first",
                report.period_start.0, report.period_end.0
            ))),
        };
        let quantity = match Per::from_word(&terms.per) {
            Some(Per::Hectare) => counted(&report.hectares, "hectares")?,
            Some(Per::Kilogram) => counted(&report.kilograms, "kilograms")?,
            Some(Per::Tree) | None => Decimal::from(report.trees_n),
        };
        for (quantity, rate) in terms.stretches(before, quantity) {
            let amount = currency.round(quantity * rate);
            let line = Line {
                report_id: report.id.to_string(),
                period_start: report.period_start.0.to_string(),
                period_end: report.period_end.0.to_string(),
                quantity: quantity.normalize().to_string(),
                rate: rate.to_string(),
                amount: amount.to_string(),
            };
            lines.push((line, amount));
        }
        before += quantity;
    }
    Ok(lines)
}

/// A statement for the contract.
pub(super) fn told(row: StatementRow) -> RoyaltyStatement {
    RoyaltyStatement {
        id: row.id.to_string(),
        number: row.number,
        licence_id: row.licence_id.to_string(),
        licensee_id: row.licensee_id.to_string(),
        period_start: row.period_start.0.to_string(),
        period_end: row.period_end.0.to_string(),
        per: row.per,
        currency: row.currency,
        lines: row
            .lines
            .0
            .into_iter()
            .map(|line| RoyaltyLine {
                report_id: line.report_id,
                period_start: line.period_start,
                period_end: line.period_end,
                quantity: line.quantity,
                rate: line.rate,
                amount: line.amount,
            })
            .collect(),
        subtotal: row.subtotal,
        minimum_added: row.minimum_added,
        total: row.total,
        difference: row.difference,
        corrects_id: shown::id(row.corrects_id),
        corrected_by_id: shown::id(row.corrected_by_id),
        reason: row.reason,
        rounding: ROUNDING.to_owned(),
        stated_at: row.stated_at.0.to_string(),
        stated_by: row.stated_by,
    }
}

/// Lists statements.
pub async fn list(
    _app: &ReleaseApp,
    unit: &mut Unit,
    request: ListRoyaltyStatementsRequest,
) -> Result<RoyaltyStatementList, Fault> {
    let (page, licence) = asked::page_under(request.limit, &request.cursor, &request.licence_id)?;
    let programme = unit.programme()?;
    let rows = royalties::list(unit.connection(), programme, licence, &page).await?;
    let (rows, next_cursor) = page.cut(rows, |row| row.id);
    Ok(RoyaltyStatementList {
        items: rows.into_iter().map(told).collect(),
        next_cursor,
    })
}

#[cfg(test)]
mod tests {
    use jiff::civil::date;

    use super::*;

    fn change(what: &str, on: Date, amount: &str) -> ChangeRow {
        let decimal = |text: &str| read_decimal(text).unwrap();
        ChangeRow {
            change: what.to_owned(),
            on_day: Day(on),
            reason: String::new(),
            changed_by: String::new(),
            terms: Json(crate::store::licences::Terms {
                territory: vec!["US".to_owned()],
                exclusive: false,
                ends_on: None,
                propagate_max_n: None,
                royalty: Some(Royalty {
                    per: "tree".to_owned(),
                    amount: decimal(amount),
                    currency: "USD".to_owned(),
                    steps: Vec::new(),
                    minimum: Some(decimal("100")),
                    yearly_increase_percent: Some(decimal("10")),
                }),
                sublicensing: false,
                comes_to: Vec::new(),
                reporting: None,
            }),
        }
    }

    #[test]
    fn amounts_grow_from_the_day_on_which_they_were_agreed() {
        let starts = date(2020, 3, 1);
        let changes = [
            change("granted", starts, "1"),
            change("amended", date(2022, 6, 1), "5"),
            change("ended", date(2024, 12, 31), "9"),
        ];
        for (on, amount, minimum) in [
            (date(2021, 2, 28), "1", "100"),
            // 1 × 1.1 and 1 × 1.1².
            (date(2021, 3, 1), "1.1", "110"),
            (date(2022, 5, 31), "1.21", "121"),
            // Agreed anew, and grown again from the next anniversary on.
            (date(2022, 6, 1), "5", "100"),
            (date(2023, 3, 1), "5.5", "110"),
            (date(2024, 12, 31), "6.05", "121"),
        ] {
            let terms = in_force(&changes, starts, on).unwrap();
            assert_eq!(terms.amount, read_decimal(amount).unwrap(), "{on}");
            assert_eq!(terms.minimum, Some(read_decimal(minimum).unwrap()), "{on}");
        }
    }

    #[test]
    fn an_anniversary_counts_from_its_own_day() {
        let starts = date(2020, 2, 29);
        for (on, n) in [
            (date(2020, 12, 31), 0),
            (date(2021, 2, 28), 0),
            (date(2021, 3, 1), 1),
            (date(2024, 2, 29), 4),
            (date(2019, 1, 1), 0),
        ] {
            assert_eq!(anniversaries(starts, on), n, "{on}");
        }
    }
}

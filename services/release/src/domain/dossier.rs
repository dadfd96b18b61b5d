//! What is on file about one candidate, as the rules of plant rights read it.

use std::collections::HashMap;

use jiff::ToSpan as _;
use jiff::civil::Date;
use platform::fields::Words as _;
use rights::book::What;
use rights::standing::Standing;
use rights::{
    Attributes, Book, CandidateAttributes, CandidateEvent, DueItem, FeeState, RightsError, Route,
    Urgency,
};
use serde::Serialize;

use super::words::FilingEventWord;
use super::{CandidateId, FilingId};

/// Days before a due date on which to remind.
pub const LEAD_DAYS: &[u16] = &[180, 90, 30, 14, 7, 1];

/// Something made known or handed over.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ToldDisclosure {
    /// The event's word.
    pub kind: String,
    /// The day.
    pub on: Date,
    /// The country, where one was told.
    pub country: Option<String>,
}

/// A step of a filing after its filing and grant.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ToldStep {
    /// What happened.
    pub event: FilingEventWord,
    /// The day.
    pub on: Date,
    /// For an annual fee, the year it pays for.
    pub year_n: Option<u16>,
}

/// A filing with its grant and its later steps.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ToldFiling {
    /// Its id.
    pub id: FilingId,
    /// Code of the jurisdiction.
    pub jurisdiction: String,
    /// Word for the right.
    pub kind: String,
    /// The day.
    pub filed_on: Date,
    /// The office's number of the application.
    pub application_number: String,
    /// Day of grant.
    pub granted_on: Option<Date>,
    /// The office's number of the grant.
    pub grant_number: String,
    /// Days by which the office lengthened the term.
    pub pta_days: Option<u16>,
    /// Later steps.
    pub steps: Vec<ToldStep>,
}

impl ToldFiling {
    /// What ended it by a day, if anything did.
    pub fn ended(&self, as_of: Date) -> Option<&ToldStep> {
        self.steps
            .iter()
            .find(|step| step.event.ends_right() && step.on <= as_of)
    }

    fn paid_years(&self, as_of: Date) -> Vec<u16> {
        self.steps
            .iter()
            .filter(|step| step.event == FilingEventWord::AnnualFeePaid && step.on <= as_of)
            .filter_map(|step| step.year_n)
            .collect()
    }
}

/// What is on file about one candidate.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Dossier {
    /// The candidate.
    pub candidate: CandidateId,
    /// Whether it is of the class with the longer periods.
    pub tree_or_vine: bool,
    /// Whether it was withdrawn, so that nothing more will be filed for it.
    pub withdrawn: bool,
    /// Disclosures.
    pub disclosures: Vec<ToldDisclosure>,
    /// Filings.
    pub filings: Vec<ToldFiling>,
}

/// Where a way to protection stands, with what its filing adds.
pub struct RouteState<'d> {
    /// The way.
    pub route: Route<'static>,
    /// The filing made on it.
    pub filing: Option<&'d ToldFiling>,
    /// What the fees paid say; none before grant or when the fees' days are not known.
    pub fees: Option<FeeState>,
}

/// A due date with the key that names it within its candidate.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Due {
    /// Names it; stable while its events stand.
    pub key: String,
    /// What is due.
    pub item: DueItem<'static>,
}

impl Dossier {
    /// Every event, the disclosures first in their own order.
    pub fn events(&self) -> Vec<CandidateEvent> {
        let disclosed = self.disclosures.iter().map(|told| CandidateEvent {
            event: told.kind.clone(),
            on: told.on,
            country: told.country.clone(),
            jurisdiction: None,
            kind: None,
        });
        let filed = self.filings.iter().flat_map(|filing| {
            let step = |event: &str, on: Date| CandidateEvent {
                event: event.to_owned(),
                on,
                country: None,
                jurisdiction: Some(filing.jurisdiction.clone()),
                kind: Some(filing.kind.clone()),
            };
            std::iter::once(step("filing", filing.filed_on))
                .chain(filing.granted_on.map(|on| step("grant", on)))
                .chain(
                    filing
                        .steps
                        .iter()
                        .map(move |told| step(told.event.word(), told.on)),
                )
                .collect::<Vec<_>>()
        });
        disclosed.chain(filed).collect()
    }

    /// The last day told, or `today` when that is later: from there on every event counts.
    pub fn last_day(&self, today: Date) -> Date {
        self.events()
            .iter()
            .map(|event| event.on)
            .fold(today, std::cmp::Ord::max)
    }

    /// What the clocks depend on beside events.
    pub fn attributes(&self) -> CandidateAttributes {
        let everywhere = Attributes {
            tree_or_vine: Some(self.tree_or_vine),
            ..Attributes::default()
        };
        let by_jurisdiction: HashMap<String, Attributes> = self
            .filings
            .iter()
            .filter(|filing| filing.pta_days.is_some())
            .map(|filing| {
                let own = Attributes {
                    pta_days: filing.pta_days,
                    ..everywhere.clone()
                };
                (filing.jurisdiction.clone(), own)
            })
            .collect();
        CandidateAttributes {
            everywhere,
            by_jurisdiction,
        }
    }

    /// Every way to protection as of a day.
    ///
    /// # Errors
    /// When an event on file cannot be read by the rules.
    pub fn routes(&self, as_of: Date) -> Result<Vec<RouteState<'_>>, RightsError> {
        let routes = Book::embedded().routes(&self.events(), &self.attributes(), as_of)?;
        Ok(routes
            .into_iter()
            .map(|route| {
                let filing = self
                    .filings
                    .iter()
                    .find(|f| f.jurisdiction == route.jurisdiction && f.kind == route.kind)
                    .filter(|f| f.filed_on <= as_of);
                let fees = filing.and_then(|filing| {
                    fee_schedule(&route, filing, as_of)?.state(&filing.paid_years(as_of), as_of)
                });
                RouteState {
                    route,
                    filing,
                    fees,
                }
            })
            .collect())
    }

    /// What is still to be done as of a day, earliest first.
    ///
    /// A way that is closed, and one that nobody will go because the candidate was withdrawn, asks
    /// for nothing more.
    ///
    /// # Errors
    /// When an event on file cannot be read by the rules.
    pub fn due(&self, as_of: Date) -> Result<Vec<Due>, RightsError> {
        if self.disclosures.is_empty() && self.filings.is_empty() {
            return Ok(Vec::new());
        }
        let mut due = Vec::new();
        for state in self.routes(as_of)? {
            let route = &state.route;
            if route.standing == Standing::Ended {
                continue;
            }
            let items =
                route
                    .report
                    .due_list(as_of, LEAD_DAYS)
                    .into_iter()
                    .filter(|item| match item.what {
                        What::FileBy | What::ClaimPriorityBy | What::PetitionLatePriorityBy => {
                            !self.withdrawn
                                && state.filing.is_none()
                                && route.is_open()
                                && item.due_on >= as_of
                        }
                        _ => true,
                    });
            due.extend(items);
            if let Some(filing) = state.filing
                && let Some(fees) = fee_schedule(route, filing, as_of)
            {
                due.extend(fees.due_list(
                    route.jurisdiction,
                    route.kind,
                    &filing.paid_years(as_of),
                    as_of,
                    LEAD_DAYS,
                ));
            }
        }
        due.sort_by(|a, b| {
            (a.nominal_on, a.jurisdiction, a.kind, a.what).cmp(&(
                b.nominal_on,
                b.jurisdiction,
                b.kind,
                b.what,
            ))
        });
        Ok(due
            .into_iter()
            .map(|item| Due {
                key: key(&item),
                item,
            })
            .collect())
    }
}

fn fee_schedule(
    route: &Route<'static>,
    filing: &ToldFiling,
    as_of: Date,
) -> Option<rights::FeeSchedule<'static>> {
    let granted_on = filing.granted_on.filter(|on| *on <= as_of)?;
    let expiry_on = route.report.expiry_on?;
    Book::embedded()
        .fee_schedule(route.jurisdiction, route.kind, granted_on, expiry_on)
        .ok()
}

fn key(item: &DueItem<'_>) -> String {
    let what = word(item.what);
    match item.year_n {
        Some(year) => format!("{}.{}.{what}.{year}", item.jurisdiction, item.kind),
        None => format!(
            "{}.{}.{what}.{}",
            item.jurisdiction, item.kind, item.nominal_on
        ),
    }
}

/// The word under which a value of the rules is written.
pub fn word(value: impl Serialize) -> String {
    match serde_json::to_value(value) {
        Ok(serde_json::Value::String(word)) => word,
        _ => String::new(),
    }
}

/// Word of a fee's state.
pub fn fee_word(state: Option<FeeState>) -> &'static str {
    match state {
        None => "unknown",
        Some(FeeState::Paid) => "paid",
        Some(FeeState::Late { .. }) => "late",
        Some(FeeState::MayHaveLapsed { .. }) => "may_have_lapsed",
    }
}

/// Days from `as_of` to the end of what a list of due dates looks at when nobody says.
pub fn a_year_ahead(as_of: Date) -> Date {
    as_of.saturating_add(1.year())
}

/// Urgency of a day that the rights' own list does not cover.
pub fn urgency(due_on: Date, as_of: Date) -> Urgency {
    let days = (due_on - as_of).get_days();
    if days < 0 {
        Urgency::Overdue
    } else if days <= i32::from(LEAD_DAYS[0]) {
        Urgency::Due
    } else {
        Urgency::Ahead
    }
}

#[cfg(test)]
mod tests {
    use jiff::civil::date;

    use super::*;

    fn dossier() -> Dossier {
        Dossier {
            candidate: CandidateId::new(),
            tree_or_vine: true,
            withdrawn: false,
            disclosures: vec![ToldDisclosure {
                kind: "first_sale".to_owned(),
                on: date(2025, 2, 3),
                country: Some("US".to_owned()),
            }],
            filings: Vec::new(),
        }
    }

    fn filed(filing: Date, grant: Option<Date>) -> ToldFiling {
        ToldFiling {
            id: FilingId::new(),
            jurisdiction: "US".to_owned(),
            kind: "plant_patent".to_owned(),
            filed_on: filing,
            application_number: "19/000,001".to_owned(),
            granted_on: grant,
            grant_number: "PP90,001".to_owned(),
            pta_days: None,
            steps: Vec::new(),
        }
    }

    #[test]
    fn a_sale_makes_filing_due_until_it_is_filed() {
        let mut told = dossier();
        let as_of = date(2025, 6, 1);
        let patent = |due: &[Due]| {
            due.iter()
                .any(|d| d.key.starts_with("US.plant_patent.file_by"))
        };
        let due = told.due(as_of).unwrap();
        assert!(patent(&due), "{due:?}");
        assert!(due.is_sorted_by_key(|d| d.item.nominal_on));
        told.filings.push(filed(date(2025, 5, 1), None));
        assert!(!patent(&told.due(as_of).unwrap()));
    }

    #[test]
    fn a_withdrawn_candidate_asks_for_no_filing() {
        let mut told = dossier();
        told.withdrawn = true;
        assert_eq!(told.due(date(2025, 6, 1)).unwrap(), []);
    }

    #[test]
    fn a_closed_way_asks_for_nothing() {
        let due = dossier().due(date(2027, 6, 1)).unwrap();
        assert!(!due.iter().any(|d| d.item.jurisdiction == "US"), "{due:?}");
    }

    #[test]
    fn a_granted_patent_expires_twenty_years_from_filing() {
        let mut told = dossier();
        told.filings
            .push(filed(date(2025, 5, 1), Some(date(2026, 9, 8))));
        let routes = told.routes(date(2026, 10, 1)).unwrap();
        let patent = routes
            .iter()
            .find(|s| s.route.kind == "plant_patent")
            .unwrap();
        assert_eq!(patent.route.standing, Standing::Granted);
        assert_eq!(patent.route.report.expiry_on, Some(date(2045, 5, 1)));
        assert_eq!(patent.fees, Some(FeeState::Paid));
        assert!(patent.filing.is_some());
    }
}

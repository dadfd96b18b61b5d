//! What a partner may know and do. The database shows a partner's own papers and the candidates
//! they are about, and nothing else; what is not shown reads as what does not exist.

use std::collections::BTreeMap;

use contract::release::{
    GetReleaseStatusRequest, ListPartnerReportsRequest, MarkingText, PartnerAgreement,
    PartnerLicence, PartnerReportList, ProtectedIn, ReleaseStatus, ReleaseStatusPage,
};
use jiff::civil::Date;
use platform::fields::Words as _;
use platform::paging::{MAX_LIMIT, Page};
use platform::{Fault, Fields, Unit};
use rights::denomination::fold;
use rights::{Book, CAUTION, Protection, Standing};

use super::asked::rights_fault;
use super::{reports, royalties, shown};
use crate::ReleaseApp;
use crate::domain::CandidateId;
use crate::domain::denomination::NameState;
use crate::domain::dossier::{Dossier, RouteState, word};
use crate::domain::groups::Groups;
use crate::domain::reporting::Terms;
use crate::domain::territory::{Territory, all_within, any_shared, reaches};
use crate::domain::words::Purpose;
use crate::store::agreements::{self, AgreementRow};
use crate::store::candidates::{self, CandidateRow};
use crate::store::licences::{self, LicenceRow};
use crate::store::{denominations, dossiers};

/// Release status of what the partner's papers are about.
pub async fn release_status(
    _app: &ReleaseApp,
    unit: &mut Unit,
    request: GetReleaseStatusRequest,
) -> Result<ReleaseStatusPage, Fault> {
    let page = Page::parse(request.limit, &request.cursor)?;
    let mut fields = Fields::new();
    let territory = if request.territory.is_empty() {
        None
    } else {
        // A programme's own groups are not the partner's to see; its licences tell what they come to.
        Groups::with([])
            .named(&request.territory, unit.today())
            .map_err(|fault| fields.fault("territory", fault))
            .ok()
            .map(|place| place.comes_to)
    };
    fields.finish()?;
    let today = unit.today();
    let wanted = Some(fold(&request.denomination)).filter(|name| !name.is_empty());
    let seen = Seen {
        today,
        territory,
        named: wanted,
    };
    let mut items: Vec<(CandidateId, ReleaseStatus)> = Vec::new();
    let mut after: Option<CandidateId> = page.after_key()?;
    let fetch = usize::try_from(page.fetch()).unwrap_or(usize::MAX);
    loop {
        let programme = unit.programme()?;
        let rows =
            candidates::list_after(unit.connection(), programme, after, i64::from(MAX_LIMIT))
                .await?;
        after = rows.last().map(|row| row.id);
        let last = rows.len() < MAX_LIMIT as usize;
        items.extend(seen.statuses(unit, rows).await?);
        if last || items.len() >= fetch {
            break;
        }
    }
    items.truncate(fetch);
    let (items, next_cursor) = page.cut(items, |(id, _)| *id);
    Ok(ReleaseStatusPage {
        items: items.into_iter().map(|(_, status)| status).collect(),
        next_cursor,
        as_of: today.to_string(),
        caution: CAUTION.to_owned(),
    })
}

/// What is asked about.
struct Seen {
    today: Date,
    territory: Option<Vec<Territory>>,
    named: Option<String>,
}

/// What a partner's papers say of one candidate.
#[derive(Default)]
struct Papers {
    licences: Vec<LicenceRow>,
    agreements: Vec<AgreementRow>,
    denomination: Option<String>,
    trade: Vec<String>,
}

impl Seen {
    async fn statuses(
        &self,
        unit: &mut Unit,
        rows: Vec<CandidateRow>,
    ) -> Result<Vec<(CandidateId, ReleaseStatus)>, Fault> {
        let programme = unit.programme()?;
        let ids: Vec<CandidateId> = rows.iter().map(|row| row.id).collect();
        let connection = unit.connection();
        let mut papers: BTreeMap<CandidateId, Papers> = BTreeMap::new();
        for row in licences::of_candidates(connection, programme, &ids).await? {
            papers
                .entry(row.candidate_id)
                .or_default()
                .licences
                .push(row);
        }
        for row in agreements::of_candidates(connection, programme, Some(&ids)).await? {
            papers
                .entry(row.candidate_id)
                .or_default()
                .agreements
                .push(row);
        }
        for row in denominations::of_candidates(connection, programme, &ids).await? {
            if row.state == NameState::Published.word() {
                let own = papers.entry(row.candidate_id).or_default();
                own.denomination.get_or_insert(row.name);
            }
        }
        for row in denominations::trade_of(connection, programme, &ids).await? {
            papers
                .entry(row.candidate_id)
                .or_default()
                .trade
                .push(row.designation);
        }
        let asked: Vec<(CandidateRow, Papers)> = rows
            .into_iter()
            .map(|row| {
                let own = papers.remove(&row.id).unwrap_or_default();
                (row, own)
            })
            .filter(|(row, own)| self.asks_about(row, own))
            .collect();
        let ids: Vec<CandidateId> = asked.iter().map(|(row, _)| row.id).collect();
        let mut on_file: BTreeMap<CandidateId, Dossier> =
            dossiers::dossiers(unit.connection(), programme, Some(&ids))
                .await?
                .into_iter()
                .map(|(heading, dossier)| (heading.id, dossier))
                .collect();
        let mut statuses = Vec::new();
        for (row, own) in asked {
            let dossier = on_file
                .remove(&row.id)
                .ok_or_else(|| Fault::not_found("candidate", row.id))?;
            let routes = dossier.routes(self.today).map_err(|e| rights_fault(&e))?;
            statuses.push((row.id, self.status(row, own, &routes)?));
        }
        Ok(statuses)
    }

    fn asks_about(&self, row: &CandidateRow, own: &Papers) -> bool {
        let named = self.named.as_ref().is_none_or(|wanted| {
            own.denomination.as_deref().map(fold).as_ref() == Some(wanted)
                || fold(&row.code) == *wanted
        });
        let there = self.territory.as_ref().is_none_or(|asked| {
            let licensed = own
                .licences
                .iter()
                .any(|licence| any_shared(&licence.territories(), asked, self.today));
            let tested = own.agreements.iter().any(|agreement| {
                Territory::read(&agreement.country)
                    .is_ok_and(|country| any_shared(&[country], asked, self.today))
            });
            licensed || tested
        });
        named && there
    }

    /// Licences under which trees may be propagated today in the place asked about.
    fn propagating<'l>(&self, licences: &'l [LicenceRow]) -> Vec<&'l LicenceRow> {
        licences
            .iter()
            .filter(|licence| licence.standing(self.today) == "in_force")
            .filter(|licence| {
                Purpose::from_word(&licence.purpose).is_some_and(Purpose::lets_propagate)
            })
            .filter(|licence| {
                self.territory
                    .as_ref()
                    .is_none_or(|asked| all_within(&licence.territories(), asked, self.today))
            })
            .collect()
    }

    fn status(
        &self,
        row: CandidateRow,
        own: Papers,
        routes: &[RouteState<'_>],
    ) -> Result<ReleaseStatus, Fault> {
        let propagating = self.propagating(&own.licences);
        let cap: Option<i64> = propagating
            .iter()
            .map(|licence| licence.propagate_max_n)
            .sum();
        let cap = cap.filter(|_| !propagating.is_empty());
        let propagated: i64 = propagating.iter().map(|licence| licence.propagated_n).sum();
        let remaining: Option<i64> = cap.map(|_| {
            propagating
                .iter()
                .map(|l| (l.propagate_max_n.unwrap_or(0) - l.propagated_n).max(0))
                .sum()
        });
        let until = propagating
            .iter()
            .map(|licence| licence.ends_on.map(|on| on.0))
            .max_by_key(|on| on.unwrap_or(Date::MAX))
            .flatten();
        let reason = if row.stage == "withdrawn" {
            "the candidate was withdrawn"
        } else if propagating.is_empty() {
            if own.licences.is_empty() {
                "there is a testing agreement and no licence"
            } else {
                "no licence to propagate is in force there today"
            }
        } else if remaining == Some(0) {
            "the trees licensed are all reported"
        } else {
            ""
        };
        let territories: Vec<Territory> = match &self.territory {
            Some(asked) => asked.clone(),
            None => own
                .licences
                .iter()
                .flat_map(LicenceRow::territories)
                .collect(),
        };
        let name = own.denomination.clone().unwrap_or_else(|| row.code.clone());
        Ok(ReleaseStatus {
            candidate_id: row.id.to_string(),
            denominated: own.denomination.is_some(),
            markings: markings(routes, &territories, &name, self.today)?,
            protected_in: protected_in(routes),
            denomination: name,
            species: row.species,
            stage: row.stage,
            trade_designations: own.trade,
            may_propagate: reason.is_empty(),
            propagate_max_n: cap.map(shown::count),
            propagated_n: shown::count(propagated),
            remaining_n: remaining.map(shown::count),
            until: shown::day(until),
            reason: reason.to_owned(),
            licences: own
                .licences
                .into_iter()
                .map(|licence| PartnerLicence {
                    standing: licence.standing(self.today).to_owned(),
                    licence_id: licence.id.to_string(),
                    number: licence.number,
                    territory: licence.territory,
                    purpose: licence.purpose,
                    exclusive: licence.exclusive,
                    starts_on: licence.starts_on.0.to_string(),
                    ends_on: shown::day(licence.ends_on.map(|on| on.0)),
                    propagate_max_n: licence.propagate_max_n.map(shown::count),
                    propagated_n: shown::count(licence.propagated_n),
                    sublicensing: licence.sublicensing,
                    royalty: licence.royalty.map(|royalty| royalty.0.shown()),
                    reporting: licence.reporting.0.current().map(Terms::shown),
                    comes_to: licence.comes_to,
                })
                .collect(),
            agreements: own
                .agreements
                .into_iter()
                .map(|agreement| PartnerAgreement {
                    standing: agreement.standing(self.today).to_owned(),
                    agreement_id: agreement.id.to_string(),
                    place: agreement.place,
                    country: agreement.country,
                    trees_n: shown::count(agreement.trees_n),
                    starts_on: agreement.starts_on.0.to_string(),
                    ends_on: agreement.ends_on.0.to_string(),
                    on_end: agreement.on_end,
                    may_say: agreement.may_say,
                })
                .collect(),
        })
    }
}

/// What the tag says where a right was filed or granted and reaches into the territories.
pub(super) fn markings(
    routes: &[RouteState<'_>],
    territories: &[Territory],
    denomination: &str,
    today: Date,
) -> Result<Vec<MarkingText>, Fault> {
    let book = Book::embedded();
    let mut markings = Vec::new();
    for state in routes {
        let Some(filing) = state.filing else { continue };
        let route = &state.route;
        let (protection, number) = match route.standing {
            Standing::Granted => (Protection::Granted, &filing.grant_number),
            Standing::Filed => (Protection::Pending, &filing.application_number),
            _ => continue,
        };
        let jurisdiction = book
            .jurisdiction(route.jurisdiction)
            .map_err(|e| rights_fault(&e))?;
        if !territories
            .iter()
            .any(|place| reaches(jurisdiction, place, today))
        {
            continue;
        }
        let marking = book
            .marking(
                route.jurisdiction,
                route.kind,
                protection,
                denomination,
                Some(number),
            )
            .map_err(|e| rights_fault(&e))?;
        markings.push(shown::marking(marking));
    }
    Ok(markings)
}

/// Where a candidate is protected, or was.
fn protected_in(routes: &[RouteState<'_>]) -> Vec<ProtectedIn> {
    routes
        .iter()
        .filter_map(|state| {
            let filing = state.filing?;
            let route = &state.route;
            let (standing, number) = match route.standing {
                Standing::Granted => ("granted", &filing.grant_number),
                Standing::Filed => ("pending", &filing.application_number),
                Standing::Ended => ("ended", &filing.grant_number),
                _ => return None,
            };
            let term = route.report.term.as_ref();
            Some(ProtectedIn {
                jurisdiction: route.jurisdiction.to_owned(),
                kind: route.kind.to_owned(),
                state: standing.to_owned(),
                number: number.clone(),
                expiry_on: route.report.expiry_on.map(|on| on.to_string()),
                law: term.map(|term| term.law.to_owned()).unwrap_or_default(),
                confidence: term.map(|term| word(term.confidence)).unwrap_or_default(),
            })
        })
        .collect()
}

/// A partner's own reports, with the statements that stand.
pub async fn reports(
    _app: &ReleaseApp,
    unit: &mut Unit,
    request: ListPartnerReportsRequest,
) -> Result<PartnerReportList, Fault> {
    let page = Page::parse(request.limit, &request.cursor)?;
    let (items, next_cursor) = reports::page_of(unit, None, &page).await?;
    let programme = unit.programme()?;
    let statements = crate::store::royalties::standing(unit.connection(), programme).await?;
    Ok(PartnerReportList {
        items,
        next_cursor,
        statements: statements.into_iter().map(royalties::told).collect(),
    })
}

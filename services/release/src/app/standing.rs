//! Where a candidate's ways to protection stand, and what a sale would change.

use contract::release::{
    AskWhatIfRequest, CandidateRights, GetCandidateRightsRequest, WhatIfEffect, WhatIfReply,
};
use jiff::civil::Date;
use platform::{Fault, Fields, Unit};
use rights::{Book, CAUTION, CandidateEvent, Effect};

use super::asked::{self, checked, fault_of_new_event, rights_fault};
use super::{due_dates, shown};
use crate::ReleaseApp;
use crate::domain::dossier::word;

/// Every way to protection as of a day.
pub async fn rights(
    app: &ReleaseApp,
    unit: &mut Unit,
    request: GetCandidateRightsRequest,
) -> Result<CandidateRights, Fault> {
    let mut fields = Fields::new();
    let as_of = asked::as_of(&mut fields, &request.as_of, unit.today());
    fields.finish()?;
    let candidate = asked::candidate(unit, &request.candidate_id).await?;
    let (_, dossier) = asked::dossier(unit, candidate.id).await?;
    let routes = dossier.routes(as_of).map_err(|e| rights_fault(&e))?;
    Ok(CandidateRights {
        candidate_id: candidate.id.to_string(),
        as_of: as_of.to_string(),
        routes: routes.iter().map(shown::route).collect(),
        due: due_dates::of_candidate(app, unit, candidate.id, as_of).await?,
        caution: CAUTION.to_owned(),
    })
}

/// What a disclosure or sale would change; nothing is stored.
pub async fn what_if(
    _app: &ReleaseApp,
    unit: &mut Unit,
    request: AskWhatIfRequest,
) -> Result<WhatIfReply, Fault> {
    let today = unit.today();
    let mut fields = Fields::new();
    let kind = asked::disclosure_kind(&mut fields, &request.kind);
    let on = fields.date("on", &request.on);
    let country = asked::country(&mut fields, "country", &request.country);
    if let Some(kind) = kind {
        asked::require_country(&mut fields, kind, &request.country);
    }
    let as_of = asked::as_of(&mut fields, &request.as_of, today);
    fields.finish()?;
    let (kind, on) = (checked(kind, "kind")?, checked(on, "on")?);
    let candidate = asked::candidate(unit, &request.candidate_id).await?;
    let (_, dossier) = asked::dossier(unit, candidate.id).await?;
    let asked_about = CandidateEvent {
        event: kind.word().to_owned(),
        on,
        country: country.map(|code| code.to_string()),
        jurisdiction: None,
        kind: None,
    };
    let changes = Book::embedded()
        .what_if(
            &dossier.events(),
            &dossier.attributes(),
            &asked_about,
            as_of,
        )
        .map_err(|e| fault_of_new_event(&e))?;
    let text = |day: Date| Some(day.to_string());
    Ok(WhatIfReply {
        candidate_id: candidate.id.to_string(),
        as_of: as_of.max(on).to_string(),
        effects: changes
            .into_iter()
            .map(|change| {
                let mut shown = WhatIfEffect {
                    jurisdiction: change.after.jurisdiction.to_owned(),
                    kind: change.after.kind.to_owned(),
                    standing_before: word(change.before.standing),
                    standing_after: word(change.after.standing),
                    reasons: change.after.reasons(),
                    ..WhatIfEffect::default()
                };
                shown.effect = match change.effect {
                    Effect::None => "none",
                    Effect::StartsClock {
                        file_by_nominal,
                        file_by,
                    } => {
                        shown.file_by_nominal = text(file_by_nominal);
                        shown.file_by = text(file_by);
                        "starts_clock"
                    }
                    Effect::Shortens { from, to } => {
                        shown.from = text(from);
                        shown.to = text(to);
                        "shortens"
                    }
                    Effect::Closes => "closes",
                    Effect::MayStartClock { may_close_on } => {
                        shown.may_close_on = text(may_close_on);
                        "may_start_clock"
                    }
                    Effect::Unknown => "unknown",
                }
                .to_owned();
                shown
            })
            .collect(),
        caution: CAUTION.to_owned(),
    })
}

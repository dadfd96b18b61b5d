//! Signed labels: what anyone may ask of a tree's tag, and no more than that.

use contract::release::{IssueLabelRequest, LabelAnswer, SignedLabel, VerifyLabelRequest};
use platform::fields::Words as _;
use platform::{Fault, Fields, Unit};
use qrcode::QrCode;
use qrcode::render::svg;
use rights::{Book, CAUTION, Standing};
use uuid::Uuid;

use super::asked::{self, checked, rights_fault};
use super::{partner, seals};
use crate::ReleaseApp;
use crate::domain::LicenceId;
use crate::domain::denomination::NameState;
use crate::domain::seal::Use;
use crate::domain::territory::{Territory, reaches};
use crate::store::{candidates, denominations, dossiers, licences};

/// Bytes of an id and of a country's code.
const CONTENT_BYTES: usize = 16 + 2;

/// Issues a label under a licence in force.
pub async fn issue(
    _app: &ReleaseApp,
    unit: &mut Unit,
    request: IssueLabelRequest,
) -> Result<SignedLabel, Fault> {
    let mut fields = Fields::new();
    let id: Option<LicenceId> = fields.id("licence_id", &request.licence_id);
    let country = asked::country(&mut fields, "country", &request.country);
    fields.require(!request.country.is_empty(), "country", "is required, as US");
    fields.require(
        request.base_url.is_empty()
            || request.base_url.starts_with("https://")
            || request.base_url.starts_with("http://"),
        "base_url",
        "must begin with https:// or http://",
    );
    fields.finish()?;
    let (id, country) = (checked(id, "licence_id")?, checked(country, "country")?);
    let (programme, today) = (unit.programme()?, unit.today());
    let licence = licences::find(unit.connection(), programme, id)
        .await?
        .ok_or_else(|| Fault::not_found("licence", id))?;
    if licence.standing(today) != "in_force" {
        return Err(Fault::state(
            "labels are issued under a licence in force, and this one is not",
        ));
    }
    let place = Territory::read(country.as_str()).map_err(Fault::state)?;
    if !licence.territories().iter().any(|t| t.meets(&place, today)) {
        return Err(Fault::field(
            "/country",
            format!(
                "{country} lies outside the licence's territory, {}",
                licence.territory.join(", ")
            ),
        ));
    }
    let denomination = published(unit, programme, licence.candidate_id)
        .await?
        .ok_or_else(|| {
            Fault::state("a label names a published denomination, and there is none yet")
        })?;
    let mut content = id.uuid().as_bytes().to_vec();
    content.extend_from_slice(country.as_str().as_bytes());
    let sealed = seals::seal(unit, Use::Label, &content).await?;
    unit.touch("licence", id);
    let (_, dossier) = asked::dossier(unit, licence.candidate_id).await?;
    let routes = dossier.routes(today).map_err(|e| rights_fault(&e))?;
    let url = format!(
        "{}/api/release/v1/labels/{sealed}",
        request.base_url.trim_end_matches('/')
    );
    let qr = QrCode::new(&url).map_err(Fault::internal)?;
    Ok(SignedLabel {
        label_token: sealed,
        qr_svg: qr
            .render::<svg::Color<'_>>()
            .min_dimensions(160, 160)
            .build(),
        url,
        markings: partner::markings(&routes, &[place], &denomination, today)?,
        caution: CAUTION.to_owned(),
    })
}

async fn published(
    unit: &mut Unit,
    programme: platform::ProgrammeId,
    candidate: crate::domain::CandidateId,
) -> Result<Option<String>, Fault> {
    let names = denominations::of_candidates(unit.connection(), programme, &[candidate]).await?;
    Ok(names
        .into_iter()
        .find(|name| name.state == NameState::Published.word())
        .map(|name| name.name))
}

/// Tells what a label may tell. One that was never issued or was tampered with reads the same.
pub async fn verify(
    _app: &ReleaseApp,
    unit: &mut Unit,
    request: VerifyLabelRequest,
) -> Result<LabelAnswer, Fault> {
    let unknown = || Fault::not_found("label", "with this seal");
    let (programme, content) = seals::open(unit, Use::Label, &request.label_token)
        .await?
        .filter(|(_, content)| content.len() == CONTENT_BYTES)
        .ok_or_else(unknown)?;
    let (id, country) = content.split_at(CONTENT_BYTES - 2);
    let id = LicenceId::from_uuid(Uuid::from_slice(id).map_err(|_| unknown())?);
    let country = String::from_utf8(country.to_vec()).map_err(|_| unknown())?;
    let place = Territory::read(&country).map_err(|_| unknown())?;
    let licence = licences::find(unit.connection(), programme, id)
        .await?
        .ok_or_else(unknown)?;
    // From here on the label sees what its licensee sees.
    seals::see(unit, programme, Some(licence.licensee_id)).await?;
    let today = unit.today();
    let candidate = candidates::find(unit.connection(), programme, licence.candidate_id)
        .await?
        .ok_or_else(unknown)?;
    let denomination = published(unit, programme, candidate.id)
        .await?
        .ok_or_else(unknown)?;
    let (_, dossier) = dossiers::dossiers(unit.connection(), programme, Some(&[candidate.id]))
        .await?
        .into_iter()
        .next()
        .ok_or_else(unknown)?;
    let book = Book::embedded();
    let mut protection = "none";
    for state in dossier.routes(today).map_err(|e| rights_fault(&e))? {
        let jurisdiction = book
            .jurisdiction(state.route.jurisdiction)
            .map_err(|e| rights_fault(&e))?;
        if reaches(jurisdiction, &place, today) {
            match state.route.standing {
                Standing::Granted => protection = "granted",
                Standing::Filed if protection == "none" => protection = "pending",
                _ => {}
            }
        }
    }
    let licensed = licence.standing(today) == "in_force"
        && licence.territories().iter().any(|t| t.meets(&place, today));
    Ok(LabelAnswer {
        denomination,
        species: candidate.species,
        country,
        protection: protection.to_owned(),
        licensed_to: licence.licensee_name,
        licensed,
        as_of: today.to_string(),
        caution: CAUTION.to_owned(),
    })
}

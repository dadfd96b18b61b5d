//! Signed labels: what anyone may ask of a tree's tag, and no more than that.

use contract::common::Document;
use contract::release::{
    IssueLabelRequest, LabelAnswer, MarkingText, PrintTagsRequest, SignedLabel, VerifyLabelRequest,
};
use paper::PageSize;
use platform::compute::Work;
use platform::fields::Words as _;
use platform::{Fault, Fields, ProgrammeId, Unit};
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
use crate::domain::tags::{Tag, print as print_tags};
use crate::domain::territory::{Territory, reaches};
use crate::store::licences::LicenceRow;
use crate::store::{candidates, denominations, dossiers, licences};

/// Bytes of an id and of a country's code.
const CONTENT_BYTES: usize = 16 + 2;

/// Most tags in one document.
const TAGS_MAX: u32 = 10_000;

/// What a label names.
struct Named {
    programme: ProgrammeId,
    licence: LicenceId,
    country: String,
}

/// Opens a label; one that was never issued or was tampered with reads the same. From then on the
/// unit sees what its programme's staff sees.
async fn opened(unit: &mut Unit, token: &str) -> Result<Option<Named>, Fault> {
    Ok(seals::open(unit, Use::Label, token)
        .await?
        .filter(|(_, content)| content.len() == CONTENT_BYTES)
        .and_then(|(programme, content)| {
            let (id, country) = content.split_at(CONTENT_BYTES - 2);
            Some(Named {
                programme,
                licence: LicenceId::from_uuid(Uuid::from_slice(id).ok()?),
                country: String::from_utf8(country.to_vec()).ok()?,
            })
        }))
}

fn unknown() -> Fault {
    Fault::not_found("label", "with this seal")
}

/// The page of a label. The installation alone says at which address: a seal of ours on a code that
/// led elsewhere would vouch for whatever stands there.
fn page_url(app: &ReleaseApp, token: &str) -> Result<String, Fault> {
    let own = app.settings.public_url.as_deref().ok_or_else(|| {
        Fault::state(
            "a code must say where its page is, and this installation does not know its own address; have DRUPELINE_PUBLIC_URL set, as https://example.org",
        )
    })?;
    Ok(format!("{}/labels/{token}", own.trim_end_matches('/')))
}

/// What the tag says of rights in a country.
async fn markings(
    unit: &mut Unit,
    licence: &LicenceRow,
    place: Territory,
    denomination: &str,
) -> Result<Vec<MarkingText>, Fault> {
    let today = unit.today();
    let (_, dossier) = asked::dossier(unit, licence.candidate_id).await?;
    let routes = dossier.routes(today).map_err(|e| rights_fault(&e))?;
    partner::markings(&routes, &[place], denomination, today)
}

fn must_be_in_force(licence: &LicenceRow, on: jiff::civil::Date) -> Result<(), Fault> {
    if licence.standing(on) == "in_force" {
        Ok(())
    } else {
        Err(Fault::state(
            "labels are issued under a licence in force, and this one is not",
        ))
    }
}

/// Issues a label under a licence in force.
pub async fn issue(
    app: &ReleaseApp,
    unit: &mut Unit,
    request: IssueLabelRequest,
) -> Result<SignedLabel, Fault> {
    let mut fields = Fields::new();
    let id: Option<LicenceId> = fields.id("licence_id", &request.licence_id);
    let country = asked::country(&mut fields, "country", &request.country);
    fields.require(!request.country.is_empty(), "country", "is required, as US");
    fields.finish()?;
    let (id, country) = (checked(id, "licence_id")?, checked(country, "country")?);
    let (programme, today) = (unit.programme()?, unit.today());
    let licence = licences::find(unit.connection(), programme, id)
        .await?
        .ok_or_else(|| Fault::not_found("licence", id))?;
    must_be_in_force(&licence, today)?;
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
    let url = page_url(app, &sealed)?;
    let qr = QrCode::new(&url).map_err(Fault::internal)?;
    Ok(SignedLabel {
        label_token: sealed,
        qr_svg: qr
            .render::<svg::Color<'_>>()
            .min_dimensions(160, 160)
            .build(),
        url,
        markings: markings(unit, &licence, place, &denomination).await?,
        caution: CAUTION.to_owned(),
    })
}

/// Tags of a label as PDF, for whoever may see its licence.
pub async fn print(
    app: &ReleaseApp,
    unit: &mut Unit,
    request: PrintTagsRequest,
) -> Result<Work<Document>, Fault> {
    let mut fields = Fields::new();
    let tags_n = match request.tags_n {
        0 => 1,
        n => fields.count("tags_n", n, 1, TAGS_MAX),
    };
    let size = if request.size.is_empty() {
        Some(crate::domain::tags::SIZE)
    } else {
        PageSize::parse(&request.size)
    };
    let size = size.filter(|size| {
        size.width_mm >= crate::domain::tags::LEAST_WIDTH_MM
            && size.height_mm >= crate::domain::tags::LEAST_HEIGHT_MM
    });
    fields.require(
        size.is_some(),
        "size",
        "must be a size in millimetres of at least 60x25, as 90x40",
    );
    fields.finish()?;
    let size = checked(size, "size")?;
    let (own_programme, partner, today) =
        (unit.programme()?, unit.caller().partner(), unit.today());
    let named = opened(unit, &request.label_token)
        .await?
        .filter(|named| named.programme == own_programme)
        .ok_or_else(unknown)?;
    // Back to what the caller sees: another's label reads as one that was never issued.
    seals::see(unit, own_programme, partner).await?;
    let licence = licences::find(unit.connection(), own_programme, named.licence)
        .await?
        .ok_or_else(unknown)?;
    must_be_in_force(&licence, today)?;
    let denomination = published(unit, own_programme, licence.candidate_id)
        .await?
        .ok_or_else(unknown)?;
    let species = candidates::find(unit.connection(), own_programme, licence.candidate_id)
        .await?
        .map(|candidate| candidate.species)
        .unwrap_or_default();
    let place = Territory::read(&named.country).map_err(|_| unknown())?;
    let markings = markings(unit, &licence, place, &denomination).await?;
    let tag = Tag {
        denomination,
        species,
        markings: markings
            .into_iter()
            .map(|marking| marking.text)
            .filter(|text| !text.is_empty())
            .collect(),
        licensee: licence.licensee_name,
        url: page_url(app, &request.label_token)?,
    };
    Ok(Work::new(move |_| {
        Ok(Document {
            content_type: "application/pdf".to_owned(),
            file_name: "tags.pdf".to_owned(),
            content: print_tags(size, &tag, tags_n).map_err(Fault::internal)?,
        })
    }))
}

async fn published(
    unit: &mut Unit,
    programme: ProgrammeId,
    candidate: crate::domain::CandidateId,
) -> Result<Option<String>, Fault> {
    let names = denominations::of_candidates(unit.connection(), programme, &[candidate]).await?;
    Ok(names
        .into_iter()
        .find(|name| name.state == NameState::Published.word())
        .map(|name| name.name))
}

/// Tells what a label may tell, of its own country or of another that is asked about.
pub async fn verify(
    _app: &ReleaseApp,
    unit: &mut Unit,
    request: VerifyLabelRequest,
) -> Result<LabelAnswer, Fault> {
    let Named {
        programme,
        licence: id,
        country,
    } = opened(unit, &request.label_token)
        .await?
        .ok_or_else(unknown)?;
    let licence = licences::find(unit.connection(), programme, id)
        .await?
        .ok_or_else(unknown)?;
    // Only now that the label is known to be ours: an unknown one reads the same whatever is asked.
    let mut fields = Fields::new();
    let asked = asked::country(&mut fields, "country", &request.country);
    fields.finish()?;
    let country = asked.map_or(country, |asked| asked.as_str().to_owned());
    let place = Territory::read(&country).map_err(|_| unknown())?;
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

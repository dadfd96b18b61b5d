//! The trait library.

use contract::evaluation::{
    AddStandardTraitsRequest, DefineTraitRequest, GetTraitRequest, ListTraitsRequest,
    NumberTraitRequest, TraitDefinition, TraitList, TraitState, UpovCharacteristic,
};
use platform::fields::Words as _;
use platform::{Fault, Fields, ProgrammeId, Unit};

use crate::EvaluationApp;
use crate::domain::traits::{Better, Characteristic, Computed, State, Trait, faults};
use crate::store;

/// Defines a trait of the programme's own.
///
/// # Errors
/// Invalid fields; a code that is taken.
pub async fn define(
    _app: &EvaluationApp,
    unit: &mut Unit,
    request: DefineTraitRequest,
) -> Result<TraitDefinition, Fault> {
    let programme = unit.programme()?;
    let library = store::traits::library_kept(unit.connection(), programme).await?;
    let mut fields = Fields::new();
    let code = fields.text("code", &request.code, 60).to_owned();
    let name = fields.text("name", &request.name, 120).to_owned();
    let scale = fields.word("scale", &request.scale);
    let better: Option<Better> = fields.optional_word("better", &request.better);
    let how = fields.optional_word("computed", &request.computed);
    let computed = match (how, request.of.as_slice()) {
        (None, []) => None,
        (None, _) => {
            fields.fault("computed", "is required with `of`: difference or ratio");
            None
        }
        (Some(how), [first, second]) => {
            for (place, part) in request.of.iter().enumerate() {
                let numeric = library.iter().any(|t| {
                    t.code == *part
                        && t.computed.is_none()
                        && t.scale != crate::domain::traits::Scale::Nominal
                });
                fields.require(
                    numeric,
                    &format!("of/{place}"),
                    format!("{part:?} is not a recorded trait with numbers"),
                );
            }
            Some(Computed {
                how,
                first: first.clone(),
                second: second.clone(),
            })
        }
        (Some(_), _) => {
            fields.fault("of", "name the two traits it is made of");
            None
        }
    };
    let Some(scale) = scale else {
        fields.finish()?;
        return Err(Fault::field("/scale", "is required"));
    };
    let defined = Trait {
        code,
        name,
        method: request.method.trim().to_owned(),
        scale,
        unit: request.unit.trim().to_owned(),
        least: request.min,
        largest: request.max,
        states: request
            .states
            .iter()
            .map(|s| State {
                note: s.note,
                name: s.name.trim().to_owned(),
            })
            .collect(),
        source: request.source.trim().to_owned(),
        better: better.unwrap_or_default(),
        computed,
        standard: false,
        upov: characteristics(&mut fields, &request.upov),
    };
    if !defined.code.is_empty() {
        for (field, message) in faults(&defined) {
            fields.fault(field, message);
        }
    }
    for (field, text) in [
        ("method", &defined.method),
        ("source", &defined.source),
        ("unit", &defined.unit),
    ] {
        fields.require(
            text.chars().count() <= 500,
            field,
            "is longer than 500 characters; shorten it",
        );
    }
    fields.finish()?;
    if !store::traits::insert(unit.connection(), programme, &defined).await? {
        return Err(Fault::exists(
            "/code",
            format!("there is a trait {} already", defined.code),
        ));
    }
    unit.touch("trait", &defined.code);
    Ok(message(defined))
}

/// Characteristics of test guidelines, with their faults noted.
fn characteristics(fields: &mut Fields, sent: &[UpovCharacteristic]) -> Vec<Characteristic> {
    let mut read: Vec<Characteristic> = Vec::with_capacity(sent.len());
    for (place, upov) in sent.iter().enumerate() {
        let guideline = upov.guideline.trim();
        let field = format!("upov/{place}/guideline");
        fields.require(
            Characteristic::is_guideline(guideline),
            &field,
            format!("{guideline:?} is no test guideline; write it as TG/53/7"),
        );
        fields.require(
            read.iter().all(|earlier| earlier.guideline != guideline),
            &field,
            format!("{guideline} stands twice; a trait serves one characteristic of a document"),
        );
        fields.count(&format!("upov/{place}/number"), upov.number, 1, 500);
        for (name, text) in [("species", &upov.species), ("source", &upov.source)] {
            fields.require(
                text.chars().count() <= 200,
                &format!("upov/{place}/{name}"),
                "is longer than 200 characters; shorten it",
            );
        }
        read.push(Characteristic {
            guideline: guideline.to_owned(),
            number: upov.number,
            species: upov.species.trim().to_owned(),
            source: upov.source.trim().to_owned(),
        });
    }
    read
}

/// Says which characteristics of test guidelines a trait serves.
///
/// # Errors
/// Invalid fields; not found.
pub async fn number(
    app: &EvaluationApp,
    unit: &mut Unit,
    request: NumberTraitRequest,
) -> Result<TraitDefinition, Fault> {
    let programme = unit.programme()?;
    let mut fields = Fields::new();
    let upov = characteristics(&mut fields, &request.upov);
    fields.finish()?;
    store::traits::library_kept(unit.connection(), programme).await?;
    if !store::traits::put_upov(unit.connection(), programme, &request.code, &upov).await? {
        return Err(Fault::not_found("trait", request.code));
    }
    unit.touch("trait", &request.code);
    get(app, unit, GetTraitRequest { code: request.code }).await
}

/// Adds the standard set.
///
/// # Errors
/// When the database refuses.
pub async fn add_standard(
    _app: &EvaluationApp,
    unit: &mut Unit,
    _request: AddStandardTraitsRequest,
) -> Result<TraitList, Fault> {
    let programme = unit.programme()?;
    store::traits::add_standard(unit.connection(), programme).await?;
    unit.touch("traits", "standard");
    let library = store::traits::all(unit.connection(), programme).await?;
    Ok(TraitList {
        items: library.into_iter().map(message).collect(),
    })
}

/// Lists the library.
///
/// # Errors
/// When the database refuses.
pub async fn list(
    _app: &EvaluationApp,
    unit: &mut Unit,
    _request: ListTraitsRequest,
) -> Result<TraitList, Fault> {
    let programme = unit.programme()?;
    let library = store::traits::library(unit.connection(), programme).await?;
    Ok(TraitList {
        items: library.into_iter().map(message).collect(),
    })
}

/// One trait.
///
/// # Errors
/// Not found.
pub async fn get(
    _app: &EvaluationApp,
    unit: &mut Unit,
    request: GetTraitRequest,
) -> Result<TraitDefinition, Fault> {
    let programme = unit.programme()?;
    store::traits::get(unit.connection(), programme, &request.code)
        .await?
        .map(message)
        .ok_or_else(|| Fault::not_found("trait", request.code))
}

/// A trait that a request asks figures of.
///
/// # Errors
/// A code that is missing or unknown, at `/trait`.
pub(super) async fn asked(
    unit: &mut Unit,
    programme: ProgrammeId,
    pointer: &str,
    code: &str,
) -> Result<Trait, Fault> {
    if code.is_empty() {
        return Err(Fault::field(
            pointer,
            "is required: a trait's code, as brix",
        ));
    }
    store::traits::get(unit.connection(), programme, code)
        .await?
        .ok_or_else(|| {
            Fault::field(
                pointer,
                format!("no trait {code:?} is known; see GET /traits"),
            )
        })
}

fn message(defined: Trait) -> TraitDefinition {
    let (computed, of) = match defined.computed {
        Some(c) => (c.how.word().to_owned(), vec![c.first, c.second]),
        None => Default::default(),
    };
    TraitDefinition {
        code: defined.code,
        name: defined.name,
        method: defined.method,
        scale: defined.scale.word().to_owned(),
        unit: defined.unit,
        min: defined.least,
        max: defined.largest,
        states: defined
            .states
            .into_iter()
            .map(|s| TraitState {
                note: s.note,
                name: s.name,
            })
            .collect(),
        source: defined.source,
        better: defined.better.word().to_owned(),
        computed,
        of,
        standard: defined.standard,
        upov: defined
            .upov
            .into_iter()
            .map(|u| UpovCharacteristic {
                guideline: u.guideline,
                number: u.number,
                species: u.species,
                source: u.source,
            })
            .collect(),
    }
}

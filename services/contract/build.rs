//! Compiles `proto/` without a system compiler and gives every message its JSON and schema form,
//! so that REST and gRPC speak of one set of types.

#[path = "build/secrets.rs"]
mod secrets;
#[path = "build/shapes.rs"]
mod shapes;

use std::path::{Path, PathBuf};

use prost::Message as _;

/// Messages whose JSON form is the bare list they hold, as in a matrix of rows.
const BARE_LISTS: &[&str] = &["drupeline.common.v1.Numbers"];

/// Fields that take a number, a text or a truth value in JSON and carry it as text.
const SCALARS: &[&str] = &[
    "drupeline.evaluation.v1.RecordBatchRow.value",
    "drupeline.release.v1.RoyaltyTerms.amount",
    "drupeline.release.v1.RoyaltyTerms.minimum",
    "drupeline.release.v1.RoyaltyTerms.yearly_increase_percent",
    "drupeline.release.v1.RoyaltyStep.above",
    "drupeline.release.v1.RoyaltyStep.amount",
    "drupeline.release.v1.ReportPropagationRequest.hectares",
    "drupeline.release.v1.ReportPropagationRequest.kilograms",
    "drupeline.release.v1.RecordInspectionRequest.tolerance_percent",
    "drupeline.crossing.v1.PlanCrossRequest.season",
    "drupeline.crossing.v1.AdviseCrossRequest.season",
    "drupeline.crossing.v1.PrintLabelsRequest.season",
    "drupeline.crossing.v1.PlanPollinizerTrialRequest.season",
    "drupeline.crossing.v1.AdvisePairsRequest.season",
    "drupeline.crossing.v1.PlanSeasonRequest.season",
];

/// Maps whose values take a number, a text or a truth value in JSON and carry it as text.
const SCALAR_MAPS: &[&str] = &[
    "drupeline.crossing.v1.RegisterGermplasmRequest.traits",
    "drupeline.crossing.v1.RegisterGermplasmRequest.loci",
    "drupeline.crossing.v1.EditGermplasmRequest.traits",
    "drupeline.crossing.v1.EditGermplasmRequest.loci",
    "drupeline.release.v1.AskClockRequest.attributes",
];

/// Lists of texts that may also be given as one text, the items apart by commas.
const TEXT_LISTS: &[&str] = &[
    "drupeline.release.v1.GrantLicenceRequest.territory",
    "drupeline.release.v1.AmendLicenceRequest.territory",
];

/// Messages that hold themselves, whose schema must be a reference.
const RECURSIVE: &[&str] = &["drupeline.crossing.v1.PedigreeNode.parents"];

fn main() -> Result<(), Box<dyn std::error::Error>> {
    // Asked when it runs: a build folder may have been copied from elsewhere.
    let here = std::env::var_os("CARGO_MANIFEST_DIR").ok_or("cargo says where the package is")?;
    let root = Path::new(&here).join("../../proto");
    println!("cargo:rerun-if-changed={}", root.display());
    let files = proto_files(&root)?;
    let descriptors = protox::compile(&files, [&root])?;
    let out = PathBuf::from(std::env::var("OUT_DIR")?);
    std::fs::write(out.join("descriptors.bin"), descriptors.encode_to_vec())?;

    let mut build = tonic_prost_build::configure()
        .btree_map(".")
        .message_attribute(
            ".",
            "#[derive(serde::Serialize, serde::Deserialize, utoipa::ToSchema)]",
        );
    let asked = shapes::asked(&descriptors);
    std::fs::write(
        out.join("shapes.rs"),
        shapes::generate(&descriptors, &asked, BARE_LISTS),
    )?;
    for name in message_names(&descriptors) {
        let attribute = if BARE_LISTS.contains(&name.as_str()) {
            "#[serde(transparent)]"
        } else if asked.contains(&name) {
            // The second lock; the first names every unknown field, with the nearest known one.
            "#[serde(default, deny_unknown_fields)]"
        } else {
            "#[serde(default)]"
        };
        build = build.message_attribute(name, attribute);
    }
    for field in SCALARS {
        build = build.field_attribute(
            field,
            "#[serde(deserialize_with = \"crate::lenient::scalar\")]",
        );
    }
    for field in SCALAR_MAPS {
        build = build.field_attribute(
            field,
            "#[serde(deserialize_with = \"crate::lenient::scalar_map\")]",
        );
    }
    for field in TEXT_LISTS {
        build = build.field_attribute(
            field,
            "#[serde(deserialize_with = \"crate::lenient::text_list\")]",
        );
    }
    for field in RECURSIVE {
        build = build.field_attribute(field, "#[schema(no_recursion)]");
    }
    std::fs::write(out.join("secrets.rs"), secrets::generate(&descriptors)?)?;
    build.compile_fds(descriptors)?;
    Ok(())
}

fn proto_files(folder: &Path) -> std::io::Result<Vec<PathBuf>> {
    let mut found = Vec::new();
    for entry in std::fs::read_dir(folder)? {
        let path = entry?.path();
        if path.is_dir() {
            found.extend(proto_files(&path)?);
        } else if path.extension().is_some_and(|e| e == "proto") {
            println!("cargo:rerun-if-changed={}", path.display());
            found.push(path);
        }
    }
    found.sort();
    Ok(found)
}

fn message_names(set: &tonic_prost_build::FileDescriptorSet) -> Vec<String> {
    set.file
        .iter()
        .filter(|file| file.package().starts_with("drupeline."))
        .flat_map(|file| {
            file.message_type
                .iter()
                .map(|message| format!("{}.{}", file.package(), message.name()))
        })
        .collect()
}

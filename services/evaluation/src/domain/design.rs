//! From what is asked to a design that can be randomised.

use biometry::designs::{Design, DesignError, Field, TrialPlan};
use platform::FieldError;

/// A design as it is asked for; 0 stands for a number left open.
#[derive(Debug, Clone)]
pub struct Asked<'a> {
    /// The design's word.
    pub design: &'a str,
    /// Entries under test.
    pub entries: Vec<String>,
    /// Checks.
    pub checks: Vec<String>,
    /// Complete replicates, or blocks.
    pub replicates: u32,
    /// Plots in an incomplete block, or one plot in so many a check.
    pub block_size: u32,
    /// Entries of a partially replicated design that are replicated.
    pub replicated_n: u32,
    /// Rows of the ground.
    pub rows: u32,
    /// Trees in a row.
    pub columns: u32,
    /// Seed.
    pub seed: u64,
}

/// Words of the designs.
pub const DESIGNS: &str = "rcbd, alpha, augmented, row_column, p_rep, unreplicated";

/// The word of a design.
pub fn word(design: &Design) -> &'static str {
    match design {
        Design::Rcbd { .. } => "rcbd",
        Design::Alpha { .. } => "alpha",
        Design::RowColumn { .. } => "row_column",
        Design::Augmented { .. } => "augmented",
        Design::PRep { .. } => "p_rep",
        Design::Unreplicated { .. } => "unreplicated",
    }
}

/// Most plots of a trial at one site.
pub const PLOTS: usize = 200_000;
/// Most complete replicates, or blocks that hold all checks.
const REPLICATES: u32 = 1_000;
/// Most entries whose pairs are balanced over incomplete blocks, and most such blocks: what must be
/// weighed grows with their cubes.
const BALANCED: usize = 2_000;

/// Numbers beyond what any ground holds, told field by field.
fn beyond(asked: &Asked<'_>) -> Vec<FieldError> {
    let plots = u32::try_from(PLOTS).unwrap_or(u32::MAX);
    let mut errors: Vec<FieldError> = [
        ("/replicates", asked.replicates, REPLICATES),
        ("/block_size", asked.block_size, plots),
        ("/replicated_n", asked.replicated_n, plots),
        ("/rows", asked.rows, plots),
        ("/columns", asked.columns, plots),
    ]
    .into_iter()
    .filter(|(_, n, most)| n > most)
    .map(|(pointer, n, most)| FieldError::new(pointer, format!("{n} is more than {most}")))
    .collect();
    if matches!(asked.design, "alpha" | "row_column") && errors.is_empty() {
        let entries = asked.entries.len() + asked.checks.len();
        if entries > BALANCED {
            errors.push(FieldError::new(
                "/entries",
                format!(
                    "{entries} entries are more than the {BALANCED} whose pairs can be balanced; choose augmented or p_rep, or lay out several trials"
                ),
            ));
        }
        let size = match asked.block_size as usize {
            0 => entries.isqrt().max(1),
            size => size,
        };
        let blocks = entries.div_ceil(size) * asked.replicates as usize;
        if blocks > BALANCED {
            errors.push(FieldError::new(
                "/block_size",
                format!(
                    "{blocks} incomplete blocks are more than {BALANCED}; ask for larger ones or fewer replicates"
                ),
            ));
        }
    }
    errors
}

/// The plan of a trial at one site.
///
/// # Errors
/// The faults by field.
pub fn plan(asked: Asked<'_>) -> Result<TrialPlan, Vec<FieldError>> {
    let mut errors = beyond(&asked);
    let mut fault = |pointer: &str, message: String| errors.push(FieldError::new(pointer, message));
    let some = |n: u32| (n > 0).then_some(n as usize);
    let replicates = asked.replicates as usize;
    let design = match asked.design {
        "rcbd" => Some(Design::Rcbd { replicates }),
        "alpha" => Some(Design::Alpha {
            replicates,
            block_size: some(asked.block_size),
        }),
        "row_column" => Some(Design::RowColumn {
            replicates,
            block_size: some(asked.block_size),
        }),
        "augmented" => Some(Design::Augmented { blocks: replicates }),
        "p_rep" => Some(Design::PRep {
            blocks: replicates,
            replicated_n: some(asked.replicated_n),
        }),
        "unreplicated" => Some(Design::Unreplicated {
            replicates: some(asked.replicates),
            check_every: some(asked.block_size),
        }),
        "" => {
            fault("/design", format!("is required; one of {DESIGNS}"));
            None
        }
        other => {
            fault(
                "/design",
                format!("{other:?} is not known; one of {DESIGNS}"),
            );
            None
        }
    };
    if asked.design != "unreplicated" && design.is_some() && asked.replicates == 0 {
        let what = match asked.design {
            "augmented" | "p_rep" => "blocks",
            _ => "complete replicates",
        };
        fault(
            "/replicates",
            format!(
                "is required for {}: the number of {what}, 2 or more",
                asked.design
            ),
        );
    }
    let plots = (asked.entries.len() + asked.checks.len()) * replicates.max(1);
    if plots > PLOTS {
        fault(
            "/replicates",
            format!("{plots} trees at one site are more than {PLOTS}; lay out several trials"),
        );
    }
    let field = match (some(asked.rows), some(asked.columns)) {
        (Some(rows), Some(columns)) => Some(Field { rows, columns }),
        (None, None) => None,
        (None, Some(_)) => {
            fault("/rows", "is needed together with columns".to_owned());
            None
        }
        (Some(_), None) => {
            fault("/columns", "is needed together with rows".to_owned());
            None
        }
    };
    match design {
        Some(design) if errors.is_empty() => Ok(TrialPlan {
            design,
            entries: asked.entries,
            checks: asked.checks,
            field,
            seed: asked.seed,
        }),
        _ => Err(errors),
    }
}

/// The field of the request that stands in the way of a design.
pub fn fault(error: &DesignError) -> FieldError {
    let pointer = match error {
        DesignError::TooFewEntries(_)
        | DesignError::DuplicateEntry(_)
        | DesignError::UnnamedEntry => "/entries",
        DesignError::CannotMake { field, .. } => match *field {
            "replicates" => "/replicates",
            "block_size" => "/block_size",
            "checks" => "/checks",
            "replicated_n" => "/replicated_n",
            "field" => "/rows",
            _ => "/entries",
        },
        DesignError::FieldTooSmall { .. } => "/rows",
    };
    FieldError::new(pointer, error.to_string())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn asked(design: &str) -> Asked<'_> {
        Asked {
            design,
            entries: (1..=12).map(|n| format!("e{n}")).collect(),
            checks: vec!["check".into()],
            replicates: 2,
            block_size: 0,
            replicated_n: 0,
            rows: 0,
            columns: 0,
            seed: 1,
        }
    }

    #[test]
    fn an_unknown_design_and_a_lone_side_are_told_together() {
        let errors = plan(Asked {
            rows: 3,
            ..asked("square")
        })
        .unwrap_err();
        let pointers: Vec<&str> = errors.iter().map(|e| e.pointer.as_str()).collect();
        assert_eq!(pointers, ["/design", "/columns"]);
    }

    #[test]
    fn numbers_that_no_ground_holds_are_refused_by_field() {
        let pointers = |asked: Asked<'_>| -> Vec<String> {
            let errors = plan(asked).unwrap_err();
            errors.into_iter().map(|e| e.pointer).collect()
        };
        let huge = Asked {
            block_size: 4_000_000_000,
            replicated_n: 4_000_000_000,
            rows: 4_000_000_000,
            columns: 4_000_000_000,
            replicates: 4_000_000_000,
            ..asked("unreplicated")
        };
        assert_eq!(
            pointers(huge)[..5],
            [
                "/replicates",
                "/block_size",
                "/replicated_n",
                "/rows",
                "/columns"
            ]
        );
        let many = |n: usize| (0..n).map(|n| format!("e{n}")).collect::<Vec<_>>();
        for design in ["alpha", "row_column"] {
            let entries = Asked {
                entries: many(20_000),
                ..asked(design)
            };
            assert_eq!(pointers(entries), ["/entries"]);
            let blocks = Asked {
                entries: many(1_900),
                block_size: 2,
                replicates: 10,
                ..asked(design)
            };
            assert_eq!(pointers(blocks), ["/block_size"]);
        }
    }

    #[test]
    fn a_design_that_cannot_be_made_names_the_nearest() {
        let plan = plan(Asked {
            block_size: 11,
            ..asked("alpha")
        })
        .unwrap();
        let error = biometry::designs::lay_out(&plan).unwrap_err();
        let fault = fault(&error);
        assert_eq!(fault.pointer, "/block_size");
        assert!(fault.message.contains("nearest"), "{}", fault.message);
    }

    #[test]
    fn every_word_makes_its_own_design() {
        for name in DESIGNS.split(", ") {
            let replicates = if name == "unreplicated" { 1 } else { 2 };
            let plan = plan(Asked {
                replicates,
                block_size: if name == "unreplicated" { 5 } else { 0 },
                ..asked(name)
            })
            .unwrap();
            assert_eq!(word(&plan.design), name);
        }
    }
}

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

/// The plan of a trial at one site.
///
/// # Errors
/// The faults by field.
pub fn plan(asked: Asked<'_>) -> Result<TrialPlan, Vec<FieldError>> {
    let mut errors = Vec::new();
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

//! Selection: how strong, what it brings, by which index, and how sure the choice is.
//!
//! Intensities and the breeder's equation are in [`intensity`], selection indices in [`index`],
//! choosing among ranked candidates with their uncertainty in [`advance`], what that choice is
//! expected to bring in [`response`], several stages under
//! places and money in [`stages`], and the balance of gain and coancestry in [`contributions`].

pub mod advance;
pub mod contributions;
pub mod index;
pub mod intensity;
pub mod response;
pub mod stages;

/// Why a question of selection was refused.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum SelectionError {
    /// A number outside its range.
    #[error("{field}: {value} is out of range; it must be {must_be}")]
    OutOfRange {
        /// Field.
        field: String,
        /// The value.
        value: f64,
        /// What would be accepted.
        must_be: &'static str,
    },
    /// Lists or matrices of unlike size.
    #[error("{field}: {found} numbers where {expected} are needed; give one for each {each}")]
    WrongSize {
        /// Field.
        field: String,
        /// Numbers found.
        found: usize,
        /// Numbers needed.
        expected: usize,
        /// What each number belongs to.
        each: &'static str,
    },
    /// A covariance matrix that is not one.
    #[error("{matrix}: not a covariance matrix ({reason}); estimate it from more data or bend it")]
    NotCovariance {
        /// Which matrix.
        matrix: &'static str,
        /// What is wrong.
        reason: String,
    },
    /// An optimiser that came to no answer.
    #[error("no optimum was found ({0}); check that the numbers are of like size")]
    NotSolved(String),
    /// More wanted than there is.
    #[error("{field}: {wanted} asked of {available}; ask for at most {available}")]
    TooMany {
        /// Field.
        field: &'static str,
        /// Wanted.
        wanted: usize,
        /// Available.
        available: usize,
    },
}

pub(crate) fn in_range(
    field: &str,
    value: f64,
    accepted: bool,
    must_be: &'static str,
) -> Result<(), SelectionError> {
    if value.is_finite() && accepted {
        Ok(())
    } else {
        Err(SelectionError::OutOfRange {
            field: field.to_owned(),
            value,
            must_be,
        })
    }
}

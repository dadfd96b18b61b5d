use std::fmt;
use std::str::FromStr;

use serde::{Deserialize, Serialize};

/// An exact share of a whole, 0 to 1, such as 3/16.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(try_from = "String", into = "String")]
pub struct Share {
    numerator: u128,
    denominator: u128,
}

/// Why a number is not a usable share.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum ShareError {
    /// Not a fraction or a whole number.
    #[error("`{0}` is not a share; write a fraction such as 3/16")]
    NotAFraction(String),
    /// Below 0 or above 1, or a zero denominator.
    #[error("a share of {0} is not between 0 and 1")]
    OutOfRange(String),
    /// Too many factors to be held exactly.
    #[error("the share is too fine to be held exactly; ask for fewer loci at once")]
    TooFine,
}

impl Share {
    /// Nothing.
    pub const ZERO: Self = Self {
        numerator: 0,
        denominator: 1,
    };
    /// The whole.
    pub const ONE: Self = Self {
        numerator: 1,
        denominator: 1,
    };
    /// One half.
    pub const HALF: Self = Self {
        numerator: 1,
        denominator: 2,
    };

    /// `numerator / denominator` in lowest terms.
    ///
    /// # Errors
    /// The denominator is 0 or the share is above 1.
    pub fn new(numerator: u128, denominator: u128) -> Result<Self, ShareError> {
        if denominator == 0 || numerator > denominator {
            return Err(ShareError::OutOfRange(format!("{numerator}/{denominator}")));
        }
        Ok(Self::reduced(numerator, denominator))
    }

    /// The given number to six decimal places, as recombination fractions are published.
    ///
    /// # Errors
    /// Not between 0 and 1.
    pub fn from_decimal(value: f64) -> Result<Self, ShareError> {
        if !(0.0..=1.0).contains(&value) {
            return Err(ShareError::OutOfRange(value.to_string()));
        }
        Ok(Self::reduced((value * 1e6).round() as u128, 1_000_000))
    }

    fn reduced(numerator: u128, denominator: u128) -> Self {
        let divisor = greatest_common_divisor(numerator, denominator);
        Self {
            numerator: numerator / divisor,
            denominator: denominator / divisor,
        }
    }

    /// The share as a floating-point number.
    pub fn value(self) -> f64 {
        self.numerator as f64 / self.denominator as f64
    }

    /// Whether this is nothing.
    pub fn is_zero(self) -> bool {
        self.numerator == 0
    }

    /// Numerator in lowest terms.
    pub fn numerator(self) -> u128 {
        self.numerator
    }

    /// Denominator in lowest terms.
    pub fn denominator(self) -> u128 {
        self.denominator
    }

    /// The rest of the whole.
    pub fn complement(self) -> Self {
        Self {
            numerator: self.denominator - self.numerator,
            denominator: self.denominator,
        }
    }

    /// The share of a share.
    ///
    /// # Errors
    /// The product is too fine to be held.
    pub fn times(self, other: Self) -> Result<Self, ShareError> {
        // Cancelling first keeps products of long chains within reach.
        let left = Self::reduced(self.numerator, other.denominator);
        let right = Self::reduced(other.numerator, self.denominator);
        let numerator = left.numerator.checked_mul(right.numerator);
        let denominator = left.denominator.checked_mul(right.denominator);
        match (numerator, denominator) {
            (Some(numerator), Some(denominator)) => Ok(Self {
                numerator,
                denominator,
            }),
            _ => Err(ShareError::TooFine),
        }
    }

    /// Both shares together.
    ///
    /// # Errors
    /// The sum is above 1 or too fine to be held.
    pub fn plus(self, other: Self) -> Result<Self, ShareError> {
        let divisor = greatest_common_divisor(self.denominator, other.denominator);
        let scale = other.denominator / divisor;
        let sum = || {
            let denominator = self.denominator.checked_mul(scale)?;
            let left = self.numerator.checked_mul(scale)?;
            let right = other.numerator.checked_mul(self.denominator / divisor)?;
            Some((left.checked_add(right)?, denominator))
        };
        let (numerator, denominator) = sum().ok_or(ShareError::TooFine)?;
        Self::new(numerator, denominator)
    }

    /// How large this share is of `whole`; `None` when the whole is nothing or smaller.
    pub fn out_of(self, whole: Self) -> Option<Self> {
        let numerator = self.numerator.checked_mul(whole.denominator)?;
        let denominator = self.denominator.checked_mul(whole.numerator)?;
        Self::new(numerator, denominator).ok()
    }
}

fn greatest_common_divisor(mut a: u128, mut b: u128) -> u128 {
    while b != 0 {
        (a, b) = (b, a % b);
    }
    a.max(1)
}

impl fmt::Display for Share {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.denominator {
            1 => write!(f, "{}", self.numerator),
            _ => write!(f, "{}/{}", self.numerator, self.denominator),
        }
    }
}

impl FromStr for Share {
    type Err = ShareError;

    fn from_str(text: &str) -> Result<Self, ShareError> {
        let (numerator, denominator) = text.split_once('/').unwrap_or((text, "1"));
        match (numerator.trim().parse(), denominator.trim().parse()) {
            (Ok(numerator), Ok(denominator)) => Self::new(numerator, denominator),
            _ => Err(ShareError::NotAFraction(text.to_owned())),
        }
    }
}

impl TryFrom<String> for Share {
    type Error = ShareError;

    fn try_from(text: String) -> Result<Self, ShareError> {
        text.parse()
    }
}

impl From<Share> for String {
    fn from(share: Share) -> Self {
        share.to_string()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn share(text: &str) -> Share {
        text.parse().expect("a share")
    }

    #[test]
    fn shares_are_kept_in_lowest_terms() {
        assert_eq!(share("6/8").to_string(), "3/4");
        assert_eq!(share("3/4").times(share("2/3")), Ok(share("1/2")));
        assert_eq!(share("1/6").plus(share("1/3")), Ok(share("1/2")));
        assert_eq!(share("1/4").out_of(share("3/4")), Some(share("1/3")));
        assert_eq!(share("0").to_string(), "0");
        assert_eq!(Share::from_decimal(0.12), Ok(share("3/25")));
        assert_eq!(share("3/25").complement(), share("22/25"));
    }

    #[test]
    fn what_is_not_a_share_is_refused() {
        assert!("5/4".parse::<Share>().is_err());
        assert!("1/0".parse::<Share>().is_err());
        assert!("half".parse::<Share>().is_err());
        assert!(share("3/4").plus(share("1/2")).is_err());
        assert!(Share::from_decimal(f64::NAN).is_err());
        let fine = share(&format!("1/{}", u128::MAX));
        assert_eq!(fine.times(fine), Err(ShareError::TooFine));
    }
}

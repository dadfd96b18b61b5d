//! Trees on the ground against trees reported.

use rust_decimal::Decimal;
use rust_decimal::prelude::ToPrimitive as _;

platform::words! {
    /// What a count comes to beside what was reported.
    pub enum Finding {
        /// The two agree as far as was agreed.
        WithinTolerance = "within_tolerance",
        /// More trees stand than were reported.
        More = "more_than_reported",
        /// Fewer trees stand than were reported.
        Fewer = "fewer_than_reported",
    }
}

/// A count held against what was reported.
#[derive(Debug, Clone, PartialEq)]
pub struct Comparison {
    /// Counted less reported.
    pub difference_n: i64,
    /// The same in percent of what was reported; none when nothing was.
    pub difference_percent: Option<f64>,
    /// What it comes to.
    pub finding: Finding,
}

/// Holds a count against what was reported. A difference of exactly the tolerance is within it;
/// where nothing was reported, any tree is more than was.
pub fn compare(counted_n: i64, reported_n: i64, tolerance_percent: Decimal) -> Comparison {
    let difference_n = counted_n - reported_n;
    // Multiplied out, so that no division rounds the edge of the tolerance away.
    let off = Decimal::from(difference_n.abs()) * Decimal::ONE_HUNDRED;
    let allowed = tolerance_percent * Decimal::from(reported_n);
    let finding = if off <= allowed {
        Finding::WithinTolerance
    } else if difference_n > 0 {
        Finding::More
    } else {
        Finding::Fewer
    };
    let difference_percent = (reported_n > 0).then(|| {
        (Decimal::from(difference_n) * Decimal::ONE_HUNDRED / Decimal::from(reported_n))
            .round_dp(3)
            .to_f64()
            .unwrap_or_default()
    });
    Comparison {
        difference_n,
        difference_percent,
        finding,
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    #[test]
    fn the_edge_of_the_tolerance_is_within_it() {
        let two = Decimal::TWO;
        for (counted, reported, finding, percent) in [
            (1020, 1000, Finding::WithinTolerance, Some(2.0)),
            (1021, 1000, Finding::More, Some(2.1)),
            (980, 1000, Finding::WithinTolerance, Some(-2.0)),
            (979, 1000, Finding::Fewer, Some(-2.1)),
            (0, 0, Finding::WithinTolerance, None),
            (1, 0, Finding::More, None),
            (0, 3, Finding::Fewer, Some(-100.0)),
        ] {
            let found = compare(counted, reported, two);
            assert_eq!(found.finding, finding, "{counted} of {reported}");
            assert_eq!(found.difference_percent, percent, "{counted} of {reported}");
        }
    }

    proptest! {
        #[test]
        fn without_tolerance_only_the_same_number_agrees(counted in 0i64..1_000_000, reported in 0i64..1_000_000) {
            let found = compare(counted, reported, Decimal::ZERO);
            prop_assert_eq!(found.finding == Finding::WithinTolerance, counted == reported);
            prop_assert_eq!(found.difference_n, counted - reported);
        }

        #[test]
        fn a_wider_tolerance_never_flags_more(counted in 0i64..100_000, reported in 0i64..100_000, percent in 0u32..100) {
            let narrow = compare(counted, reported, Decimal::from(percent));
            let wide = compare(counted, reported, Decimal::from(percent + 1));
            prop_assert!(narrow.finding != Finding::WithinTolerance || wide.finding == Finding::WithinTolerance);
        }
    }
}

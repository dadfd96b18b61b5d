//! Which values deserve a second look.

/// Fewest values from which the usual range of a trait in a trial is judged.
pub const ENOUGH: usize = 20;

/// How many robust standard deviations from the median a value may lie.
const REACH: f64 = 5.0;

/// The usual range of a trait in a trial: median, and spread as the scaled median absolute
/// deviation (1.4826 MAD estimates a normal standard deviation; from memory).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Usual {
    median: f64,
    spread: f64,
}

impl Usual {
    /// From the values of a trial; none when they are too few or too much alike.
    pub fn of(mut values: Vec<f64>) -> Option<Self> {
        if values.len() < ENOUGH {
            return None;
        }
        let median = middle(&mut values);
        let mut deviations: Vec<f64> = values.iter().map(|v| (v - median).abs()).collect();
        let spread = 1.4826 * middle(&mut deviations);
        (spread > 0.0).then_some(Self { median, spread })
    }

    /// Why a value deserves a second look, when it does.
    pub fn doubt(&self, value: f64) -> Option<String> {
        let away = (value - self.median) / self.spread;
        (away.abs() > REACH).then(|| {
            format!(
                "{value} lies {:.0} standard deviations {} the middle of this trial, {:.4}",
                away.abs(),
                if away > 0.0 { "above" } else { "below" },
                self.median
            )
        })
    }
}

fn middle(values: &mut [f64]) -> f64 {
    let half = values.len() / 2;
    *values.select_nth_unstable_by(half, f64::total_cmp).1
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_slip_of_the_decimal_point_stands_out() {
        let values: Vec<f64> = (0..40).map(|n| 12.0 + f64::from(n % 7) / 2.0).collect();
        let usual = Usual::of(values.clone()).unwrap();
        assert!(usual.doubt(135.0).unwrap().contains("above"));
        assert!(values.iter().all(|&v| usual.doubt(v).is_none()));
    }

    #[test]
    fn few_or_equal_values_say_nothing() {
        assert_eq!(Usual::of(vec![1.0; 19]), None);
        assert_eq!(Usual::of(vec![1.0; 40]), None);
    }
}

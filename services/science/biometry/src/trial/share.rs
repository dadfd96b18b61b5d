//! Shares of variance that earlier trials told, as a prior where the present one cannot tell.

use rand_chacha::ChaCha12Rng;
use rand_distr::{Beta, Distribution as _};

/// A share of variance as earlier trials tell it: a beta distribution by its mean and standard
/// deviation.
#[derive(Debug, Clone, PartialEq)]
pub struct Share {
    /// Mean, over 0 and under 1.
    pub mean: f64,
    /// Standard deviation from trial to trial, their own uncertainty included.
    pub sd: f64,
    /// Which trials told it.
    pub source: String,
}

/// Standard deviation from trial to trial that a single trial cannot tell.
const USUAL_SD: f64 = 0.12;
/// Least standard deviation: two trials that agree by chance do not make a share certain.
const LEAST_SD: f64 = 0.05;

impl Share {
    /// The share that the next trial is expected to have, after trials that told `found` (mean and
    /// standard deviation of each); none without any.
    ///
    /// The variance between trials is that of their means or, with fewer than four, the usual one
    /// where that is larger; each trial's own uncertainty and that of the common mean are added.
    #[must_use]
    pub fn after(found: &[(f64, f64)], source: String) -> Option<Self> {
        let n = found.len() as f64;
        if found.is_empty() {
            return None;
        }
        let mean = found.iter().map(|f| f.0).sum::<f64>() / n;
        let own = found.iter().map(|f| f.1 * f.1).sum::<f64>() / n;
        let between = if found.len() > 1 {
            found.iter().map(|f| (f.0 - mean).powi(2)).sum::<f64>() / (n - 1.0)
        } else {
            0.0
        };
        // What the means differ by holds their own errors, which are therefore not added again.
        let from_trial_to_trial = if found.len() < 4 {
            between.max(USUAL_SD * USUAL_SD + own)
        } else {
            between.max(LEAST_SD * LEAST_SD)
        };
        Some(Self::new(
            mean,
            (from_trial_to_trial * (1.0 + 1.0 / n)).sqrt(),
            source,
        ))
    }

    /// A share with a mean and a standard deviation that a beta distribution can have.
    #[must_use]
    pub fn new(mean: f64, sd: f64, source: String) -> Self {
        let mean = mean.clamp(0.02, 0.98);
        let most = 0.98 * (mean * (1.0 - mean)).sqrt();
        Self {
            mean,
            sd: sd.clamp(0.01, most),
            source,
        }
    }

    /// Both parameters of the beta distribution.
    #[must_use]
    pub fn parameters(&self) -> (f64, f64) {
        let size = self.mean * (1.0 - self.mean) / (self.sd * self.sd) - 1.0;
        (self.mean * size, (1.0 - self.mean) * size)
    }

    /// A draw.
    pub(crate) fn draw(&self, rng: &mut ChaCha12Rng) -> f64 {
        let (a, b) = self.parameters();
        Beta::new(a, b)
            .map_or(self.mean, |beta| beta.sample(rng))
            .clamp(1e-4, 1.0 - 1e-4)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::SeedableRng as _;

    #[test]
    fn draws_have_the_mean_and_the_spread_told() {
        let share = Share::new(0.4, 0.15, "earlier trials".into());
        let mut rng = ChaCha12Rng::seed_from_u64(3);
        let of: Vec<f64> = (0..20_000).map(|_| share.draw(&mut rng)).collect();
        let mean = of.iter().sum::<f64>() / of.len() as f64;
        let sd = (of.iter().map(|x| (x - mean).powi(2)).sum::<f64>() / of.len() as f64).sqrt();
        assert!(
            (mean - 0.4).abs() < 0.005 && (sd - 0.15).abs() < 0.005,
            "{mean} {sd}"
        );
    }

    #[test]
    fn one_trial_leaves_more_open_than_six_that_agree() {
        let one = Share::after(&[(0.5, 0.05)], String::new()).unwrap();
        let six = Share::after(&[(0.5, 0.05); 6], String::new()).unwrap();
        assert!(one.sd > 0.15 && six.sd < 0.06, "{one:?} {six:?}");
        assert_eq!(Share::after(&[], String::new()), None);
    }
}

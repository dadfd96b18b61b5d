//! From values to pixels.

/// A straight scale from values to pixels, with marks at round values.
#[derive(Debug, Clone)]
pub struct Scale {
    from: f64,
    to: f64,
    start: f64,
    end: f64,
    step: f64,
}

impl Scale {
    /// A scale that holds all of `values`, from `start` to `end` in pixels, with about `marks`
    /// marks.
    pub fn over(values: impl IntoIterator<Item = f64>, start: f64, end: f64, marks: u32) -> Self {
        let (mut low, mut high) = values
            .into_iter()
            .filter(|v| v.is_finite())
            .fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), v| {
                (l.min(v), h.max(v))
            });
        if low > high {
            (low, high) = (0.0, 1.0);
        }
        if low == high {
            let room = if low == 0.0 { 1.0 } else { low.abs() * 0.1 };
            (low, high) = (low - room, high + room);
        }
        let step = round_step((high - low) / f64::from(marks.max(1)));
        Self {
            from: (low / step).floor() * step,
            to: (high / step).ceil() * step,
            start,
            end,
            step,
        }
    }

    /// Where a value lies.
    pub fn at(&self, value: f64) -> f64 {
        self.start + (value - self.from) / (self.to - self.from) * (self.end - self.start)
    }

    /// Round values along the scale with their texts.
    pub fn marks(&self) -> Vec<(f64, String)> {
        let decimals = (-self.step.log10().floor()).max(0.0) as usize;
        let count = ((self.to - self.from) / self.step).round() as usize;
        (0..=count)
            .map(|i| {
                let value = self.from + i as f64 * self.step;
                let value = if value.abs() < self.step * 1e-9 {
                    0.0
                } else {
                    value
                };
                (value, format!("{value:.decimals$}").replace('-', "−"))
            })
            .collect()
    }
}

/// The least of 1, 2 and 5 times a power of ten that is at least `step`.
fn round_step(step: f64) -> f64 {
    let power = 10_f64.powf(step.log10().floor());
    let factor = [1.0, 2.0, 5.0, 10.0]
        .into_iter()
        .find(|f| f * power >= step * (1.0 - 1e-9));
    factor.unwrap_or(10.0) * power
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn marks_are_round() {
        let scale = Scale::over([0.0, 93.0], 0.0, 100.0, 5);
        let texts: Vec<String> = scale.marks().into_iter().map(|(_, text)| text).collect();
        assert_eq!(texts, ["0", "20", "40", "60", "80", "100"]);
        let fine = Scale::over([-0.3, 0.3], 0.0, 100.0, 6);
        assert_eq!(
            fine.marks().first().map(|(_, t)| t.clone()).as_deref(),
            Some("−0.3")
        );
    }

    proptest! {
        #[test]
        fn every_value_lies_on_the_scale(values in prop::collection::vec(-1e6..1e6_f64, 1..20)) {
            let scale = Scale::over(values.iter().copied(), 10.0, 210.0, 5);
            for value in values {
                let x = scale.at(value);
                prop_assert!((9.9..=210.1).contains(&x), "{value} at {x}");
            }
            prop_assert!((2..=14).contains(&scale.marks().len()));
        }
    }

    #[test]
    fn nothing_and_a_single_value_have_scales() {
        assert!(Scale::over([], 0.0, 1.0, 5).at(0.5).is_finite());
        assert!((Scale::over([7.0], 0.0, 100.0, 5).at(7.0) - 50.0).abs() < 20.0);
    }
}

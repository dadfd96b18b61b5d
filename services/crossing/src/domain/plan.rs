//! Sharing whole mothers and flowers out among a season's crosses.

/// Parts a whole among some in proportion to their weights, by largest remainders, each getting at
/// least `least`; the leasts must not sum to more than the whole.
pub fn largest_remainders(
    whole: usize,
    weights: &[f64],
    least: impl Fn(usize) -> usize,
) -> Vec<usize> {
    let floor: Vec<usize> = (0..weights.len()).map(least).collect();
    let spare = whole.saturating_sub(floor.iter().sum());
    let total: f64 = weights.iter().sum();
    if total <= 0.0 {
        return floor;
    }
    let exact: Vec<f64> = weights
        .iter()
        .map(|weight| spare as f64 * weight / total)
        .collect();
    let mut parts: Vec<usize> = exact.iter().map(|x| x.floor() as usize).collect();
    let mut order: Vec<usize> = (0..weights.len()).collect();
    order.sort_by(|&a, &b| {
        let remainder = |i: usize| exact[i] - exact[i].floor();
        remainder(b).total_cmp(&remainder(a)).then(a.cmp(&b))
    });
    let left = spare.saturating_sub(parts.iter().sum());
    for &i in order.iter().cycle().take(left) {
        parts[i] += 1;
    }
    parts
        .iter()
        .zip(&floor)
        .map(|(part, floor)| part + floor)
        .collect()
}

/// Rise in coancestry from one generation to the next: (C′ − C) / (1 − C).
pub fn rise(before: f64, after: f64) -> f64 {
    if before < 1.0 {
        (after - before) / (1.0 - before)
    } else {
        0.0
    }
}

/// The coancestry after a rise from one generation to the next.
pub fn risen(before: f64, rise: f64) -> f64 {
    before + rise * (1.0 - before)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn nothing_is_lost_in_sharing(
            spare in 0usize..500, weights in prop::collection::vec(0.1f64..10.0, 1..20)
        ) {
            let whole = spare + weights.len();
            let parts = largest_remainders(whole, &weights, |_| 1);
            prop_assert_eq!(parts.iter().sum::<usize>(), whole);
            prop_assert!(parts.iter().all(|part| *part >= 1));
            let total: f64 = weights.iter().sum();
            for (part, weight) in parts.iter().zip(&weights) {
                let exact = 1.0 + spare as f64 * weight / total;
                prop_assert!((*part as f64 - exact).abs() < 1.0 + 1e-9);
            }
        }
    }

    #[test]
    fn a_population_used_alike_does_not_rise() {
        assert_eq!(rise(0.1, 0.1), 0.0);
        assert!((rise(0.1, 0.19) - 0.1).abs() < 1e-12);
        assert!((risen(0.1, rise(0.1, 0.19)) - 0.19).abs() < 1e-12);
    }
}

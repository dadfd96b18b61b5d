//! Maximisation by quasi-Newton steps (Broyden, Fletcher, Goldfarb and Shanno) with the gradient
//! given, and the information by differences of gradients.

use faer::Mat;

/// Where the search ended.
pub(crate) struct Found {
    pub(crate) at: Vec<f64>,
    pub(crate) value: f64,
    pub(crate) iterations: usize,
    /// Value at the start of every iteration.
    pub(crate) trace: Vec<f64>,
    /// Approximation of the inverse information that the steps built up.
    pub(crate) spread: Mat<f64>,
}

fn times(m: &Mat<f64>, x: &[f64]) -> Vec<f64> {
    (0..x.len())
        .map(|i| (0..x.len()).map(|j| m[(i, j)] * x[j]).sum())
        .collect()
}

fn dot(a: &[f64], b: &[f64]) -> f64 {
    a.iter().zip(b).map(|(x, y)| x * y).sum()
}

/// Climbs from `start` (which must have a value) with `spread` as the first guess of the inverse
/// information. Ends when a step promises less than 1e-9 or none gains anything; `Err` with the
/// iterations done when the limit is reached first.
pub(crate) fn maximise(
    mut evaluate: impl FnMut(&[f64]) -> Option<(f64, Vec<f64>)>,
    start: Vec<f64>,
    spread: Mat<f64>,
    max_iterations: usize,
) -> Result<Found, (usize, f64)> {
    let n = start.len();
    let first_spread = spread.clone();
    let (mut at, mut spread, mut fresh) = (start, spread, true);
    let Some((mut value, mut gradient)) = evaluate(&at) else {
        return Err((0, f64::NAN));
    };
    let mut trace = Vec::new();
    for iteration in 1..=max_iterations {
        trace.push(value);
        let step = times(&spread, &gradient);
        let promise = dot(&step, &gradient);
        let mut next = None;
        if promise > 1e-9 {
            let mut share = 1.0;
            while share > 1e-8 {
                let trial: Vec<f64> = at.iter().zip(&step).map(|(x, s)| x + share * s).collect();
                if let Some((there, slope)) = evaluate(&trial)
                    && there > value + 1e-4 * share * promise
                {
                    next = Some((trial, there, slope));
                    break;
                }
                share *= 0.4;
            }
        }
        let Some((trial, there, slope)) = next else {
            if promise > 1e-9 && !fresh {
                spread = first_spread.clone();
                fresh = true;
                continue;
            }
            return Ok(Found {
                at,
                value,
                iterations: iteration,
                trace,
                spread,
            });
        };
        let moved: Vec<f64> = trial.iter().zip(&at).map(|(a, b)| a - b).collect();
        let bent: Vec<f64> = gradient.iter().zip(&slope).map(|(a, b)| a - b).collect();
        let curvature = dot(&moved, &bent);
        if curvature > 1e-12 * dot(&moved, &moved).sqrt() * dot(&bent, &bent).sqrt() {
            let hb = times(&spread, &bent);
            let scale = (1.0 + dot(&bent, &hb) / curvature) / curvature;
            for i in 0..n {
                for j in 0..n {
                    spread[(i, j)] += scale * moved[i] * moved[j]
                        - (hb[i] * moved[j] + moved[i] * hb[j]) / curvature;
                }
            }
        }
        fresh = false;
        (at, value, gradient) = (trial, there, slope);
    }
    let step = times(&spread, &gradient);
    Err((max_iterations, dot(&step, &gradient).max(0.0).sqrt()))
}

/// Minus the matrix of second derivatives, by central differences of the gradient over steps of a
/// two-hundredth of a standard error.
pub(crate) fn information(
    mut gradient: impl FnMut(&[f64]) -> Option<Vec<f64>>,
    at: &[f64],
    spread: &Mat<f64>,
) -> Option<Mat<f64>> {
    let n = at.len();
    let mut rows = Vec::with_capacity(n);
    for k in 0..n {
        let mut h = 0.005 * spread[(k, k)].max(1e-16).sqrt();
        let row = loop {
            let mut moved = at.to_vec();
            moved[k] += h;
            let ahead = gradient(&moved);
            moved[k] = at[k] - h;
            if let (Some(ahead), Some(behind)) = (ahead, gradient(&moved)) {
                break ahead
                    .iter()
                    .zip(&behind)
                    .map(|(a, b)| (b - a) / (2.0 * h))
                    .collect::<Vec<f64>>();
            }
            h *= 0.1;
            if h < 1e-12 {
                return None;
            }
        };
        rows.push(row);
    }
    Some(Mat::from_fn(n, n, |i, j| 0.5 * (rows[i][j] + rows[j][i])))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_bent_ridge_is_climbed_and_its_information_found() {
        // -(1 - x)^2 - 10 (y - x^2)^2, top at (1, 1) with information [[82, -40], [-40, 20]].
        let slope = |p: &[f64]| {
            let bend = p[1] - p[0] * p[0];
            vec![2.0 * (1.0 - p[0]) + 40.0 * p[0] * bend, -20.0 * bend]
        };
        let value = |p: &[f64]| -(1.0 - p[0]).powi(2) - 10.0 * (p[1] - p[0] * p[0]).powi(2);
        let found = maximise(
            |p| Some((value(p), slope(p))),
            vec![-1.0, 1.0],
            Mat::identity(2, 2),
            200,
        )
        .ok()
        .unwrap();
        assert!((found.at[0] - 1.0).abs() < 1e-4 && (found.at[1] - 1.0).abs() < 1e-4);
        let info = information(|p| Some(slope(p)), &[1.0, 1.0], &Mat::identity(2, 2)).unwrap();
        for (i, j, e) in [(0, 0, 82.0), (0, 1, -40.0), (1, 1, 20.0)] {
            assert!((info[(i, j)] - e).abs() < 0.01, "{}", info[(i, j)]);
        }
    }
}

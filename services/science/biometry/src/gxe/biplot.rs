//! AMMI and GGE: singular value decomposition of the centred table.

use super::Table;
use faer::Mat;
use serde::Serialize;

/// One axis of a biplot.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Axis {
    /// Singular value.
    pub singular_value: f64,
    /// Its square: the sum of squares that the axis explains.
    pub ss: f64,
    /// Share of the decomposed sum of squares.
    pub percent: f64,
    /// Score of each genotype.
    pub genotype_scores: Vec<f64>,
    /// Score of each environment.
    pub environment_scores: Vec<f64>,
}

/// Axes with scores: each side is scaled by the square root of the singular value, so that the
/// product of two scores is the pair's part. The sign of an axis is free; it is chosen so that the
/// largest genotype score is positive.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Biplot {
    /// Axes, the largest first.
    pub axes: Vec<Axis>,
}

/// Additive main effects and multiplicative interaction.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Ammi {
    /// Decomposition of the interaction.
    pub biplot: Biplot,
    /// Degrees of freedom of each axis, g + e - 1 - 2k (Gollob).
    pub gollob_df: Vec<usize>,
    /// Genotype means, environment indices added: the additive part.
    additive: Vec<Vec<f64>>,
}

fn decompose(centred: &[Vec<f64>], axes_n: usize) -> Biplot {
    let (g, e) = (centred.len(), centred[0].len());
    let svd = Mat::from_fn(g, e, |i, j| centred[i][j])
        .thin_svd()
        .expect("finite table");
    let total: f64 = centred.iter().flatten().map(|x| x * x).sum();
    let values = svd.S().column_vector();
    let axes = (0..axes_n.min(g).min(e))
        .map(|k| {
            let value = values[k];
            let (u, v) = (svd.U(), svd.V());
            let largest = (0..g)
                .map(|i| u[(i, k)])
                .fold(0.0f64, |m, x| if x.abs() > m.abs() + 1e-12 { x } else { m });
            let scale = value.sqrt() * if largest < 0.0 { -1.0 } else { 1.0 };
            Axis {
                singular_value: value,
                ss: value * value,
                percent: if total > 0.0 {
                    100.0 * value * value / total
                } else {
                    0.0
                },
                genotype_scores: (0..g).map(|i| u[(i, k)] * scale).collect(),
                environment_scores: (0..e).map(|j| v[(j, k)] * scale).collect(),
            }
        })
        .collect();
    Biplot { axes }
}

impl Table {
    /// AMMI: additive effects, and the interaction decomposed into min(g - 1, e - 1) axes.
    #[must_use]
    pub fn ammi(&self) -> Ammi {
        let (g, e) = (self.genotypes().len(), self.environments().len());
        let biplot = decompose(&self.interaction(), (g - 1).min(e - 1));
        let index = self.environment_indices();
        Ammi {
            gollob_df: (1..=biplot.axes.len()).map(|k| g + e - 1 - 2 * k).collect(),
            biplot,
            additive: self
                .genotype_means()
                .iter()
                .map(|mean| index.iter().map(|i| mean + i).collect())
                .collect(),
        }
    }

    /// GGE: genotype and interaction together, from the table centred by environment.
    #[must_use]
    pub fn gge(&self) -> Biplot {
        let (g, e) = (self.genotypes().len(), self.environments().len());
        let (grand, index) = (self.grand_mean(), self.environment_indices());
        let centred: Vec<Vec<f64>> = self
            .means
            .iter()
            .map(|row| row.iter().zip(&index).map(|(y, i)| y - grand - i).collect())
            .collect();
        decompose(&centred, (g - 1).min(e))
    }
}

impl Ammi {
    /// Table fitted by the additive effects and the first `axes_n` axes, `[genotype][environment]`.
    #[must_use]
    pub fn fitted(&self, axes_n: usize) -> Vec<Vec<f64>> {
        let axes = &self.biplot.axes[..axes_n.min(self.biplot.axes.len())];
        self.additive
            .iter()
            .enumerate()
            .map(|(i, row)| {
                row.iter()
                    .enumerate()
                    .map(|(j, additive)| {
                        let multiplicative: f64 = axes
                            .iter()
                            .map(|a| a.genotype_scores[i] * a.environment_scores[j])
                            .sum();
                        additive + multiplicative
                    })
                    .collect()
            })
            .collect()
    }
}

//! Invented stone fruit with real genetics: loci segregate by Mendel's rule, S alleles by the
//! gametophytic one, and polygenic traits as the mean of the parents and a Mendelian remainder.
//!
//! Breeding values follow the infinitesimal model: an offspring's is the mean of its parents' and a
//! normal deviate of half the additive variance (Bulmer 1971; inbreeding is left out). A tree's
//! record adds the place, the year and both together; what is lasting of the tree; what its genotype
//! does at the place and in the year; the row; and a deviate of the moment: all of such size that the
//! share of the additive variance among the trees of one place in one year is the trait's
//! heritability. So years of one tree tell less of its genotype than as many trees would. Means and
//! variances are plausible for the fruits and of no one population. Everything follows from a seed.

use std::collections::BTreeMap;

use rand::{RngExt as _, SeedableRng as _};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Binomial, Distribution as _, Normal};
use sha2::{Digest as _, Sha256};

/// Random numbers of one thing in the history, the same in every run.
pub fn stream(seed: u64, name: &[&str]) -> ChaCha8Rng {
    let mut digest = Sha256::new();
    digest.update(seed.to_be_bytes());
    for part in name {
        digest.update((part.len() as u64).to_be_bytes());
        digest.update(part.as_bytes());
    }
    ChaCha8Rng::from_seed(digest.finalize().into())
}

/// A fruit of the demo.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Fruit {
    /// *Prunus persica*.
    Peach,
    /// *Prunus salicina*.
    Plum,
    /// *Prunus armeniaca*.
    Apricot,
    /// Plum by apricot.
    Plumcot,
}

impl Fruit {
    /// Latin name.
    pub fn species(self) -> &'static str {
        match self {
            Self::Peach => "Prunus persica",
            Self::Plum => "Prunus salicina",
            Self::Apricot => "Prunus armeniaca",
            Self::Plumcot => "P. salicina × P. armeniaca",
        }
    }

    /// Range of the mean fruit set by hand pollination of its crosses.
    fn set_range(self) -> (f64, f64) {
        match self {
            Self::Peach => (0.22, 0.40),
            Self::Plum => (0.10, 0.22),
            Self::Apricot => (0.10, 0.25),
            Self::Plumcot => (0.05, 0.09),
        }
    }

    /// Whether pollen is rejected by S alleles.
    fn rejects_own(self) -> bool {
        self != Self::Peach
    }

    /// The fruit of the offspring.
    pub fn by(self, pollen_parent: Self) -> Self {
        if self == pollen_parent {
            self
        } else {
            Self::Plumcot
        }
    }
}

/// A polygenic trait.
#[derive(Debug, Clone, Copy)]
pub struct Polygenic {
    /// Code in the trait library.
    pub code: &'static str,
    /// Mean of peach, plum and apricot.
    means: [f64; 3],
    /// Additive standard deviation.
    pub genetic_sd: f64,
    /// Heritability of a single tree's record at one place in one year.
    pub heritability: f64,
    /// Decimals written down.
    decimals: usize,
    /// Bounds of what is written down.
    bounds: (f64, f64),
    /// Difference between the sites, in additive standard deviations.
    site_sd: f64,
}

/// The demo's polygenic traits.
pub const TRAITS: [Polygenic; 5] = [
    Polygenic {
        code: "brix",
        means: [13.0, 15.0, 14.0],
        genetic_sd: 1.1,
        heritability: 0.45,
        decimals: 1,
        bounds: (5.0, 30.0),
        site_sd: 0.5,
    },
    Polygenic {
        code: "fruit_mass_g",
        means: [165.0, 88.0, 62.0],
        genetic_sd: 13.0,
        heritability: 0.40,
        decimals: 0,
        bounds: (15.0, 400.0),
        site_sd: 0.6,
    },
    Polygenic {
        code: "firmness_n",
        means: [42.0, 34.0, 26.0],
        genetic_sd: 4.0,
        heritability: 0.40,
        decimals: 1,
        bounds: (4.0, 110.0),
        site_sd: 0.3,
    },
    Polygenic {
        code: "ripening_date",
        means: [185.0, 191.0, 168.0],
        genetic_sd: 9.0,
        heritability: 0.75,
        decimals: 0,
        bounds: (120.0, 270.0),
        site_sd: 0.6,
    },
    Polygenic {
        code: "overall",
        means: [5.0, 5.0, 5.0],
        genetic_sd: 1.0,
        heritability: 0.30,
        decimals: 0,
        bounds: (1.0, 9.0),
        site_sd: 0.1,
    },
];

/// Number of polygenic traits.
pub const TRAITS_N: usize = TRAITS.len();

impl Polygenic {
    /// The mean of a fruit.
    pub fn mean(&self, fruit: Fruit) -> f64 {
        match fruit {
            Fruit::Peach => self.means[0],
            Fruit::Plum => self.means[1],
            Fruit::Apricot => self.means[2],
            Fruit::Plumcot => (self.means[1] + self.means[2]) / 2.0,
        }
    }

    /// Standard deviation of what is neither genetic nor the place's.
    pub fn error_sd(&self) -> f64 {
        self.genetic_sd * ((1.0 - self.heritability) / self.heritability).sqrt()
    }

    /// A value as it is written down.
    pub fn written(&self, value: f64) -> f64 {
        let scale = 10f64.powi(self.decimals as i32);
        (value.clamp(self.bounds.0, self.bounds.1) * scale).round() / scale
    }
}

/// A plant's genotype.
#[derive(Debug, Clone)]
pub struct Plant {
    /// What it bears.
    pub fruit: Fruit,
    /// S alleles; empty where they decide nothing.
    pub s_alleles: Vec<String>,
    /// Two alleles at each locus.
    pub loci: BTreeMap<&'static str, [String; 2]>,
    /// Additive value of each trait, as a deviation from the fruit's mean.
    pub values: [f64; TRAITS_N],
    /// Days from 1 January to full bloom in a mean year.
    pub bloom_day: f64,
}

impl Plant {
    /// Genotypes by locus as they are written.
    pub fn genotypes(&self) -> BTreeMap<String, String> {
        self.loci
            .iter()
            .map(|(locus, [x, y])| ((*locus).to_owned(), format!("{x}{y}")))
            .collect()
    }

    /// A founder with its S alleles and loci; its values are drawn.
    pub fn founder(
        fruit: Fruit,
        s_alleles: &[&str],
        loci: &[(&'static str, [&str; 2])],
        rng: &mut ChaCha8Rng,
    ) -> Self {
        let base = match fruit {
            Fruit::Peach => 52.0,
            Fruit::Plum => 45.0,
            Fruit::Apricot | Fruit::Plumcot => 41.0,
        };
        Self {
            fruit,
            s_alleles: s_alleles
                .iter()
                .map(|allele| (*allele).to_owned())
                .collect(),
            loci: loci
                .iter()
                .map(|(locus, alleles)| (*locus, alleles.map(str::to_owned)))
                .collect(),
            values: TRAITS.map(|t| normal(rng, t.genetic_sd)),
            bloom_day: base + normal(rng, 3.0),
        }
    }

    /// Whether its pollen grows in a mother's pistil at least in part.
    pub fn pollinates(&self, mother: &Self) -> bool {
        !mother.fruit.rejects_own()
            || self.s_alleles.is_empty()
            || self
                .s_alleles
                .iter()
                .any(|allele| !mother.s_alleles.contains(allele))
    }

    /// One offspring.
    pub fn offspring(mother: &Self, pollen_parent: &Self, rng: &mut ChaCha8Rng) -> Self {
        let fruit = mother.fruit.by(pollen_parent.fruit);
        let mut s_alleles = Vec::new();
        if !mother.s_alleles.is_empty() && !pollen_parent.s_alleles.is_empty() {
            let accepted: Vec<&String> = pollen_parent
                .s_alleles
                .iter()
                .filter(|allele| !mother.s_alleles.contains(allele))
                .collect();
            let from_pollen = if accepted.is_empty() {
                &pollen_parent.s_alleles[0]
            } else {
                accepted[rng.random_range(0..accepted.len())]
            };
            s_alleles.push(mother.s_alleles[rng.random_range(0..mother.s_alleles.len())].clone());
            s_alleles.push(from_pollen.clone());
        }
        let mut loci = BTreeMap::new();
        for (locus, alleles) in &mother.loci {
            if let Some(others) = pollen_parent.loci.get(locus) {
                let pair = [
                    &alleles[rng.random_range(0..2)],
                    &others[rng.random_range(0..2)],
                ];
                // The dominant allele is written first, as is the custom; capitals sort first.
                let mut pair = pair.map(Clone::clone);
                pair.sort();
                loci.insert(*locus, pair);
            }
        }
        let mut values = [0.0; TRAITS_N];
        for (place, value) in values.iter_mut().enumerate() {
            let remainder = normal(rng, TRAITS[place].genetic_sd * 0.5f64.sqrt());
            *value = (mother.values[place] + pollen_parent.values[place]) / 2.0 + remainder;
        }
        let bloom_day = (mother.bloom_day + pollen_parent.bloom_day) / 2.0 + normal(rng, 2.0);
        Self {
            fruit,
            s_alleles,
            loci,
            values,
            bloom_day,
        }
    }
}

/// Where a tree stands and when it is looked at.
#[derive(Debug, Clone, Copy)]
pub struct Environment {
    /// Name of the place and year; its effect follows from it.
    pub site: &'static str,
    /// Year.
    pub year: i16,
}

impl Environment {
    /// Effect of place and year on a trait.
    fn effect(&self, seed: u64, place: usize) -> f64 {
        let t = &TRAITS[place];
        let year = self.year.to_string();
        let of_site = normal(
            &mut stream(seed, &["site", self.site, t.code]),
            t.genetic_sd * t.site_sd,
        );
        let of_year = normal(
            &mut stream(seed, &["year", &year, t.code]),
            t.genetic_sd * 0.5,
        );
        let of_both = normal(
            &mut stream(seed, &["site and year", self.site, &year, t.code]),
            t.genetic_sd * 0.2,
        );
        of_site + of_year + of_both
    }

    /// What is written down of one trait of a tree; none where the record is missing.
    pub fn record(&self, seed: u64, place: usize, plant: &Plant, tree: &Stand<'_>) -> Option<f64> {
        let t = &TRAITS[place];
        let year = self.year.to_string();
        let row = tree.row.to_string();
        let share = |part: f64| t.error_sd() * part.sqrt();
        let deviate = |name: &[&str], part: f64| normal(&mut stream(seed, name), share(part));
        let of_row = deviate(&["row", self.site, &year, &row, t.code], OF_ROW);
        let lasting = deviate(&["lasting", tree.number, t.code], OF_TREE);
        let at_site = deviate(&["at site", tree.genotype, self.site, t.code], OF_SITE);
        let in_year = deviate(&["in year", tree.genotype, &year, t.code], OF_YEAR);
        let mut own = stream(seed, &["tree", tree.number, &year, t.code]);
        let rest = 1.0 - OF_ROW - OF_TREE - OF_SITE - OF_YEAR;
        let of_moment = normal(&mut own, share(rest));
        let is_missing = own.random_bool(0.06);
        let value = t.mean(plant.fruit)
            + plant.values[place]
            + self.effect(seed, place)
            + (of_row + lasting + at_site + in_year + of_moment);
        (!is_missing).then(|| t.written(value))
    }
}

/// Shares of what is neither additive nor the place's: along a row of the ground in one year, lasting
/// of a tree, of a genotype at a site, and of a genotype in a year. The rest is of the moment.
const OF_ROW: f64 = 0.15;
const OF_TREE: f64 = 0.30;
const OF_SITE: f64 = 0.10;
const OF_YEAR: f64 = 0.10;

/// A tree as it stands.
#[derive(Debug, Clone, Copy)]
pub struct Stand<'a> {
    /// Row of the ground.
    pub row: u32,
    /// Number of the tree.
    pub number: &'a str,
    /// Name of its genotype, the same for all trees of one plant.
    pub genotype: &'a str,
}

/// A cross's fruit and seed, pass by pass.
#[derive(Debug, Clone)]
pub struct Yield {
    /// Flowers emasculated and pollinated in each pass.
    pub passes: Vec<PassCounts>,
    /// Fruits that set, from all passes.
    pub set_n: u32,
    /// Fruits picked.
    pub harvested_n: u32,
    /// Sound and empty seeds taken out of the stones.
    pub extracted_n: u32,
    /// Of these, empty.
    pub empty_n: u32,
    /// Seeds that germinated.
    pub germinated_n: u32,
    /// Seedlings that lived to be planted.
    pub planted_n: u32,
}

/// One pass.
#[derive(Debug, Clone, Copy)]
pub struct PassCounts {
    /// Flowers emasculated.
    pub emasculated_n: u32,
    /// Flowers found unfit.
    pub unfit_n: u32,
    /// Flowers pollinated.
    pub pollinated_n: u32,
    /// Flowers found open.
    pub strays_n: u32,
    /// Fruits that came of this pass.
    pub set_n: u32,
}

/// Draws a cross's way from flowers to seedlings: fruit set is binomial pass by pass, and every
/// later count is drawn from the one before it.
pub fn yields(
    mother: &Plant,
    pollen_parent: &Plant,
    wanted_n: u32,
    germination: f64,
    rng: &mut ChaCha8Rng,
) -> Yield {
    let fruit = mother.fruit.by(pollen_parent.fruit);
    let (low, high) = fruit.set_range();
    let mean_set = rng.random_range(low..high);
    let passes_n = rng.random_range(5..=7);
    let flowers = (f64::from(wanted_n) * 1.1 / mean_set / f64::from(passes_n)).ceil();
    let mut passes = Vec::new();
    for _ in 0..passes_n {
        let emasculated_n = (flowers * rng.random_range(0.75..1.25)).round() as u32;
        let unfit_n = binomial(rng, emasculated_n, 0.02);
        let pollinated_n = emasculated_n - unfit_n;
        let share = (mean_set * rng.random_range(0.8..1.2)).clamp(0.05, 0.40);
        passes.push(PassCounts {
            emasculated_n,
            unfit_n,
            pollinated_n,
            strays_n: rng.random_range(0..5),
            set_n: binomial(rng, pollinated_n, share),
        });
    }
    let set_n = passes.iter().map(|pass| pass.set_n).sum();
    let harvested_n = binomial(rng, set_n, 0.9);
    let extracted_n = binomial(rng, harvested_n, 0.97);
    let empty_n = binomial(rng, extracted_n, 0.12);
    let germinating = germination * rng.random_range(0.8..1.2);
    let germinated_n = binomial(rng, extracted_n - empty_n, germinating);
    let planted_n = binomial(rng, germinated_n, 0.92);
    Yield {
        passes,
        set_n,
        harvested_n,
        extracted_n,
        empty_n,
        germinated_n,
        planted_n,
    }
}

/// A normal deviate about 0.
fn normal(rng: &mut ChaCha8Rng, sd: f64) -> f64 {
    Normal::new(0.0, sd).map_or(0.0, |normal| normal.sample(rng))
}

/// A binomial count.
fn binomial(rng: &mut ChaCha8Rng, n: u32, share: f64) -> u32 {
    let drawn = Binomial::new(u64::from(n), share.clamp(0.0, 1.0)).map_or(0, |b| b.sample(rng));
    u32::try_from(drawn).unwrap_or(n).min(n)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn peach(name: &str, y: [&str; 2]) -> Plant {
        Plant::founder(Fruit::Peach, &[], &[("Y", y)], &mut stream(1, &[name]))
    }

    #[test]
    fn the_same_name_gives_the_same_numbers() {
        let draw = |name: &str| stream(1, &[name]).random_range(0..u64::MAX);
        assert_eq!(draw("a"), draw("a"));
        assert_ne!(draw("a"), draw("b"));
    }

    #[test]
    fn loci_segregate_one_to_two_to_one() {
        let (mother, father) = (peach("m", ["Y", "y"]), peach("f", ["Y", "y"]));
        let mut rng = stream(1, &["family"]);
        let recessive = (0..4000)
            .filter(|_| Plant::offspring(&mother, &father, &mut rng).loci["Y"] == ["y", "y"])
            .count();
        // Four standard errors about a quarter.
        assert!((890..=1110).contains(&recessive), "{recessive}");
    }

    #[test]
    fn a_mother_rejects_pollen_of_her_own_alleles() {
        let mut rng = stream(1, &["plums"]);
        let mother = Plant::founder(Fruit::Plum, &["Sb", "Sc"], &[], &mut rng);
        let half = Plant::founder(Fruit::Plum, &["Sc", "Sf"], &[], &mut rng);
        let same = Plant::founder(Fruit::Plum, &["Sb", "Sc"], &[], &mut rng);
        assert!(half.pollinates(&mother) && !same.pollinates(&mother));
        for _ in 0..50 {
            assert_eq!(
                Plant::offspring(&mother, &half, &mut rng).s_alleles[1],
                "Sf"
            );
        }
    }

    /// Regression of offspring on the mean of their parents estimates heritability when parents and
    /// offspring are judged by single records (Falconer and Mackay 1996, chapter 10).
    #[test]
    fn heritability_is_recovered_from_parents_and_offspring() {
        let here = Environment {
            site: "x",
            year: 2024,
        };
        for (place, t) in TRAITS
            .iter()
            .enumerate()
            .filter(|(_, t)| t.code != "overall")
        {
            let mut points = Vec::new();
            for family in 0..1500 {
                let name = family.to_string();
                let mut rng = stream(7, &["family", &name]);
                let parents = [0, 1].map(|_| Plant::founder(Fruit::Peach, &[], &[], &mut rng));
                let child = Plant::offspring(&parents[0], &parents[1], &mut rng);
                let see = |plant: &Plant, who: &str| {
                    let number = format!("{name}{who}");
                    let stand = Stand {
                        row: family,
                        number: &number,
                        genotype: &number,
                    };
                    here.record(7, place, plant, &stand)
                };
                if let (Some(a), Some(b), Some(c)) = (
                    see(&parents[0], "a"),
                    see(&parents[1], "b"),
                    see(&child, "c"),
                ) {
                    points.push(((a + b) / 2.0, c));
                }
            }
            let n = points.len() as f64;
            let (mx, my) = points
                .iter()
                .fold((0.0, 0.0), |m, p| (m.0 + p.0 / n, m.1 + p.1 / n));
            let (sxy, sxx) = points.iter().fold((0.0, 0.0), |s, (x, y)| {
                (s.0 + (x - mx) * (y - my), s.1 + (x - mx).powi(2))
            });
            // Parents and child share a row here, which adds the row's variance to their covariance.
            let row = OF_ROW * (1.0 - t.heritability);
            let own = (1.0 - OF_ROW) * (1.0 - t.heritability);
            let expected = (t.heritability / 2.0 + row) / (t.heritability / 2.0 + own / 2.0 + row);
            let slope = sxy / sxx;
            assert!(
                (slope - expected).abs() < 0.13,
                "{}: {slope} against {expected}",
                t.code
            );
        }
    }

    /// Years of one tree agree by what is lasting of it, trees of one genotype by its additive value
    /// and what it does there: neither is as much as the other.
    #[test]
    fn years_of_one_tree_agree_more_than_trees_of_one_genotype() {
        let t = &TRAITS[0];
        let plant = peach("m", ["Y", "y"]);
        let see = |number: &str, year: i16, row: u32| {
            let stand = Stand {
                row,
                number,
                genotype: number.split('/').next().unwrap_or(number),
            };
            Environment { site: "x", year }.record(11, 0, &plant, &stand)
        };
        // Covariances over many genotypes of equal additive value.
        let covariance = |pairs: Vec<(f64, f64)>| {
            let n = pairs.len() as f64;
            let (a, b) = pairs
                .iter()
                .fold((0.0, 0.0), |m, p| (m.0 + p.0 / n, m.1 + p.1 / n));
            pairs.iter().map(|p| (p.0 - a) * (p.1 - b)).sum::<f64>() / n
        };
        let over = |second: &dyn Fn(u32) -> Option<f64>| {
            covariance(
                (0..4000)
                    .filter_map(|g| Some((see(&format!("{g}/a"), 2024, 2 * g)?, second(g)?)))
                    .collect(),
            ) / t.error_sd().powi(2)
        };
        let of_years = over(&|g| see(&format!("{g}/a"), 2025, 2 * g));
        let of_trees = over(&|g| see(&format!("{g}/b"), 2024, 2 * g + 1));
        assert!((of_years - OF_TREE - OF_SITE).abs() < 0.06, "{of_years}");
        assert!((of_trees - OF_SITE - OF_YEAR).abs() < 0.06, "{of_trees}");
    }

    #[test]
    fn counts_never_grow_on_the_way() {
        for name in 0..200 {
            let mut rng = stream(3, &["yield", &name.to_string()]);
            let mother = peach("m", ["Y", "y"]);
            let y = yields(&mother, &mother, 100, 0.2, &mut rng);
            let pollinated: u32 = y.passes.iter().map(|pass| pass.pollinated_n).sum();
            assert!(y.set_n <= pollinated && y.harvested_n <= y.set_n);
            assert!(y.extracted_n <= y.harvested_n && y.empty_n <= y.extracted_n);
            assert!(y.germinated_n <= y.extracted_n - y.empty_n && y.planted_n <= y.germinated_n);
            let set = f64::from(y.set_n) / f64::from(pollinated);
            assert!((0.05..=0.45).contains(&set), "{set}");
        }
    }
}

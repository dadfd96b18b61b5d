//! Pollen: how alive a lot should be, how late a pollination may be, and how many flowers to gather.

use serde::{Deserialize, Serialize};
use statrs::distribution::{Beta, ContinuousCDF as _};
use std::fmt;
use thiserror::Error;

/// Where pollen is kept.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Storage {
    /// Dry, at about 20 °C.
    Room,
    /// A vial over desiccant at about 4 °C.
    Refrigerator,
    /// Dry and sealed at −20 °C.
    FreezerMinus20,
    /// Dry and sealed at −80 °C.
    FreezerMinus80,
}

/// Expected loss of germination by storage: the share halves every half-life.
///
/// Published points: almond after three months 90.7 % at −80 °C and 36.7 % at 4 °C, 99.8 % on the
/// best medium fresh (Imani and others, African Journal of Biotechnology; one cultivar each), which
/// give half-lives of 652 and 62 days. From memory, practice rather than a standard: days at room
/// temperature, a year or more at −20 °C, a fresh germination near 75 %.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct ViabilityCurve {
    /// Germination expected of fresh, dry pollen, 0 to 1.
    pub fresh_share: f64,
    /// Weight of that expectation, in grains of a germination test it is worth.
    pub weight_n: f64,
    /// Half-life at room temperature, days.
    pub room_half_life_days: f64,
    /// Half-life in a refrigerator, days.
    pub refrigerator_half_life_days: f64,
    /// Half-life at −20 °C, days.
    pub freezer_minus_20_half_life_days: f64,
    /// Half-life at −80 °C, days.
    pub freezer_minus_80_half_life_days: f64,
}

impl Default for ViabilityCurve {
    fn default() -> Self {
        Self {
            fresh_share: 0.75,
            weight_n: 8.0,
            room_half_life_days: 4.0,
            refrigerator_half_life_days: 62.0,
            freezer_minus_20_half_life_days: 365.0,
            freezer_minus_80_half_life_days: 652.0,
        }
    }
}

impl ViabilityCurve {
    /// Half-life of germination in a storage, days.
    pub fn half_life_days(&self, storage: Storage) -> f64 {
        match storage {
            Storage::Room => self.room_half_life_days,
            Storage::Refrigerator => self.refrigerator_half_life_days,
            Storage::FreezerMinus20 => self.freezer_minus_20_half_life_days,
            Storage::FreezerMinus80 => self.freezer_minus_80_half_life_days,
        }
    }

    /// Share of today's germination left after `days` in a storage, 0 to 1.
    pub fn left_after(&self, storage: Storage, days: f64) -> f64 {
        (-days.max(0.0) / self.half_life_days(storage)).exp2()
    }
}

/// A germination test: grains that germinated of all grains counted.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(try_from = "RawTest", into = "RawTest")]
pub struct GerminationTest {
    germinated_n: u32,
    counted_n: u32,
}

#[derive(Serialize, Deserialize)]
struct RawTest {
    germinated_n: u32,
    counted_n: u32,
}

impl TryFrom<RawTest> for GerminationTest {
    type Error = PollenError;
    fn try_from(raw: RawTest) -> Result<Self, Self::Error> {
        Self::new(raw.germinated_n, raw.counted_n)
    }
}

impl From<GerminationTest> for RawTest {
    fn from(t: GerminationTest) -> Self {
        Self {
            germinated_n: t.germinated_n,
            counted_n: t.counted_n,
        }
    }
}

/// Why a pollen question has no answer.
#[derive(Clone, Copy, Debug, PartialEq, Error)]
pub enum PollenError {
    /// A test without grains, or with more germinated than counted.
    #[error(
        "germination test: {germinated_n} germinated of {counted_n} counted is impossible; count at least one grain and no more germinated than counted"
    )]
    ImpossibleTest {
        /// Germinated grains given.
        germinated_n: u32,
        /// Counted grains given.
        counted_n: u32,
    },
    /// A quantity that must be positive and finite is not.
    #[error("{name} is {value}; it must be above 0 and finite")]
    NotPositive {
        /// Parameter name.
        name: &'static str,
        /// Value given.
        value: f64,
    },
    /// A share outside 0..=1, or 0 where something is divided by it.
    #[error("{name} is {value}; it must be a share above 0 and at most 1")]
    NotAShare {
        /// Parameter name.
        name: &'static str,
        /// Value given.
        value: f64,
    },
    /// Pollen too dead to plan with.
    #[error("pollen with {:.0} % germination is as good as dead; renew the lot", germination_share * 100.0)]
    Dead {
        /// Germination expected, 0 to 1.
        germination_share: f64,
    },
}

impl GerminationTest {
    /// A test from its counts.
    ///
    /// # Errors
    /// [`PollenError::ImpossibleTest`].
    pub fn new(germinated_n: u32, counted_n: u32) -> Result<Self, PollenError> {
        if counted_n == 0 || germinated_n > counted_n {
            return Err(PollenError::ImpossibleTest {
                germinated_n,
                counted_n,
            });
        }
        Ok(Self {
            germinated_n,
            counted_n,
        })
    }

    /// Grains that germinated.
    pub fn germinated_n(&self) -> u32 {
        self.germinated_n
    }

    /// Grains counted.
    pub fn counted_n(&self) -> u32 {
        self.counted_n
    }
}

/// Germination at or above which pollen is good (practice, from memory).
pub const GOOD_SHARE: f64 = 0.30;
/// Germination below which pollen is renewed (practice, from memory).
pub const DEAD_SHARE: f64 = 0.10;

/// What to think of a lot.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum PollenVerdict {
    /// Below 10 %: renew.
    Dead,
    /// 10 to 30 %: use with care, test first.
    Doubtful,
    /// 30 % or more.
    Good,
}

impl PollenVerdict {
    /// The verdict on a germination share.
    pub fn of(germination_share: f64) -> Self {
        match germination_share {
            s if s < DEAD_SHARE => Self::Dead,
            s if s < GOOD_SHARE => Self::Doubtful,
            _ => Self::Good,
        }
    }
}

impl fmt::Display for PollenVerdict {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Dead => "dead",
            Self::Doubtful => "doubtful",
            Self::Good => "good",
        })
    }
}

/// What happened to a lot, in order.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case", tag = "event")]
pub enum LotEvent {
    /// Kept in one place for some days.
    Kept {
        /// The place.
        storage: Storage,
        /// Days there.
        days: f64,
    },
    /// Tested for germination.
    Tested(GerminationTest),
}

/// Expected germination of one lot: the curve carries it through storage, each of its own tests
/// overrides the curve by the weight of its counts (a beta distribution updated by binomial counts).
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct LotViability {
    curve: ViabilityCurve,
    share: f64,
    weight_n: f64,
    tests_n: u32,
}

/// A curve is never trusted less than this many grains, nor a share taken as wholly certain.
const LEAST_WEIGHT_N: f64 = 4.0;
const NEARLY: f64 = 1e-6;

/// Germination expected, with a 90 % interval, and the verdict on it.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct ExpectedGermination {
    /// Expected share, 0 to 1.
    pub share: f64,
    /// 5 % quantile.
    pub low: f64,
    /// 95 % quantile.
    pub high: f64,
    /// Verdict on the expected share.
    pub verdict: PollenVerdict,
    /// Own germination tests it rests on; 0 means the published curve alone.
    pub own_tests_n: u32,
}

impl LotViability {
    /// A fresh, dry lot.
    pub fn fresh(curve: ViabilityCurve) -> Self {
        Self {
            curve,
            share: curve.fresh_share,
            weight_n: curve.weight_n,
            tests_n: 0,
        }
    }

    /// A lot after its history.
    pub fn after(curve: ViabilityCurve, history: &[LotEvent]) -> Self {
        history
            .iter()
            .fold(Self::fresh(curve), |lot, &event| match event {
                LotEvent::Kept { storage, days } => lot.kept(storage, days),
                LotEvent::Tested(test) => lot.tested(test),
            })
    }

    /// The lot after some days in a storage; negative days count as none. Certainty fades with it.
    #[must_use]
    pub fn kept(self, storage: Storage, days: f64) -> Self {
        let left = self.curve.left_after(storage, days);
        let weight_n = (self.weight_n * left).max(LEAST_WEIGHT_N.min(self.weight_n));
        Self {
            share: self.share * left,
            weight_n,
            ..self
        }
    }

    /// The lot after a germination test.
    #[must_use]
    pub fn tested(self, test: GerminationTest) -> Self {
        let (germinated, counted) = (f64::from(test.germinated_n), f64::from(test.counted_n));
        let weight_n = self.weight_n + counted;
        let share = (self.share * self.weight_n + germinated) / weight_n;
        Self {
            share,
            weight_n,
            tests_n: self.tests_n + 1,
            ..self
        }
    }

    /// Germination expected now.
    pub fn expected(&self) -> ExpectedGermination {
        let share = self.share.clamp(NEARLY, 1.0 - NEARLY);
        let quantile = |p: f64| {
            Beta::new(share * self.weight_n, (1.0 - share) * self.weight_n)
                .map_or(share, |beta| beta.inverse_cdf(p))
        };
        ExpectedGermination {
            share: self.share,
            low: quantile(0.05).min(self.share),
            high: quantile(0.95).max(self.share),
            verdict: PollenVerdict::of(self.share),
            own_tests_n: self.tests_n,
        }
    }

    /// Days in a storage until the expected share falls to `share`; 0 when it is there already.
    pub fn days_until(&self, share: f64, storage: Storage) -> f64 {
        (self.curve.half_life_days(storage) * (self.share / share).log2()).max(0.0)
    }
}

/// Effective pollination period, days: ovule life less the time a tube needs, at most the life of
/// the stigma, at least 0 (Williams 1965).
pub fn effective_pollination_days(ovule_life: f64, tube_growth: f64, stigma_life: f64) -> f64 {
    (ovule_life - tube_growth).min(stigma_life).max(0.0)
}

/// Days after anthesis beyond which a pollination is warned about (a judgement; set falls steeply
/// after day 3 in the figures behind [`relative_set_after`]).
pub const LATE_POLLINATION_DAYS: f64 = 3.0;

/// A warning, not a refusal: the flower was open too long.
#[derive(Clone, Copy, Debug, PartialEq, Error)]
#[error(
    "pollinated {days_after_anthesis:.1} days after opening, past {LATE_POLLINATION_DAYS:.0} days; \
     expect about {:.0} % of the set of a first-day pollination", relative_set * 100.0
)]
pub struct LatePollination {
    /// Days from anthesis to pollination.
    pub days_after_anthesis: f64,
    /// Set expected relative to day 1, 0 to 1.
    pub relative_set: f64,
}

/// The warning due for a pollination, if any.
pub fn late_pollination(days_after_anthesis: f64) -> Option<LatePollination> {
    (days_after_anthesis > LATE_POLLINATION_DAYS).then(|| LatePollination {
        days_after_anthesis,
        relative_set: relative_set_after(days_after_anthesis),
    })
}

/// Set in per cent by days from anthesis to pollination: European plum, Norway 2018–19
/// (Horticulturae 2022, 8:55).
const SET_BY_DAY: [(f64, f64); 5] = [
    (1.0, 33.23),
    (3.0, 30.83),
    (5.0, 8.47),
    (7.0, 3.08),
    (9.0, 1.15),
];

/// Set expected relative to a pollination on day 1, 0 to 1: straight lines between the published
/// days for European plum, 1 before day 1, falling on from day 9 to 0 at day 11.
pub fn relative_set_after(days_after_anthesis: f64) -> f64 {
    let (first_day, best) = SET_BY_DAY[0];
    if days_after_anthesis <= first_day {
        return 1.0;
    }
    SET_BY_DAY
        .windows(2)
        .map(|p| (p[0], p[1]))
        .chain([(SET_BY_DAY[4], (11.0, 0.0))])
        .find(|&(_, (end, _))| days_after_anthesis <= end)
        .map_or(0.0, |((d0, s0), (d1, s1))| {
            (s0 + (s1 - s0) * (days_after_anthesis - d0) / (d1 - d0)) / best
        })
}

/// What a gathered flower yields. Defaults from memory for peach; replace by own counts.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct FlowerYield {
    /// Anthers of a flower.
    pub anthers_per_flower_n: f64,
    /// Pollen grains of an anther.
    pub grains_per_anther_n: f64,
    /// Share of the grains that ends in the vial, 0 to 1.
    pub recovered_share: f64,
}

impl Default for FlowerYield {
    fn default() -> Self {
        Self {
            anthers_per_flower_n: 25.0,
            grains_per_anther_n: 1500.0,
            recovered_share: 0.3,
        }
    }
}

/// What a pollinated flower takes. Defaults are ours; replace by own practice.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct PollenUse {
    /// Living grains spent on one flower, waste on the brush included.
    pub living_grains_per_flower_n: f64,
    /// Gathered beyond the need, as a share of it, 0 or more.
    pub reserve_share: f64,
}

impl Default for PollenUse {
    fn default() -> Self {
        Self {
            living_grains_per_flower_n: 1000.0,
            reserve_share: 0.25,
        }
    }
}

/// How many flowers to gather, and how that number came about.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct GatherPlan {
    /// Grains needed, dead ones and reserve included.
    pub grains_needed_n: f64,
    /// Grains in hand that count against the need.
    pub grains_in_hand_n: f64,
    /// Anthers to cut.
    pub anthers_n: u32,
    /// Balloon flowers to gather.
    pub balloon_flowers_n: u32,
}

/// Balloon flowers to gather for flowers still to be pollinated, given the germination expected of
/// the pollen (0 to 1) and the grains already in vials.
///
/// # Errors
/// [`PollenError`] for impossible parameters, or a germination below [`DEAD_SHARE`].
pub fn flowers_to_gather(
    flowers_to_pollinate_n: u32,
    germination_share: f64,
    grains_in_hand_n: f64,
    flower_yield: FlowerYield,
    pollen_use: PollenUse,
) -> Result<GatherPlan, PollenError> {
    let FlowerYield {
        anthers_per_flower_n,
        grains_per_anther_n,
        recovered_share,
    } = flower_yield;
    let PollenUse {
        living_grains_per_flower_n,
        reserve_share,
    } = pollen_use;
    for (name, value) in [
        ("anthers_per_flower_n", anthers_per_flower_n),
        ("grains_per_anther_n", grains_per_anther_n),
        ("living_grains_per_flower_n", living_grains_per_flower_n),
        ("1 + reserve_share", 1.0 + reserve_share),
        ("1 + grains_in_hand_n", 1.0 + grains_in_hand_n),
    ] {
        if !(value.is_finite() && value > 0.0) {
            return Err(PollenError::NotPositive { name, value });
        }
    }
    for (name, value) in [
        ("recovered_share", recovered_share),
        ("germination_share", germination_share),
    ] {
        if !(value > 0.0 && value <= 1.0) {
            return Err(PollenError::NotAShare { name, value });
        }
    }
    if PollenVerdict::of(germination_share) == PollenVerdict::Dead {
        return Err(PollenError::Dead { germination_share });
    }
    let grains_needed_n = f64::from(flowers_to_pollinate_n) * living_grains_per_flower_n
        / germination_share
        * (1.0 + reserve_share);
    let missing_n = (grains_needed_n - grains_in_hand_n).max(0.0);
    let anthers_n = whole(missing_n / (grains_per_anther_n * recovered_share));
    Ok(GatherPlan {
        grains_needed_n,
        grains_in_hand_n,
        anthers_n,
        balloon_flowers_n: whole(f64::from(anthers_n) / anthers_per_flower_n),
    })
}

/// Rounds up, forgiving the last digits of a division that should be whole.
fn whole(n: f64) -> u32 {
    (n * (1.0 - 1e-12)).ceil() as u32
}

#[cfg(test)]
mod tests {
    use super::*;

    fn lot() -> LotViability {
        LotViability::fresh(ViabilityCurve::default())
    }

    #[test]
    fn the_curve_meets_its_published_points() {
        let curve = ViabilityCurve::default();
        for (storage, after_90_days) in [
            (Storage::FreezerMinus80, 90.7 / 99.8),
            (Storage::Refrigerator, 36.7 / 99.8),
        ] {
            assert!(
                (curve.left_after(storage, 90.0) - after_90_days).abs() < 0.005,
                "{storage:?}"
            );
        }
    }

    #[test]
    fn storage_decides_the_verdict() {
        let verdict = |storage, days| lot().kept(storage, days).expected().verdict;
        assert_eq!(verdict(Storage::Room, 1.0), PollenVerdict::Good);
        assert_eq!(verdict(Storage::Room, 21.0), PollenVerdict::Dead);
        assert_eq!(verdict(Storage::Refrigerator, 56.0), PollenVerdict::Good);
        assert_eq!(
            verdict(Storage::Refrigerator, 120.0),
            PollenVerdict::Doubtful
        );
        assert_eq!(verdict(Storage::FreezerMinus20, 365.0), PollenVerdict::Good);
    }

    #[test]
    fn own_tests_override_the_curve() {
        let test = GerminationTest::new(10, 200).unwrap();
        let expected = lot()
            .kept(Storage::FreezerMinus20, 30.0)
            .tested(test)
            .expected();
        assert_eq!(expected.verdict, PollenVerdict::Dead);
        assert_eq!(expected.own_tests_n, 1);
        assert!(expected.low < expected.share && expected.share < expected.high);
        let before = lot().expected();
        assert!(before.high - before.low > expected.high - expected.low);
        assert!(GerminationTest::new(3, 0).is_err() && GerminationTest::new(3, 2).is_err());
    }

    #[test]
    fn a_lot_lasts_until_its_threshold() {
        let days = lot().days_until(DEAD_SHARE, Storage::Refrigerator);
        let then = lot().kept(Storage::Refrigerator, days).expected().share;
        assert!((then - DEAD_SHARE).abs() < 1e-9);
    }

    #[test]
    fn late_pollination_is_warned_about() {
        assert_eq!(late_pollination(3.0), None);
        assert!(late_pollination(5.0).unwrap().to_string().contains("25 %"));
        assert_eq!(relative_set_after(20.0), 0.0);
    }

    #[test]
    fn flowers_follow_from_grains() {
        let plan = |flowers, in_hand| {
            flowers_to_gather(
                flowers,
                0.5,
                in_hand,
                FlowerYield::default(),
                PollenUse::default(),
            )
        };
        let hundred = plan(100, 0.0).unwrap();
        assert_eq!((hundred.anthers_n, hundred.balloon_flowers_n), (556, 23));
        assert_eq!(plan(100, 1e9).unwrap().balloon_flowers_n, 0);
        assert_eq!(plan(0, 0.0).unwrap().balloon_flowers_n, 0);
        assert!(matches!(
            flowers_to_gather(1, 0.05, 0.0, FlowerYield::default(), PollenUse::default()),
            Err(PollenError::Dead { .. })
        ));
    }
}

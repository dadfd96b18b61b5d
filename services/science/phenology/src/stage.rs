//! Flower stages of stone fruit in the BBCH scale (Meier and others 1994; BBCH monograph 2001).

use serde::{Deserialize, Serialize};
use std::fmt;
use thiserror::Error;

/// A stage of flower development that the stone-fruit scale defines.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(try_from = "u8", into = "u8")]
#[repr(u8)]
pub enum FlowerStage {
    /// 00, dormant: buds closed, dark scales.
    Dormant = 0,
    /// 51, flower buds swell, still closed, light scales show.
    BudSwell = 51,
    /// 53, bud burst: scales part, light green shows.
    BudBurst = 53,
    /// 54, cluster wrapped in light green scales.
    ClusterEnclosed = 54,
    /// 55, single flower buds visible, closed, on short stalks.
    SingleBudsVisible = 55,
    /// 56, stalks lengthen, sepals shut, flowers part from each other.
    StalksLengthen = 56,
    /// 57, sepals open, petal tips visible.
    PetalTips = 57,
    /// 59, balloon: most flowers have petals as a hollow ball; pollen is gathered now.
    Balloon = 59,
    /// 60, first flowers open.
    FirstFlowers = 60,
    /// 61, about 10 % of flowers open.
    TenPercentOpen = 61,
    /// 62, about 20 % open.
    TwentyPercentOpen = 62,
    /// 63, about 30 % open.
    ThirtyPercentOpen = 63,
    /// 64, about 40 % open.
    FortyPercentOpen = 64,
    /// 65, full bloom: at least half open, first petals fall.
    FullBloom = 65,
    /// 67, fading: most petals fallen.
    Fading = 67,
    /// 69, end of bloom: all petals fallen.
    EndOfBloom = 69,
}

/// A code without a flower stage.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Error)]
pub enum StageError {
    /// The scale leaves this code of principal stages 5 and 6 open.
    #[error(
        "BBCH {code} has no definition for stone fruit; use {below:02} ({}) or {above:02} ({})",
        name_of(*.below), name_of(*.above)
    )]
    Undefined {
        /// The code given.
        code: u8,
        /// Nearest defined code below.
        below: u8,
        /// Nearest defined code above.
        above: u8,
    },
    /// Not a stage of flower buds or flowers.
    #[error(
        "BBCH {code} is not a flower stage of stone fruit; flower stages run from 51 to 69, 00 is dormant"
    )]
    NotAFlowerStage {
        /// The code given.
        code: u8,
    },
}

fn name_of(code: u8) -> &'static str {
    FlowerStage::try_from(code).map_or("undefined", FlowerStage::name)
}

impl FlowerStage {
    /// All stages in order.
    pub const ALL: [Self; 16] = [
        Self::Dormant,
        Self::BudSwell,
        Self::BudBurst,
        Self::ClusterEnclosed,
        Self::SingleBudsVisible,
        Self::StalksLengthen,
        Self::PetalTips,
        Self::Balloon,
        Self::FirstFlowers,
        Self::TenPercentOpen,
        Self::TwentyPercentOpen,
        Self::ThirtyPercentOpen,
        Self::FortyPercentOpen,
        Self::FullBloom,
        Self::Fading,
        Self::EndOfBloom,
    ];

    /// The two-digit code.
    pub fn code(self) -> u8 {
        self as u8
    }

    /// A short name.
    pub fn name(self) -> &'static str {
        match self {
            Self::Dormant => "dormant",
            Self::BudSwell => "bud swell",
            Self::BudBurst => "bud burst",
            Self::ClusterEnclosed => "cluster enclosed",
            Self::SingleBudsVisible => "single buds visible",
            Self::StalksLengthen => "stalks lengthen",
            Self::PetalTips => "petal tips visible",
            Self::Balloon => "balloon",
            Self::FirstFlowers => "first flowers open",
            Self::TenPercentOpen => "10 % open",
            Self::TwentyPercentOpen => "20 % open",
            Self::ThirtyPercentOpen => "30 % open",
            Self::FortyPercentOpen => "40 % open",
            Self::FullBloom => "full bloom",
            Self::Fading => "fading",
            Self::EndOfBloom => "end of bloom",
        }
    }

    /// Whether flowers are at the stage at which pollen is gathered: closed, petals showing.
    pub fn is_pollen_stage(self) -> bool {
        self == Self::Balloon
    }

    /// The stage behind a word of the trade, with a note where the word is used loosely.
    pub fn from_trade_word(word: &str) -> Option<(Self, Option<&'static str>)> {
        match word.trim().to_lowercase().as_str() {
            "dormant" => Some((Self::Dormant, None)),
            "balloon" => Some((Self::Balloon, None)),
            "popcorn" => Some((
                Self::Balloon,
                Some("some charts call the step from 57 towards 59 popcorn; taken as 59"),
            )),
            "first bloom" => Some((Self::TenPercentOpen, Some("taken as about 10 % open"))),
            "full bloom" => Some((Self::FullBloom, None)),
            "petal fall" => Some((Self::Fading, Some("taken as most petals fallen"))),
            "end of bloom" => Some((Self::EndOfBloom, None)),
            _ => None,
        }
    }

    /// The stage for a share of open flowers (0 to 1) before full bloom; `None` outside 0..=1.
    pub fn from_share_open(share: f64) -> Option<Self> {
        let stage = match share {
            s if !(0.0..=1.0).contains(&s) => return None,
            0.0 => Self::Balloon,
            s if s < 0.05 => Self::FirstFlowers,
            s if s < 0.15 => Self::TenPercentOpen,
            s if s < 0.25 => Self::TwentyPercentOpen,
            s if s < 0.35 => Self::ThirtyPercentOpen,
            s if s < 0.5 => Self::FortyPercentOpen,
            _ => Self::FullBloom,
        };
        Some(stage)
    }
}

impl TryFrom<u8> for FlowerStage {
    type Error = StageError;
    fn try_from(code: u8) -> Result<Self, Self::Error> {
        if let Some(stage) = Self::ALL.into_iter().find(|s| s.code() == code) {
            return Ok(stage);
        }
        let flower_codes = Self::BudSwell.code()..=Self::EndOfBloom.code();
        let neighbour = |mut codes: Box<dyn Iterator<Item = Self>>| {
            codes
                .next()
                .map(Self::code)
                .filter(|_| flower_codes.contains(&code))
        };
        let below = neighbour(Box::new(
            Self::ALL.into_iter().rev().filter(move |s| s.code() < code),
        ));
        let above = neighbour(Box::new(
            Self::ALL.into_iter().filter(move |s| s.code() > code),
        ));
        match below.zip(above) {
            Some((below, above)) => Err(StageError::Undefined { code, below, above }),
            None => Err(StageError::NotAFlowerStage { code }),
        }
    }
}

impl From<FlowerStage> for u8 {
    fn from(stage: FlowerStage) -> u8 {
        stage.code()
    }
}

impl fmt::Display for FlowerStage {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "BBCH {:02} ({})", self.code(), self.name())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn undefined_codes_are_rejected_with_neighbours() {
        for code in [52, 58, 66, 68] {
            let error = FlowerStage::try_from(code).unwrap_err();
            assert!(
                matches!(error, StageError::Undefined { .. }),
                "{code}: {error}"
            );
        }
        let message = FlowerStage::try_from(58).unwrap_err().to_string();
        assert!(message.contains("57 (petal tips visible)") && message.contains("59 (balloon)"));
        assert!(matches!(
            FlowerStage::try_from(71),
            Err(StageError::NotAFlowerStage { .. })
        ));
    }

    #[test]
    fn loose_words_come_with_a_note() {
        let (stage, note) = FlowerStage::from_trade_word("Popcorn").unwrap();
        assert!(stage.is_pollen_stage() && note.is_some());
        assert_eq!(FlowerStage::from_trade_word("pink-ish"), None);
        assert_eq!(
            FlowerStage::from_share_open(0.5),
            Some(FlowerStage::FullBloom)
        );
        assert_eq!(FlowerStage::from_share_open(1.2), None);
    }

    #[test]
    fn codes_round_trip() {
        for stage in FlowerStage::ALL {
            assert_eq!(FlowerStage::try_from(stage.code()).unwrap(), stage);
        }
    }
}

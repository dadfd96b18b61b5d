//! Countries by their two-letter codes (ISO 3166-1 alpha-2) and places as one jurisdiction sees
//! them.

use std::fmt;

use serde::{Deserialize, Deserializer, Serialize, Serializer};

/// An ISO 3166-1 alpha-2 code, or `EU` for the Union as a whole.
#[derive(Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct CountryCode([u8; 2]);

/// Officially assigned codes, with `EU` (exceptionally reserved).
const ASSIGNED: &str = "AD AE AF AG AI AL AM AO AQ AR AS AT AU AW AX AZ BA BB BD BE BF BG BH BI BJ \
BL BM BN BO BQ BR BS BT BV BW BY BZ CA CC CD CF CG CH CI CK CL CM CN CO CR CU CV CW CX CY CZ DE DJ \
DK DM DO DZ EC EE EG EH ER ES ET EU FI FJ FK FM FO FR GA GB GD GE GF GG GH GI GL GM GN GP GQ GR GS \
GT GU GW GY HK HM HN HR HT HU ID IE IL IM IN IO IQ IR IS IT JE JM JO JP KE KG KH KI KM KN KP KR KW \
KY KZ LA LB LC LI LK LR LS LT LU LV LY MA MC MD ME MF MG MH MK ML MM MN MO MP MQ MR MS MT MU MV MW \
MX MY MZ NA NC NE NF NG NI NL NO NP NR NU NZ OM PA PE PF PG PH PK PL PM PN PR PS PT PW PY QA RE RO \
RS RU RW SA SB SC SD SE SG SH SI SJ SK SL SM SN SO SR SS ST SV SX SY SZ TC TD TF TG TH TJ TK TL TM \
TN TO TR TT TV TW TZ UA UG UM US UY UZ VA VC VE VG VI VN VU WF WS YE YT ZA ZM ZW";

impl CountryCode {
    /// Reads a code in either case; `None` when it is not assigned.
    pub fn read(code: &str) -> Option<Self> {
        let &[a, b] = code.as_bytes() else {
            return None;
        };
        let upper = [a.to_ascii_uppercase(), b.to_ascii_uppercase()];
        upper
            .iter()
            .all(u8::is_ascii_uppercase)
            .then_some(Self(upper))
            .filter(|code| {
                ASSIGNED
                    .as_bytes()
                    .chunks(3)
                    .any(|known| known[..2] == code.0)
            })
    }

    /// As [`CountryCode::read`], and takes `UK` as a word for the United Kingdom.
    pub(crate) fn read_loosely(code: &str) -> Option<Self> {
        Self::read(if code.eq_ignore_ascii_case("UK") {
            "GB"
        } else {
            code
        })
    }

    /// The two letters.
    pub fn as_str(&self) -> &str {
        std::str::from_utf8(&self.0).expect("two ASCII letters")
    }
}

impl fmt::Debug for CountryCode {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.as_str())
    }
}

impl fmt::Display for CountryCode {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.as_str())
    }
}

impl Serialize for CountryCode {
    fn serialize<S: Serializer>(&self, to: S) -> Result<S::Ok, S::Error> {
        to.serialize_str(self.as_str())
    }
}

impl<'de> Deserialize<'de> for CountryCode {
    fn deserialize<D: Deserializer<'de>>(from: D) -> Result<Self, D::Error> {
        let code = String::deserialize(from)?;
        Self::read(&code).ok_or_else(|| {
            serde::de::Error::custom(format!("`{code}` is not an ISO 3166-1 alpha-2 code"))
        })
    }
}

/// Where something happened, as seen from one jurisdiction.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Place {
    /// Within the jurisdiction's territory.
    Home,
    /// Outside it.
    Abroad,
}

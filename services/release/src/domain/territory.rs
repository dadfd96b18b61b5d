//! Countries and their parts as ranges of whole numbers, so that "does this overlap that" is one
//! question to the database whether a country or a part of it is named.

use std::fmt;
use std::ops::Range;

use jiff::civil::Date;
use rights::{Book, CountryCode};
use rust_iso3166::iso3166_2;
use serde::{Deserialize, Serialize};

/// Letters and figures of ISO 3166-2 parts, with 0 for "no further character".
const PART_ALPHABET: i32 = 37;
/// Parts a country can have: up to three characters.
const PARTS: i32 = PART_ALPHABET * PART_ALPHABET * PART_ALPHABET;

/// A word that means the whole world.
pub const WORLD: &str = "WORLD";

/// A country (ISO 3166-1), a part of one (ISO 3166-2), the European Union or the world.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(try_from = "String", into = "String")]
pub struct Territory(String);

impl TryFrom<String> for Territory {
    type Error = String;

    fn try_from(code: String) -> Result<Self, String> {
        Self::read(&code)
    }
}

impl From<Territory> for String {
    fn from(territory: Territory) -> Self {
        territory.0
    }
}

impl Territory {
    /// Reads a code in either case.
    ///
    /// # Errors
    /// What is wrong, with the remedy.
    pub fn read(code: &str) -> Result<Self, String> {
        let upper = code.trim().to_ascii_uppercase();
        if upper == WORLD {
            return Ok(Self(upper));
        }
        let (country, part) = match upper.split_once('-') {
            Some((country, part)) => (country, Some(part)),
            None => (upper.as_str(), None),
        };
        let country = if country == "UK" { "GB" } else { country };
        if CountryCode::read(country).is_none() {
            return Err(format!(
                "{code:?} is not known; give ISO 3166-1 countries as US, ISO 3166-2 parts as US-CA, EU or WORLD"
            ));
        }
        match part {
            None => Ok(Self(country.to_owned())),
            Some(_) if country == "EU" => Err(format!(
                "{code:?}: name the member country and its part, as ES-CT"
            )),
            Some(part)
                if (1..=3).contains(&part.len())
                    && part.bytes().all(|b| b.is_ascii_alphanumeric()) =>
            {
                Ok(Self(format!("{country}-{part}")))
            }
            Some(_) => Err(format!(
                "{code:?}: a part has one to three letters or figures, as US-CA"
            )),
        }
    }

    /// The same, unless it is a part that ISO 3166-2 does not list. Asked of what comes in; what was
    /// stored is read as it is, since the standard drops parts.
    ///
    /// # Errors
    /// What is wrong, with the remedy.
    pub fn listed(self) -> Result<Self, String> {
        if self.0.contains('-') && iso3166_2::from_code(&self.0).is_none() {
            return Err(format!(
                "{self} is no part that ISO 3166-2 lists; look it up there, or name the whole country"
            ));
        }
        Ok(self)
    }

    /// The code.
    pub fn code(&self) -> &str {
        &self.0
    }

    /// The country, unless it is the Union or the world.
    pub fn country(&self) -> Option<&str> {
        let country = self.0.split('-').next()?;
        (country.len() == 2 && country != "EU").then_some(country)
    }

    /// The ground it covers, as ranges that do not touch those of others unless they share ground.
    /// The Union is its members as of a day.
    pub fn ground(&self, on: Date) -> Vec<Range<i32>> {
        match self.0.as_str() {
            WORLD => only(0..26 * 26 * PARTS),
            "EU" => union_members(on).map(|code| whole(code.as_str())).collect(),
            code => match code.split_once('-') {
                None => only(whole(code)),
                Some((country, part)) => {
                    let place = whole(country).start + part_number(part);
                    only(place..place + 1)
                }
            },
        }
    }

    /// Whether all of `other` lies within this, as of a day.
    pub fn covers(&self, other: &Self, on: Date) -> bool {
        let own = self.ground(on);
        other.ground(on).iter().all(|asked| {
            own.iter()
                .any(|held| held.start <= asked.start && asked.end <= held.end)
        })
    }

    /// Whether this and `other` share ground, as of a day.
    pub fn meets(&self, other: &Self, on: Date) -> bool {
        let own = self.ground(on);
        other.ground(on).iter().any(|asked| {
            own.iter()
                .any(|held| held.start < asked.end && asked.start < held.end)
        })
    }
}

impl fmt::Display for Territory {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}

/// Members of the European Union on a day.
pub fn union_members(on: Date) -> impl Iterator<Item = CountryCode> {
    Book::embedded()
        .jurisdiction("EU")
        .into_iter()
        .flat_map(|union| &union.territory)
        .filter(move |member| {
            member.from.is_none_or(|from| from <= on)
                && member.until.is_none_or(|until| on <= until)
        })
        .map(|member| member.country)
}

fn only(stretch: Range<i32>) -> Vec<Range<i32>> {
    std::iter::once(stretch).collect()
}

/// Range of a country; the first number is the country as such, no part's.
fn whole(country: &str) -> Range<i32> {
    let number = country
        .bytes()
        .fold(0, |n, letter| n * 26 + i32::from(letter - b'A'));
    number * PARTS..(number + 1) * PARTS
}

fn part_number(part: &str) -> i32 {
    let digit = |character: u8| match character {
        b'0'..=b'9' => i32::from(character - b'0') + 1,
        letter => i32::from(letter - b'A') + 11,
    };
    let mut digits = part.bytes().map(digit);
    (0..3).fold(0, |n, _| n * PART_ALPHABET + digits.next().unwrap_or(0))
}

/// Whether all of what is asked about lies within what is held, as of a day.
pub fn all_within(held: &[Territory], asked: &[Territory], on: Date) -> bool {
    asked
        .iter()
        .all(|asked| held.iter().any(|held| held.covers(asked, on)))
}

/// Whether two lists of places share ground, as of a day.
pub fn any_shared(some: &[Territory], others: &[Territory], on: Date) -> bool {
    some.iter()
        .any(|one| others.iter().any(|other| one.meets(other, on)))
}

/// The ground of several territories in ascending order, each stretch once.
pub fn ground_of(territories: &[Territory], on: Date) -> Vec<Range<i32>> {
    let mut ground: Vec<_> = territories
        .iter()
        .flat_map(|territory| territory.ground(on))
        .collect();
    ground.sort_by_key(|range| (range.start, range.end));
    ground.dedup_by(|later, earlier| {
        let joined = later.start < earlier.end;
        if joined {
            earlier.end = earlier.end.max(later.end);
        }
        joined
    });
    ground
}

/// Whether a jurisdiction's law reaches into a territory on a day.
pub fn reaches(jurisdiction: &rights::Jurisdiction, territory: &Territory, on: Date) -> bool {
    match (territory.code(), territory.country()) {
        (WORLD, _) => !jurisdiction.territory.is_empty(),
        ("EU", _) => union_members(on)
            .any(|member| jurisdiction.place_of(member, on) == Some(rights::Place::Home)),
        (_, Some(country)) => CountryCode::read(country)
            .and_then(|country| jurisdiction.place_of(country, on))
            .is_some_and(|place| place == rights::Place::Home),
        (_, None) => false,
    }
}

#[cfg(test)]
mod tests {
    use jiff::civil::date;
    use proptest::prelude::*;

    use super::*;

    const ON: Date = date(2026, 5, 1);

    fn territory(code: &str) -> Territory {
        Territory::read(code).unwrap()
    }

    #[test]
    fn a_country_meets_its_parts_and_no_others() {
        assert!(territory("US").meets(&territory("US-CA"), ON));
        assert!(territory("US").covers(&territory("US-CA"), ON));
        assert!(!territory("US-CA").meets(&territory("US-WA"), ON));
        assert!(!territory("US-CA").meets(&territory("CA"), ON));
        assert!(territory("EU").covers(&territory("ES-CT"), ON));
        assert!(!territory("EU").meets(&territory("GB"), ON));
        assert!(territory("WORLD").covers(&territory("NZ"), ON));
    }

    #[test]
    fn unknown_places_are_refused_with_the_remedy() {
        assert!(Territory::read("XX").unwrap_err().contains("ISO 3166-1"));
        assert!(Territory::read("US-").is_err());
        assert!(Territory::read("EU-ES").is_err());
        assert_eq!(territory("uk").code(), "GB");
    }

    #[test]
    fn parts_that_the_standard_does_not_list_are_refused_with_the_remedy() {
        for code in [
            "US-CA", "GB-SCT", "ES-CT", "CL-RM", "AU-WA", "US", "EU", "WORLD",
        ] {
            assert_eq!(territory(code).listed().unwrap().code(), code);
        }
        let fault = territory("US-ZZ").listed().unwrap_err();
        assert!(fault.contains("ISO 3166-2"), "{fault}");
    }

    #[test]
    fn the_union_is_home_to_its_members_law() {
        let union = Book::embedded().jurisdiction("EU").unwrap();
        assert!(reaches(union, &territory("ES"), ON));
        assert!(!reaches(union, &territory("CL"), ON));
    }

    proptest! {
        #[test]
        fn unlike_parts_never_share_a_number(a in "[A-Z0-9]{1,3}", b in "[A-Z0-9]{1,3}") {
            prop_assert_eq!(part_number(&a) == part_number(&b), a == b);
            prop_assert!((1..PARTS).contains(&part_number(&a)));
        }

        #[test]
        fn ground_is_in_order_and_apart(codes in proptest::collection::vec("[A-Z]{2}(-[A-Z]{2})?", 1..12)) {
            let read: Vec<_> = codes.iter().filter_map(|c| Territory::read(c).ok()).collect();
            let ground = ground_of(&read, ON);
            prop_assert!(ground.windows(2).all(|pair| pair[0].end <= pair[1].start));
            for territory in &read {
                prop_assert!(territory.ground(ON).iter().all(|asked| ground
                    .iter()
                    .any(|held| held.start <= asked.start && asked.end <= held.end)));
            }
        }
    }
}

//! Groups of countries and of their parts, under codes that licences may name.
//!
//! A group is data: its members with the days on which they came and went, and where that is told.
//! A licence that names one comes to the members of the day on which its terms are agreed, and goes
//! on coming to them: neither a later accession nor a change of the group's definition moves a
//! licence that was granted before.

use std::collections::BTreeMap;
use std::sync::LazyLock;

use jiff::civil::Date;
use serde::{Deserialize, Serialize};

use super::territory::{Territory, all_within, union_members};

/// Groups that come with the program.
static EMBEDDED: LazyLock<Vec<Group>> = LazyLock::new(|| {
    serde_json::from_str(include_str!("../../data/territory_groups.json"))
        .expect("the embedded groups are checked by a test")
});

/// The Union's code; its members stand with its law.
const UNION: &str = "EU";

/// A place and when it was a member of a group.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Member {
    /// A country or a part of one.
    pub place: Territory,
    /// First day as a member.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub since: Option<Date>,
    /// Last day as a member.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub until: Option<Date>,
}

impl Member {
    fn belongs(&self, on: Date) -> bool {
        self.since.is_none_or(|since| since <= on) && self.until.is_none_or(|until| on <= until)
    }
}

/// A group of places.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Group {
    /// Its code.
    pub code: String,
    /// Its name.
    pub name: String,
    /// Where its members are told.
    pub source: String,
    /// How well the source is known; empty for a programme's own.
    #[serde(default)]
    pub confidence: String,
    /// Its members.
    pub members: Vec<Member>,
}

impl Group {
    /// Its members on a day.
    pub fn comes_to(&self, on: Date) -> Vec<Territory> {
        self.members
            .iter()
            .filter(|member| member.belongs(on))
            .map(|member| member.place.clone())
            .collect()
    }
}

/// Groups that come with the program, by their code.
pub fn embedded() -> &'static [Group] {
    &EMBEDDED
}

/// Whether a text has the form of a group's code, which no country's or part's has.
pub fn is_code(text: &str) -> bool {
    (3..=20).contains(&text.len())
        && text.starts_with(|first: char| first.is_ascii_uppercase())
        && text
            .bytes()
            .all(|b| b.is_ascii_uppercase() || b.is_ascii_digit() || b == b'_')
}

/// Whether a code is taken by the program itself.
pub fn is_taken(code: &str) -> bool {
    code == super::territory::WORLD || embedded().iter().any(|group| group.code == code)
}

/// A place as a licence names it, with what it comes to on the day.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Named {
    /// The code as it was given, in capitals.
    pub code: String,
    /// Countries and parts of countries, or the world.
    pub comes_to: Vec<Territory>,
}

/// The groups that a programme may name: those that come with the program and its own.
#[derive(Debug, Clone, Default)]
pub struct Groups(BTreeMap<String, Group>);

impl Groups {
    /// With a programme's own.
    pub fn with(own: impl IntoIterator<Item = Group>) -> Self {
        let all = embedded().iter().cloned().chain(own);
        Self(all.map(|group| (group.code.clone(), group)).collect())
    }

    /// What a code names on a day.
    ///
    /// # Errors
    /// What is wrong, with the remedy.
    pub fn named(&self, code: &str, on: Date) -> Result<Named, String> {
        let upper = code.trim().to_ascii_uppercase();
        if let Some(group) = self.0.get(&upper) {
            let comes_to = group.comes_to(on);
            return if comes_to.is_empty() {
                Err(format!("{upper} has no member on {on}"))
            } else {
                Ok(Named {
                    code: upper,
                    comes_to,
                })
            };
        }
        let place =
            Territory::read(code)
                .and_then(Territory::listed)
                .map_err(|fault| match self.0.len() {
                    0 => fault,
                    _ => {
                        let known: Vec<&str> = self.0.keys().map(String::as_str).collect();
                        format!("{fault}; or a group of countries: {}", known.join(", "))
                    }
                })?;
        let comes_to = if place.code() == UNION {
            union_members(on)
                .filter_map(|member| Territory::read(member.as_str()).ok())
                .collect()
        } else {
            vec![place.clone()]
        };
        Ok(Named {
            code: place.code().to_owned(),
            comes_to,
        })
    }
}

/// The named places in order, with those left out that lie within another of them.
pub fn simplest(named: Vec<Named>, on: Date) -> Vec<Named> {
    let mut kept: Vec<Named> = Vec::new();
    for place in named {
        let within = |held: &Named| all_within(&held.comes_to, &place.comes_to, on);
        if kept.iter().any(within) {
            continue;
        }
        kept.retain(|held| !all_within(&place.comes_to, &held.comes_to, on));
        kept.push(place);
    }
    kept.sort_by(|a, b| a.code.cmp(&b.code));
    kept
}

/// What named places come to together, each country or part once.
pub fn comes_to(named: &[Named]) -> Vec<Territory> {
    let mut all: Vec<Territory> = named
        .iter()
        .flat_map(|place| place.comes_to.iter().cloned())
        .collect();
    all.sort();
    all.dedup();
    all
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeSet;

    use jiff::civil::date;
    use proptest::prelude::*;

    use super::*;
    use crate::domain::territory::ground_of;

    const ON: Date = date(2026, 5, 1);

    fn codes(all: &[Territory]) -> Vec<&str> {
        all.iter().map(Territory::code).collect()
    }

    fn named(code: &str) -> Named {
        Groups::with([]).named(code, ON).unwrap()
    }

    #[test]
    fn every_embedded_group_holds_together() {
        let mut seen = BTreeSet::new();
        for group in embedded() {
            assert!(is_code(&group.code), "{}", group.code);
            assert!(seen.insert(&group.code), "{} twice", group.code);
            assert!(!group.source.is_empty() && !group.name.is_empty());
            assert!(["read", "secondary", "memory"].contains(&group.confidence.as_str()));
            assert!(!group.comes_to(ON).is_empty());
            assert!(Territory::read(&group.code).is_err(), "{}", group.code);
            for member in &group.members {
                assert!(member.place.country().is_some(), "{:?}", member.place);
                let (since, until) = (member.since, member.until);
                assert!(since.is_none_or(|s| until.is_none_or(|u| s <= u)));
            }
            let places: BTreeSet<_> = group.members.iter().map(|m| &m.place).collect();
            assert_eq!(places.len(), group.members.len(), "{}", group.code);
        }
    }

    #[test]
    fn a_group_is_what_it_was_on_the_day() {
        let groups = Groups::with([]);
        let on = |code, on| groups.named(code, on).unwrap().comes_to;
        assert!(codes(&on("EEA", date(2020, 12, 31))).contains(&"GB"));
        assert!(!codes(&on("EEA", date(2021, 1, 1))).contains(&"GB"));
        assert!(!codes(&on("MERCOSUR", date(2024, 8, 7))).contains(&"BO"));
        assert!(codes(&on("mercosur", date(2024, 8, 8))).contains(&"BO"));
        assert!(
            groups
                .named("EEA", date(1990, 1, 1))
                .unwrap_err()
                .contains("no member")
        );
        assert_eq!(codes(&on("BENELUX", ON)), ["BE", "LU", "NL"]);
        // The Union with its outermost regions lies within the Area in all but those regions.
        let (union, area) = (on("EU", ON), on("EEA", ON));
        assert!(union.iter().filter(|m| area.contains(m)).count() >= 27);
    }

    #[test]
    fn an_unknown_code_is_told_what_is_known() {
        let told = Groups::with([]).named("ATLANTIS", ON).unwrap_err();
        assert!(
            told.contains("ISO 3166-1") && told.contains("MERCOSUR"),
            "{told}"
        );
    }

    #[test]
    fn codes_are_never_those_of_countries_or_parts() {
        for sound in ["EEA", "SOUTHERN_CONE", "G20"] {
            assert!(is_code(sound), "{sound}");
        }
        for unsound in [
            "EU",
            "US-CA",
            "eea",
            "A",
            "4TH",
            "",
            "SOUTH CONE",
            "ABCDEFGHIJKLMNOPQRSTU",
        ] {
            assert!(!is_code(unsound), "{unsound}");
        }
        assert!(is_taken("WORLD") && is_taken("OAPI") && !is_taken("SOUTHERN_CONE"));
    }

    #[test]
    fn what_lies_within_another_is_left_out() {
        let all = ["US-CA", "US", "ES", "EU", "US-WA", "BENELUX", "NO", "EFTA"];
        let kept = simplest(all.map(named).to_vec(), ON);
        let kept: Vec<_> = kept.iter().map(|named| named.code.as_str()).collect();
        assert_eq!(kept, ["EFTA", "EU", "US"]);
    }

    proptest! {
        #[test]
        fn a_group_shares_ground_with_each_member_and_its_parts(
            group in proptest::sample::select(embedded().to_vec()),
            pick in any::<prop::sample::Index>(),
            part in "[A-Z]{2}",
        ) {
            let members = group.comes_to(ON);
            let member = &members[pick.index(members.len())];
            let part = Territory::read(&format!("{}-{part}", member.code())).unwrap();
            let ground = ground_of(&members, ON);
            for place in [member, &part] {
                let asked = place.ground(ON);
                prop_assert!(asked.iter().all(|asked| ground
                    .iter()
                    .any(|held| held.start <= asked.start && asked.end <= held.end)));
            }
        }
    }
}

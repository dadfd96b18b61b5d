//! The book of rules: jurisdictions as versioned data, read from one JSON file each.
//!
//! Nothing here knows a law. Every period, starting event, roll and source stands in `data/`, so
//! that a practitioner can review it without reading code.

use std::sync::LazyLock;

use jiff::civil::Date;
use serde::{Deserialize, Serialize};

use crate::RightsError;
use crate::calendar::{Calendar, Length};
use crate::country::{CountryCode, Place};
use crate::event::EventKind;
use crate::fee::FeeRule;
use crate::marking::MarkingRule;

/// How well a rule is known.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Confidence {
    /// The statute's or the office's own text was read, in excerpts.
    Read,
    /// Seen in a secondary summary only.
    Secondary,
    /// From memory; to be confirmed.
    Memory,
    /// Nobody could say; no date is computed.
    Unknown,
}

/// What a period leads to.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum What {
    /// Last day to file without losing novelty.
    FileBy,
    /// Last day to file with a claim of priority.
    ClaimPriorityBy,
    /// Last day to ask for a late claim of priority.
    PetitionLatePriorityBy,
    /// Last day to lodge the papers that support priority.
    LodgePriorityPapersBy,
    /// Last day to submit material after a claim of priority.
    SubmitMaterialBy,
    /// Last day to reply to an office action.
    ReplyBy,
    /// Last day to reply with every extension.
    ReplyAtLatest,
    /// Last day to pay the issue fee.
    PayIssueFeeBy,
    /// Last day for an act whose unrolled day is told.
    ActBy,
    /// An annual fee.
    AnnualFee,
    /// End of the right.
    Expiry,
    /// Earliest end of the right that a convention allows its members.
    MinimumExpiry,
}

/// Whether a day that is not a working day moves to the next that is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Roll {
    /// The law moves the day to the office's next working day.
    NextWorkingDay,
    /// The law moves no day, or the move must not be relied on.
    None,
    /// Whether the law moves the day was not found; the unrolled day stands.
    Unknown,
}

/// Where the starting event must have happened.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Where {
    /// Anywhere in the world.
    Anywhere,
    /// Within the territory.
    Home,
    /// Outside the territory.
    Abroad,
}

impl Where {
    /// Whether an event in `place` is one the rule speaks of; an untold place fits only anywhere.
    pub fn covers(self, place: Option<Place>) -> bool {
        match self {
            Self::Anywhere => true,
            Self::Home => place == Some(Place::Home),
            Self::Abroad => place == Some(Place::Abroad),
        }
    }
}

/// From which end a period of years is counted.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Counted {
    /// To the anniversary of the starting event.
    #[default]
    Anniversary,
    /// To 31 December of the year that many years after the starting event's year.
    EndOfCalendarYear,
}

/// One deadline that an event starts.
#[derive(Debug, Clone, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Rule {
    /// What must be done by its end.
    pub what: What,
    /// Events that start it; the earliest counts.
    pub starts: Vec<EventKind>,
    /// Events that may start it, depending on facts or law a person must judge.
    #[serde(default)]
    pub may_start: Vec<EventKind>,
    /// Where the starting event must have happened.
    #[serde(default = "anywhere")]
    pub place: Where,
    /// The period; none when it is not known.
    #[serde(default)]
    pub period: Option<Length>,
    /// The period for the class with longer periods, where it differs.
    #[serde(default)]
    pub tree_or_vine_period: Option<Length>,
    /// What happens to a day on which the office is closed.
    pub roll: Roll,
    /// For a rule of novelty: priority filings whose day stands for the day of filing.
    #[serde(default)]
    pub priority_counts: Vec<EventKind>,
    /// Whom it binds.
    pub binds: String,
    /// Extension that the law allows, in words.
    #[serde(default)]
    pub extension: Option<String>,
    /// The law.
    pub law: String,
    /// How well it is known.
    pub confidence: Confidence,
    /// What a reader should know besides.
    #[serde(default)]
    pub note: Option<String>,
}

fn anywhere() -> Where {
    Where::Anywhere
}

/// One way of counting a term; the earliest of its events counts.
#[derive(Debug, Clone, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Limb {
    /// Events of which the earliest starts the term.
    pub starts: Vec<EventKind>,
    /// The period; none when it is not known.
    #[serde(default)]
    pub period: Option<Length>,
    /// The period for the class with longer periods, where it differs.
    #[serde(default)]
    pub tree_or_vine_period: Option<Length>,
    /// How the end is counted.
    #[serde(default)]
    pub counted: Counted,
}

/// The term of a right: the latest end among its limbs. A term's end is never rolled.
#[derive(Debug, Clone, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct TermRule {
    /// [`What::Expiry`] or [`What::MinimumExpiry`].
    pub what: What,
    /// Ways of counting, all of which must be countable.
    pub limbs: Vec<Limb>,
    /// Whether days of adjustment and a terminal disclaimer apply.
    #[serde(default)]
    pub adjustable: bool,
    /// Whether the last day may be the anniversary or the day before, by the office's custom.
    #[serde(default)]
    pub may_end_day_before: bool,
    /// The law.
    pub law: String,
    /// How well it is known.
    pub confidence: Confidence,
    /// What a reader should know besides.
    #[serde(default)]
    pub note: Option<String>,
}

/// The text of a law in force from a day on.
#[derive(Debug, Clone, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Version {
    /// Title of the law.
    pub title: String,
    /// Year of the Act, by which a person may choose this version.
    pub act: String,
    /// Day from which it governs; none when it is not known.
    #[serde(default)]
    pub in_force_from: Option<Date>,
    /// Events by whose day the version is chosen, the first that is told.
    pub chosen_by: Vec<EventKind>,
    /// Its deadlines.
    pub rules: Vec<Rule>,
    /// Its term.
    pub term: TermRule,
}

/// Whether a right is a patent or a breeder's right of its own kind.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Family {
    /// A patent for a plant.
    Patent,
    /// A breeder's right.
    BreedersRight,
}

/// Words that mean a breeder's right in any jurisdiction.
const BREEDERS_RIGHT_WORDS: &[&str] = &[
    "breeders_right",
    "plant_breeders_right",
    "plant_breeders_rights",
    "plant_variety_right",
    "plant_variety_protection",
    "community_plant_variety_right",
    "pvp_certificate",
    "pvp",
    "cpvr",
    "pbr",
    "pvr",
    "pbr_minimum",
];

/// One way to protection in one jurisdiction.
#[derive(Debug, Clone, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct RouteRules {
    /// Word for the right.
    pub kind: String,
    /// Other words for it in this jurisdiction.
    #[serde(default)]
    pub aliases: Vec<String>,
    /// Name of the right, for a reader.
    pub name: String,
    /// Patent or breeder's right.
    pub family: Family,
    /// Office that grants it.
    pub office: String,
    /// The office's working days.
    pub calendar: Calendar,
    /// The law's own word for the class with longer periods.
    pub longer_class: String,
    /// Who can be protected and how, in words.
    #[serde(default)]
    pub note: Option<String>,
    /// Texts of the law, oldest first.
    pub versions: Vec<Version>,
    /// Annual fees.
    pub fees: FeeRule,
    /// What the law asks of a tag.
    pub marking: MarkingRule,
}

impl RouteRules {
    /// Whether a word means this right.
    pub fn is_named(&self, kind: &str) -> bool {
        self.kind == kind
            || self.aliases.iter().any(|alias| alias == kind)
            || (self.family == Family::BreedersRight && BREEDERS_RIGHT_WORDS.contains(&kind))
    }
}

/// A country that belongs, or belonged, to a jurisdiction's territory.
#[derive(Debug, Clone, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Member {
    /// Its code.
    pub country: CountryCode,
    /// First day, if it joined within the time that matters.
    #[serde(default)]
    pub from: Option<Date>,
    /// Last day, if it left.
    #[serde(default)]
    pub until: Option<Date>,
}

/// One jurisdiction's rules.
#[derive(Debug, Clone, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Jurisdiction {
    /// Code by which it is asked for.
    pub code: String,
    /// Other codes for it.
    #[serde(default)]
    pub aliases: Vec<String>,
    /// Name.
    pub name: String,
    /// Day on which this file was last reviewed.
    pub reviewed_on: Date,
    /// What a reader should know besides.
    #[serde(default)]
    pub note: Option<String>,
    /// Countries that are home; empty for a convention without territory.
    pub territory: Vec<Member>,
    /// Ways to protection.
    pub routes: Vec<RouteRules>,
}

impl Jurisdiction {
    /// Reads and checks one jurisdiction's file.
    ///
    /// # Errors
    /// [`RightsError::BadRules`] naming the file's place and what does not hold together.
    pub fn from_json(name: &str, json: &str) -> Result<Self, RightsError> {
        let read: Self = serde_json::from_str(json).map_err(|e| RightsError::BadRules {
            place: name.to_owned(),
            problem: e.to_string(),
        })?;
        read.check()?;
        Ok(read)
    }

    /// Whether a code means this jurisdiction.
    pub fn is_named(&self, code: &str) -> bool {
        self.code.eq_ignore_ascii_case(code)
            || self
                .aliases
                .iter()
                .any(|alias| alias.eq_ignore_ascii_case(code))
    }

    /// Where a country lies on a day, seen from here; `None` for a convention without territory.
    pub fn place_of(&self, country: CountryCode, on: Date) -> Option<Place> {
        if self.territory.is_empty() {
            return None;
        }
        let home = country.as_str() == self.code
            || self.territory.iter().any(|member| {
                member.country == country
                    && member.from.is_none_or(|from| from <= on)
                    && member.until.is_none_or(|until| on <= until)
            });
        Some(if home { Place::Home } else { Place::Abroad })
    }

    /// The right a word means here.
    ///
    /// # Errors
    /// [`RightsError::UnknownKind`] naming the kinds there are.
    pub fn route(&self, kind: &str) -> Result<&RouteRules, RightsError> {
        let exact = self
            .routes
            .iter()
            .find(|route| route.kind == kind || route.aliases.iter().any(|alias| alias == kind));
        exact
            .or_else(|| self.routes.iter().find(|route| route.is_named(kind)))
            .ok_or_else(|| RightsError::UnknownKind {
                value: kind.to_owned(),
                jurisdiction: self.code.clone(),
                covered: self
                    .routes
                    .iter()
                    .map(|route| route.kind.as_str())
                    .collect::<Vec<_>>()
                    .join(", "),
            })
    }

    fn check(&self) -> Result<(), RightsError> {
        let bad = |place: &str, problem: &str| {
            Err(RightsError::BadRules {
                place: format!("{} {place}", self.code).trim_end().to_owned(),
                problem: problem.to_owned(),
            })
        };
        if self.routes.is_empty() {
            return bad("", "holds no way to protection; add one under routes");
        }
        for route in &self.routes {
            if route.versions.is_empty() {
                return bad(
                    &route.kind,
                    "holds no text of the law; add one under versions",
                );
            }
            let ordered = route.versions.windows(2).all(|pair| {
                pair[1]
                    .in_force_from
                    .is_some_and(|day| pair[0].in_force_from < Some(day))
            });
            if !ordered {
                return bad(
                    &route.kind,
                    "versions must be oldest first, each with in_force_from",
                );
            }
            for version in &route.versions {
                let at = format!("{} ({})", route.kind, version.act);
                if !matches!(version.term.what, What::Expiry | What::MinimumExpiry) {
                    return bad(&at, "the term's what must be expiry or minimum_expiry");
                }
                if version.term.limbs.is_empty() {
                    return bad(&at, "the term has no limb; add one");
                }
                if version.term.confidence != Confidence::Unknown
                    && version.term.limbs.iter().any(|limb| limb.period.is_none())
                {
                    return bad(&at, "a term without a period must have confidence unknown");
                }
                for rule in &version.rules {
                    if rule.law.trim().is_empty() || version.term.law.trim().is_empty() {
                        return bad(&at, "a rule cites no law; name it");
                    }
                    if rule.starts.is_empty() && rule.may_start.is_empty() {
                        return bad(&at, "a rule has no starting event; name one");
                    }
                    if rule.period.is_none() && rule.confidence != Confidence::Unknown {
                        return bad(&at, "a rule without a period must have confidence unknown");
                    }
                    if matches!(rule.what, What::Expiry | What::MinimumExpiry) {
                        return bad(&at, "a term belongs under term, not under rules");
                    }
                }
            }
        }
        Ok(())
    }
}

/// Every jurisdiction that is covered.
#[derive(Debug, Clone)]
pub struct Book {
    jurisdictions: Vec<Jurisdiction>,
}

const FILES: &[(&str, &str)] = &[
    ("us.json", include_str!("../data/us.json")),
    ("upov.json", include_str!("../data/upov.json")),
    ("eu.json", include_str!("../data/eu.json")),
    ("gb.json", include_str!("../data/gb.json")),
    ("ca.json", include_str!("../data/ca.json")),
    ("au.json", include_str!("../data/au.json")),
    ("nz.json", include_str!("../data/nz.json")),
    ("cl.json", include_str!("../data/cl.json")),
    ("za.json", include_str!("../data/za.json")),
    ("jp.json", include_str!("../data/jp.json")),
];

static EMBEDDED: LazyLock<Book> = LazyLock::new(|| {
    let files = FILES
        .iter()
        .map(|(name, json)| Jurisdiction::from_json(name, json));
    let read = files.collect::<Result<_, _>>().and_then(Book::new);
    read.unwrap_or_else(|e| panic!("the embedded rules do not hold together: {e}"))
});

impl Book {
    /// A book of these jurisdictions.
    ///
    /// # Errors
    /// [`RightsError::BadRules`] when two jurisdictions share a code.
    pub fn new(jurisdictions: Vec<Jurisdiction>) -> Result<Self, RightsError> {
        for (at, jurisdiction) in jurisdictions.iter().enumerate() {
            if jurisdictions[..at]
                .iter()
                .any(|earlier| earlier.is_named(&jurisdiction.code))
            {
                return Err(RightsError::BadRules {
                    place: jurisdiction.code.clone(),
                    problem: "the code is taken by another file; give each its own".to_owned(),
                });
            }
        }
        Ok(Self { jurisdictions })
    }

    /// The rules that Drupeline carries.
    ///
    /// # Panics
    /// When a file under `data/` does not hold together, which a test rules out.
    pub fn embedded() -> &'static Self {
        &EMBEDDED
    }

    /// The jurisdictions, in the order of the files.
    pub fn jurisdictions(&self) -> &[Jurisdiction] {
        &self.jurisdictions
    }

    /// The jurisdiction a code means.
    ///
    /// # Errors
    /// [`RightsError::UnknownJurisdiction`] saying what is covered.
    pub fn jurisdiction(&self, code: &str) -> Result<&Jurisdiction, RightsError> {
        self.jurisdictions
            .iter()
            .find(|jurisdiction| jurisdiction.is_named(code.trim()))
            .ok_or_else(|| RightsError::UnknownJurisdiction {
                value: code.to_owned(),
                covered: self
                    .jurisdictions
                    .iter()
                    .map(|jurisdiction| format!("{} ({})", jurisdiction.code, jurisdiction.name))
                    .collect::<Vec<_>>()
                    .join(", "),
            })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn changed(from: &str, to: &str) -> Result<Jurisdiction, RightsError> {
        let json = FILES
            .iter()
            .find(|(name, _)| *name == "nz.json")
            .expect("a file")
            .1;
        assert!(json.contains(from), "{from}");
        Jurisdiction::from_json("nz.json", &json.replacen(from, to, 1))
    }

    fn problem(from: &str, to: &str) -> String {
        changed(from, to).unwrap_err().to_string()
    }

    #[test]
    fn every_embedded_file_holds_together() {
        assert_eq!(Book::embedded().jurisdictions().len(), FILES.len());
        for (name, json) in FILES {
            let read = Jurisdiction::from_json(name, json).unwrap();
            assert_eq!(format!("{}.json", read.code.to_lowercase()), *name);
        }
    }

    #[test]
    fn rules_that_do_not_hold_together_are_refused_with_their_place() {
        assert!(changed("\"NZ\"", "\"NZ\"").is_ok());
        assert!(problem("\"country\": \"NZ\"", "\"country\": \"ZN\"").contains("`ZN`"));
        assert!(
            problem("\"law\": \"Plant", "\"law\": \"\", \"note\": \"Plant")
                .contains("cites no law")
        );
        assert!(problem("\"in_force_from\": \"2023-01-24\",", "").contains("oldest first"));
        assert!(problem("\"years\": 1", "\"years\": 300").starts_with("rules of nz.json"));
        let unread = problem(
            "\"period\": {\n                \"years\": 1\n              },",
            "",
        );
        assert!(unread.contains("confidence unknown"), "{unread}");
    }

    #[test]
    fn two_files_cannot_share_a_code() {
        let nz = changed("\"NZ\"", "\"NZ\"").unwrap();
        assert!(
            Book::new(vec![nz.clone(), nz])
                .unwrap_err()
                .to_string()
                .contains("taken")
        );
    }

    #[test]
    fn general_words_for_a_breeders_right_are_understood_everywhere() {
        for jurisdiction in Book::embedded().jurisdictions() {
            let route = jurisdiction.route("pbr").unwrap();
            assert_eq!(route.family, Family::BreedersRight, "{}", jurisdiction.code);
        }
        assert!(
            Book::embedded()
                .jurisdiction("uk")
                .is_ok_and(|found| found.code == "GB")
        );
    }
}

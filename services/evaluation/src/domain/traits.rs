//! Traits: how a value is taken, and which values can be.

use jiff::civil::Date;

platform::words! {
    /// What kind of value a trait takes.
    pub enum Scale {
        /// A number with a unit.
        Measured = "measured",
        /// A whole number of things.
        Count = "count",
        /// A note on a scale, as 1 to 9.
        Ordinal = "ordinal",
        /// A state without order.
        Nominal = "nominal",
        /// A day, reckoned as day of the year.
        Date = "date",
    }
}

platform::words! {
    /// Which way is better for selection.
    #[derive(Default)]
    pub enum Better {
        /// The more the better.
        Higher = "higher",
        /// The less the better.
        Lower = "lower",
        /// It depends on what is bred for.
        #[default]
        Neither = "neither",
    }
}

impl Better {
    /// +1, -1 or 0.
    pub fn sign(self) -> f64 {
        match self {
            Self::Higher => 1.0,
            Self::Lower => -1.0,
            Self::Neither => 0.0,
        }
    }
}

platform::words! {
    /// How a computed trait is made of two others.
    pub enum Computation {
        /// First less second.
        Difference = "difference",
        /// First over second.
        Ratio = "ratio",
    }
}

impl Computation {
    /// The value; none when it would not be a number.
    pub fn of(self, first: f64, second: f64) -> Option<f64> {
        let value = match self {
            Self::Difference => first - second,
            Self::Ratio => first / second,
        };
        value.is_finite().then_some(value)
    }
}

/// A computed trait's making.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Computed {
    /// How.
    pub how: Computation,
    /// Code of the first trait.
    pub first: String,
    /// Code of the second trait.
    pub second: String,
}

/// One state of an ordinal or nominal trait.
#[derive(Debug, Clone, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub struct State {
    /// Note or number.
    pub note: u32,
    /// What it means.
    pub name: String,
}

/// A trait in the library.
#[derive(Debug, Clone, PartialEq)]
pub struct Trait {
    /// Code by which records name it.
    pub code: String,
    /// Name.
    pub name: String,
    /// How it is taken.
    pub method: String,
    /// Kind of value.
    pub scale: Scale,
    /// Unit of a measured trait.
    pub unit: String,
    /// Least value taken.
    pub least: Option<f64>,
    /// Largest value taken.
    pub largest: Option<f64>,
    /// States of an ordinal or nominal trait.
    pub states: Vec<State>,
    /// Where the definition comes from.
    pub source: String,
    /// Which way is better.
    pub better: Better,
    /// What it is computed from, when nobody records it.
    pub computed: Option<Computed>,
    /// Whether it belongs to the standard set.
    pub standard: bool,
    /// Characteristics of UPOV test guidelines that it serves.
    pub upov: Vec<Characteristic>,
}

/// A characteristic in a UPOV test guideline.
#[derive(Debug, Clone, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub struct Characteristic {
    /// Document, as TG/53/7.
    pub guideline: String,
    /// Number in its table of characteristics.
    pub number: u32,
    /// Species that the document is about.
    #[serde(default)]
    pub species: String,
    /// Where the document was read.
    #[serde(default)]
    pub source: String,
}

impl Characteristic {
    /// Whether the document is written as UPOV writes them: TG, number, edition.
    pub fn is_guideline(text: &str) -> bool {
        let parts: Vec<&str> = text.split('/').collect();
        matches!(parts.as_slice(), ["TG", number, edition, ..]
            if number.parse::<u16>().is_ok()
                && edition.starts_with(|c: char| c.is_ascii_digit()))
            && text.len() <= 40
    }
}

impl Trait {
    /// Reads a value as it was sent, observed on `day` at the site.
    ///
    /// # Errors
    /// What is wrong with it, and what would be taken.
    pub fn read(&self, sent: &str, day: Date) -> Result<f64, String> {
        if self.computed.is_some() {
            return Err(format!(
                "{} is computed from other traits; record those instead",
                self.code
            ));
        }
        match self.scale {
            Scale::Measured => self.within(number(sent)?),
            Scale::Count => {
                let value = number(sent)?;
                if value < 0.0 || value.fract() != 0.0 {
                    return Err(format!("{sent} is not a whole number of 0 or more"));
                }
                self.within(value)
            }
            Scale::Ordinal | Scale::Nominal => self.state(sent),
            Scale::Date => day_of_year(sent, day).and_then(|value| self.within(value)),
        }
    }

    fn within(&self, value: f64) -> Result<f64, String> {
        let low = self.least.is_some_and(|least| value < least);
        let high = self.largest.is_some_and(|largest| value > largest);
        if !low && !high {
            return Ok(value);
        }
        let bounds = match (self.least, self.largest) {
            (Some(least), Some(largest)) => format!("outside {least} to {largest}"),
            (Some(least), None) => format!("under {least}"),
            (None, Some(largest)) => format!("over {largest}"),
            (None, None) => return Ok(value),
        };
        Err(format!(
            "{value} is {bounds}, the bounds of {}; check the decimal point and the unit",
            self.described()
        ))
    }

    /// Name with the unit.
    fn described(&self) -> String {
        match self.scale {
            Scale::Measured if !self.unit.is_empty() => format!("{} in {}", self.code, self.unit),
            Scale::Date => format!("{} as day of the year", self.code),
            _ => self.code.clone(),
        }
    }

    fn state(&self, sent: &str) -> Result<f64, String> {
        let named = |state: &&State| {
            state.name.eq_ignore_ascii_case(sent) || sent.parse() == Ok(state.note)
        };
        self.states
            .iter()
            .find(named)
            .map(|state| f64::from(state.note))
            .ok_or_else(|| {
                let known: Vec<String> = self
                    .states
                    .iter()
                    .map(|state| format!("{} ({})", state.note, state.name))
                    .collect();
                format!(
                    "{sent:?} is not a state of {}; one of {}",
                    self.code,
                    known.join(", ")
                )
            })
    }
}

fn number(sent: &str) -> Result<f64, String> {
    match sent.parse::<f64>() {
        Ok(value) if value.is_finite() => Ok(value),
        Ok(_) => Err(format!(
            "{sent} is not a finite number; leave the row out when nothing was seen"
        )),
        Err(_) => Err(format!(
            "{sent:?} is not a number; write it with a point, as 12.5, without the unit"
        )),
    }
}

fn day_of_year(sent: &str, observed: Date) -> Result<f64, String> {
    if let Ok(day) = sent.parse::<u16>() {
        return if (1..=observed.days_in_year() as u16).contains(&day) {
            Ok(f64::from(day))
        } else {
            Err(format!(
                "{day} is not a day of the year {}; 1 to {}",
                observed.year(),
                observed.days_in_year()
            ))
        };
    }
    let date: Date = sent.parse().map_err(|_| {
        format!("{sent:?} is not a date; write it as 2026-06-14 or as day of the year")
    })?;
    if date.year() != observed.year() {
        return Err(format!(
            "{date} is not in {}, the year in which it was observed",
            observed.year()
        ));
    }
    if date > observed {
        return Err(format!(
            "{date} is after the day of observation, {observed}"
        ));
    }
    Ok(f64::from(date.day_of_year()))
}

/// Whether a code can be given to a trait.
pub fn is_code(code: &str) -> bool {
    code.len() <= 60
        && code.starts_with(|c: char| c.is_ascii_lowercase())
        && code
            .chars()
            .all(|c| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '_')
}

/// Words of the factors of a model, which no trait may take for its code.
pub const FACTORS: [&str; 12] = [
    "entry",
    "site",
    "year",
    "replicate",
    "block",
    "row",
    "column",
    "check",
    "cross",
    "rootstock",
    "tree",
    "assessor",
];

/// Columns of a file of records, which no trait may take for its code.
const COLUMNS: [&str; 8] = [
    "tree_id",
    "observed_at",
    "by",
    "id",
    "corrects",
    "trait",
    "value",
    "unit",
];

/// The covariate that is no trait: fruits left on the tree after thinning in the year.
pub const FRUITS_LEFT: &str = "fruits_left";

/// What is wrong with a definition, as field and message.
pub fn faults(defined: &Trait) -> Vec<(&'static str, String)> {
    let mut faults = Vec::new();
    let mut fault = |field, message: &str| faults.push((field, message.to_owned()));
    if !is_code(&defined.code) {
        fault(
            "code",
            "takes small letters, digits and underscores, a letter first, at most 60, as firmness_n",
        );
    } else if FACTORS
        .iter()
        .chain(&COLUMNS)
        .chain(&[FRUITS_LEFT])
        .any(|taken| *taken == defined.code)
    {
        fault(
            "code",
            "is the name of a factor of trials or of a column; choose another",
        );
    }
    let stated = matches!(defined.scale, Scale::Ordinal | Scale::Nominal);
    if stated && defined.computed.is_none() && defined.states.len() < 2 {
        fault(
            "states",
            "an ordinal or nominal trait needs at least two states",
        );
    }
    if !stated && !defined.states.is_empty() {
        fault("states", "only ordinal and nominal traits have states");
    }
    let rising = defined
        .states
        .windows(2)
        .all(|pair| pair[0].note < pair[1].note);
    if !rising {
        fault(
            "states",
            "list the states with the lowest note first, each note once",
        );
    }
    if defined
        .states
        .iter()
        .any(|state| state.name.trim().is_empty())
    {
        fault("states", "every state needs a name");
    }
    if defined.scale == Scale::Measured && defined.unit.is_empty() {
        fault(
            "unit",
            "a measured trait needs a unit; write 1 for a plain ratio",
        );
    }
    if defined.scale != Scale::Measured && !defined.unit.is_empty() {
        fault("unit", "only measured traits have a unit");
    }
    if [defined.least, defined.largest]
        .iter()
        .flatten()
        .any(|bound| !bound.is_finite())
    {
        fault("min", "bounds must be finite numbers");
    }
    if let (Some(least), Some(largest)) = (defined.least, defined.largest)
        && least >= largest
    {
        fault("max", "must be over min");
    }
    if let Some(computed) = &defined.computed {
        if !matches!(defined.scale, Scale::Measured) {
            fault("scale", "a computed trait is measured");
        }
        if computed.first == computed.second {
            fault("of", "name two different traits");
        }
    }
    faults
}

#[cfg(test)]
mod tests {
    use super::*;
    use jiff::civil::date;

    fn of(code: &str) -> Trait {
        super::super::standard::traits()
            .into_iter()
            .find(|t| t.code == code)
            .expect("a standard trait")
    }

    const DAY: Date = date(2026, 6, 20);

    #[test]
    fn measures_keep_to_their_bounds() {
        let brix = of("brix");
        assert_eq!(brix.read("14.25", DAY), Ok(14.25));
        assert!(
            brix.read("142.5", DAY)
                .unwrap_err()
                .contains("decimal point")
        );
        for bad in ["NaN", "inf", "-inf", "14,2", "14 Brix", ""] {
            assert!(brix.read(bad, DAY).is_err(), "{bad}");
        }
    }

    #[test]
    fn notes_and_names_are_states() {
        let stone = of("stone_adherence");
        assert_eq!(stone.read("freestone", DAY), stone.read("1", DAY));
        assert!(stone.read("10", DAY).unwrap_err().contains("one of"));
        assert!(of("flavour").read("4.5", DAY).is_err());
    }

    #[test]
    fn dates_are_days_of_the_year_of_observation() {
        let ripe = of("ripening_date");
        assert_eq!(ripe.read("2026-06-14", DAY), Ok(165.0));
        assert_eq!(ripe.read("165", DAY), Ok(165.0));
        assert!(ripe.read("2025-06-14", DAY).is_err());
        assert!(ripe.read("2026-06-21", DAY).unwrap_err().contains("after"));
        assert!(ripe.read("366", DAY).is_err());
    }

    #[test]
    fn guidelines_are_written_as_upov_writes_them() {
        for good in ["TG/53/7", "TG/70/4 Rev.", "TG/230/1"] {
            assert!(Characteristic::is_guideline(good), "{good}");
        }
        for bad in ["", "53/7", "TG/53", "TG/peach/7", "tg/53/7", "TG/53/seven"] {
            assert!(!Characteristic::is_guideline(bad), "{bad}");
        }
    }

    #[test]
    fn computed_traits_are_not_recorded() {
        assert!(
            of("sugar_acid_ratio")
                .read("12", DAY)
                .unwrap_err()
                .contains("computed")
        );
    }

    #[test]
    fn the_standard_set_is_sound() {
        let all = super::super::standard::traits();
        for defined in &all {
            assert_eq!(faults(defined), [], "{}", defined.code);
            if let Some(computed) = &defined.computed {
                for part in [&computed.first, &computed.second] {
                    assert!(all.iter().any(|t| t.code == *part), "{part}");
                }
            }
        }
        let mut codes: Vec<&str> = all.iter().map(|t| t.code.as_str()).collect();
        codes.sort_unstable();
        codes.dedup();
        assert_eq!(codes.len(), all.len());
    }
}

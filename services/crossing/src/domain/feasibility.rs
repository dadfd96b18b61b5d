//! Whether a pair can be crossed with some hope, condition by condition: each is a filter or a price.

use compatibility::{ExpectedFertility, Verdict};
use contract::crossing::{PairPrice, PairRule};
use platform::Fields;
use platform::fields::Words as _;

use super::parents::PairAdvice;

platform::words! {
    /// What stands in a cross's way without forbidding it.
    pub enum Condition {
        /// The species are hard to cross.
        Crossability = "crossability",
        /// They do not bloom together and no lot is usable.
        Pollen = "pollen",
        /// The seedlings are mostly sterile.
        Sterility = "sterility",
        /// A parent's use needs an agreement.
        Rights = "rights",
        /// No mother of the seed parent stands.
        Mothers = "mothers",
    }
}

platform::words! {
    /// What a condition does to a pair.
    pub enum Rule {
        /// Leaves it out.
        Filter = "filter",
        /// Takes its price from the score.
        Price = "price",
        /// Nothing.
        Ignore = "ignore",
    }
}

/// Dearest price: a billionth of the wanted share is as good as none.
const DEAREST: f64 = 9.0;

impl Condition {
    /// The rule and the price when nothing is said, in the score's unit: standard deviations of the
    /// index, or decimal logarithms of the wanted share (judgements: 0.3 is half the share).
    fn usual(self) -> (Rule, f64) {
        match self {
            Self::Crossability | Self::Pollen => (Rule::Price, 0.5),
            Self::Sterility => (Rule::Filter, 1.0),
            Self::Rights | Self::Mothers => (Rule::Price, 0.3),
        }
    }

    /// The word under which pairs are left out.
    fn reason(self) -> &'static str {
        match self {
            Self::Crossability => "hard_to_cross",
            Self::Pollen => "no_pollen_in_sight",
            Self::Sterility => "sterile_offspring",
            Self::Rights => "rights",
            Self::Mothers => "no_mother",
        }
    }

    fn why(self) -> &'static str {
        match self {
            Self::Crossability => "the species are hard to cross",
            Self::Pollen => "the parents do not bloom together and no stored lot is usable",
            Self::Sterility => "the seedlings are mostly sterile",
            Self::Rights => "a parent's use needs an agreement",
            Self::Mothers => "no mother of the seed parent stands",
        }
    }
}

/// What each condition does.
#[derive(Debug, Clone)]
pub struct Rules(Vec<(Condition, Rule, f64)>);

impl Rules {
    /// Reads the rules that are given; the usual ones stand for the rest.
    pub fn read(fields: &mut Fields, given: &[PairRule]) -> Self {
        let mut rules: Vec<(Condition, Rule, f64)> = Condition::ALL
            .iter()
            .map(|(condition, _)| {
                let (rule, price) = condition.usual();
                (*condition, rule, price)
            })
            .collect();
        let mut seen = Vec::new();
        for (place, told) in given.iter().enumerate() {
            let at = |name: &str| format!("rules/{place}/{name}");
            let condition: Option<Condition> = fields.word(&at("condition"), &told.condition);
            let rule: Option<Rule> = fields.word(&at("rule"), &told.rule);
            let price = told
                .price
                .map(|price| fields.number(&at("price"), price, 0.0, DEAREST));
            fields.require(
                price.is_none() || rule != Some(Rule::Filter) && rule != Some(Rule::Ignore),
                &at("price"),
                "goes with the rule price only",
            );
            if let (Some(condition), Some(rule)) = (condition, rule) {
                fields.require(
                    !seen.contains(&condition),
                    &at("condition"),
                    "is ruled twice; say one rule for each condition",
                );
                seen.push(condition);
                for slot in rules.iter_mut().filter(|slot| slot.0 == condition) {
                    slot.1 = rule;
                    slot.2 = price.unwrap_or(slot.2);
                }
            }
        }
        Self(rules)
    }

    /// Makes a condition a filter.
    pub fn filter(&mut self, condition: Condition) {
        for slot in self.0.iter_mut().filter(|slot| slot.0 == condition) {
            slot.1 = Rule::Filter;
        }
    }

    /// The rules as told to clients.
    pub fn told(&self) -> Vec<PairRule> {
        self.0
            .iter()
            .map(|(condition, rule, price)| PairRule {
                condition: condition.word().to_owned(),
                rule: rule.word().to_owned(),
                price: (*rule == Rule::Price).then_some(*price),
            })
            .collect()
    }

    /// Prices of a pair in one direction.
    ///
    /// # Errors
    /// The reason for which it is left out.
    pub fn judge(&self, facts: &Facts) -> Result<Vec<PairPrice>, LeftOut> {
        if facts.genetics.compatibility.verdict == Verdict::None {
            return Err(LeftOut {
                reason: "incompatible",
                why: "the mother rejects all of the pollen by its S alleles".to_owned(),
            });
        }
        if facts.genetics.crossability == "not_known_to_work" {
            return Err(LeftOut {
                reason: "not_crossable",
                why: facts.genetics.crossability_note.clone(),
            });
        }
        let mut prices = Vec::new();
        for (condition, rule, price) in &self.0 {
            if !facts.fails(*condition) {
                continue;
            }
            match rule {
                Rule::Ignore => {}
                Rule::Filter => {
                    return Err(LeftOut {
                        reason: condition.reason(),
                        why: condition.why().to_owned(),
                    });
                }
                Rule::Price => prices.push(PairPrice {
                    condition: condition.word().to_owned(),
                    price: *price,
                    why: condition.why().to_owned(),
                }),
            }
        }
        Ok(prices)
    }
}

/// Why a pair is left out.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct LeftOut {
    /// The word.
    pub reason: &'static str,
    /// In words.
    pub why: String,
}

/// What is known of a pair in one direction.
pub struct Facts {
    /// What genetics says.
    pub genetics: PairAdvice,
    /// How pollen can be had: none, unknown, or a way.
    pub can_serve: &'static str,
    /// Whether a parent's use needs an agreement.
    pub agreement_needed: bool,
    /// Mothers of the seed parent that stand.
    pub mothers_n: usize,
}

impl Facts {
    fn fails(&self, condition: Condition) -> bool {
        match condition {
            Condition::Crossability => self.genetics.crossability == "difficult",
            Condition::Pollen => self.can_serve == "none",
            Condition::Sterility => {
                self.genetics.fertility == Some(ExpectedFertility::MostlySterile)
            }
            Condition::Rights => self.agreement_needed,
            Condition::Mothers => self.mothers_n == 0,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::domain::parents::{advise, stored_genotype};

    fn facts(mother: &str, father: &str) -> Facts {
        let genotype = |species: &str| stored_genotype(species, &[]).unwrap();
        Facts {
            genetics: advise(&genotype(mother), &genotype(father)),
            can_serve: "fresh",
            agreement_needed: false,
            mothers_n: 1,
        }
    }

    fn rules(given: &[(&str, &str, Option<f64>)]) -> Rules {
        let given: Vec<PairRule> = given
            .iter()
            .map(|(condition, rule, price)| PairRule {
                condition: (*condition).to_owned(),
                rule: (*rule).to_owned(),
                price: *price,
            })
            .collect();
        let mut fields = Fields::new();
        let read = Rules::read(&mut fields, &given);
        fields.finish().unwrap();
        read
    }

    #[test]
    fn each_condition_filters_or_costs() {
        let peach = "Prunus persica";
        let good = facts(peach, peach);
        assert_eq!(rules(&[]).judge(&good), Ok(Vec::new()));
        let worse = Facts {
            can_serve: "none",
            agreement_needed: true,
            mothers_n: 0,
            ..facts(peach, peach)
        };
        let prices = rules(&[]).judge(&worse).unwrap();
        let told: Vec<(&str, f64)> = prices
            .iter()
            .map(|p| (p.condition.as_str(), p.price))
            .collect();
        assert_eq!(told, [("pollen", 0.5), ("rights", 0.3), ("mothers", 0.3)]);
        let dear = rules(&[("pollen", "price", Some(2.0)), ("rights", "ignore", None)]);
        let prices = dear.judge(&worse).unwrap();
        assert_eq!(prices.iter().map(|p| p.price).sum::<f64>(), 2.3);
        let strict = rules(&[("mothers", "filter", None)]);
        assert_eq!(strict.judge(&worse).unwrap_err().reason, "no_mother");
    }

    #[test]
    fn sterile_seedlings_are_left_out_unless_asked_for() {
        // Diploid by tetraploid: triploid seedlings.
        let triploid = facts("Prunus avium", "Prunus cerasus");
        assert_eq!(
            triploid.genetics.fertility,
            Some(ExpectedFertility::MostlySterile)
        );
        assert_eq!(
            rules(&[]).judge(&triploid).unwrap_err().reason,
            "sterile_offspring"
        );
        assert!(
            rules(&[("sterility", "ignore", None)])
                .judge(&triploid)
                .is_ok()
        );
    }

    #[test]
    fn rules_that_contradict_are_refused() {
        let mut fields = Fields::new();
        let twice = PairRule {
            condition: "rights".into(),
            rule: "filter".into(),
            price: Some(1.0),
        };
        Rules::read(&mut fields, &[twice.clone(), twice]);
        assert!(fields.any());
    }
}

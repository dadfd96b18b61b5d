//! Royalties in decimal arithmetic.
//!
//! Rounding: each line's amount is rounded once to the currency's minor unit, halves away from
//! zero; the total is the sum of the rounded lines and, where it falls short of the licence's
//! minimum, what is lacking.

use std::str::FromStr as _;

use platform::Fields;
use platform::fields::Words as _;
use rust_decimal::{Decimal, RoundingStrategy};
use serde::{Deserialize, Serialize};

use super::words::Per;

/// How amounts are rounded, for people.
pub const ROUNDING: &str = "each line is rounded once to the currency's minor unit, halves away \
from zero; the total is the sum of the rounded lines, raised to the licence's minimum where it \
falls short";

/// Currencies of ISO 4217 that are taken, with the decimals of their minor unit.
const CURRENCIES: &[(&str, u32)] = &[
    ("AED", 2),
    ("ARS", 2),
    ("AUD", 2),
    ("BGN", 2),
    ("BHD", 3),
    ("BRL", 2),
    ("CAD", 2),
    ("CHF", 2),
    ("CLP", 0),
    ("CNY", 2),
    ("COP", 2),
    ("CZK", 2),
    ("DKK", 2),
    ("DZD", 2),
    ("EGP", 2),
    ("EUR", 2),
    ("GBP", 2),
    ("GEL", 2),
    ("HKD", 2),
    ("HUF", 2),
    ("IDR", 2),
    ("ILS", 2),
    ("INR", 2),
    ("ISK", 0),
    ("JOD", 3),
    ("JPY", 0),
    ("KES", 2),
    ("KRW", 0),
    ("KWD", 3),
    ("MAD", 2),
    ("MDL", 2),
    ("MXN", 2),
    ("MYR", 2),
    ("NOK", 2),
    ("NZD", 2),
    ("OMR", 3),
    ("PEN", 2),
    ("PHP", 2),
    ("PLN", 2),
    ("PYG", 0),
    ("QAR", 2),
    ("RON", 2),
    ("RSD", 2),
    ("SAR", 2),
    ("SEK", 2),
    ("SGD", 2),
    ("THB", 2),
    ("TND", 3),
    ("TRY", 2),
    ("TWD", 2),
    ("UAH", 2),
    ("USD", 2),
    ("UYU", 2),
    ("UZS", 2),
    ("VND", 0),
    ("ZAR", 2),
];

/// Most decimals of a rate or quantity.
const MAX_DECIMALS: u32 = 6;
/// Largest rate or quantity taken; their product stays within what a decimal holds even after a
/// century of the largest increase.
const LARGEST: i64 = 1_000_000_000;
/// Largest yearly increase, in percent.
const INCREASE_MAX: i64 = 25;
/// Anniversaries after which amounts grow no more.
const INCREASES_MAX: u32 = 100;

/// A currency of ISO 4217.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Currency {
    code: &'static str,
    decimals: u32,
}

impl Currency {
    /// The currency of a code in either case.
    pub fn read(code: &str) -> Option<Self> {
        CURRENCIES
            .iter()
            .find(|(known, _)| known.eq_ignore_ascii_case(code.trim()))
            .map(|&(code, decimals)| Self { code, decimals })
    }

    /// Its code.
    pub fn code(self) -> &'static str {
        self.code
    }

    /// An amount in its minor unit, halves away from zero.
    pub fn round(self, amount: Decimal) -> Decimal {
        let mut rounded =
            amount.round_dp_with_strategy(self.decimals, RoundingStrategy::MidpointAwayFromZero);
        rounded.rescale(self.decimals);
        rounded
    }
}

/// Reads a decimal that is not negative.
///
/// # Errors
/// What is wrong, with the remedy.
pub fn read_decimal(text: &str) -> Result<Decimal, String> {
    let value = Decimal::from_str(text.trim())
        .map_err(|_| format!("{text:?} is not a decimal number; write it as 1.85"))?;
    if value.is_sign_negative() && !value.is_zero() {
        return Err(format!("{text} is below 0"));
    }
    if value.normalize().scale() > MAX_DECIMALS {
        return Err(format!("{text} has more than {MAX_DECIMALS} decimals"));
    }
    if value > Decimal::from(LARGEST) {
        return Err(format!("{text} is more than {LARGEST}; check it"));
    }
    Ok(value)
}

/// A rate that holds above a quantity.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Step {
    /// The quantity above which it holds.
    pub above: Decimal,
    /// The rate.
    pub amount: Decimal,
}

/// What a licensee owes.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Royalty {
    /// The word of [`Per`].
    pub per: String,
    /// The rate.
    pub amount: Decimal,
    /// Code of the currency.
    pub currency: String,
    /// Rates for what lies above quantities, lowest first.
    pub steps: Vec<Step>,
    /// Least royalty of a statement.
    pub minimum: Option<Decimal>,
    /// Percent by which every amount grows on each anniversary of the licence's start.
    #[serde(default)]
    pub yearly_increase_percent: Option<Decimal>,
}

impl Royalty {
    /// Reads the terms, noting faults under `field`.
    pub fn read(
        fields: &mut Fields,
        field: &str,
        terms: &contract::release::RoyaltyTerms,
    ) -> Option<Self> {
        let at = |name: &str| format!("{field}/{name}");
        let per = fields.word::<Per>(&at("per"), &terms.per);
        let decimal = |fields: &mut Fields, name: &str, text: &str| {
            read_decimal(text)
                .map_err(|fault| fields.fault(&at(name), fault))
                .ok()
        };
        let amount = decimal(fields, "amount", &terms.amount);
        let currency = Currency::read(&terms.currency);
        if currency.is_none() {
            fields.fault(
                &at("currency"),
                format!(
                    "{:?} is not a currency taken here; give an ISO 4217 code as USD",
                    terms.currency
                ),
            );
        }
        let minimum = if terms.minimum.is_empty() {
            None
        } else {
            decimal(fields, "minimum", &terms.minimum)
        };
        let increase = if terms.yearly_increase_percent.is_empty() {
            None
        } else {
            decimal(
                fields,
                "yearly_increase_percent",
                &terms.yearly_increase_percent,
            )
        };
        fields.require(
            increase.is_none_or(|percent| percent <= Decimal::from(INCREASE_MAX)),
            &at("yearly_increase_percent"),
            format!("is more than {INCREASE_MAX}; check it"),
        );
        let mut steps: Vec<Step> = Vec::new();
        for (i, step) in terms.steps.iter().enumerate() {
            let above = decimal(fields, &format!("steps/{i}/above"), &step.above);
            let amount = decimal(fields, &format!("steps/{i}/amount"), &step.amount);
            if let (Some(above), Some(amount)) = (above, amount) {
                if steps.last().is_some_and(|last| last.above >= above) {
                    fields.fault(
                        &at(&format!("steps/{i}/above")),
                        "must be more than the step before; give steps lowest first",
                    );
                }
                steps.push(Step { above, amount });
            }
        }
        Some(Self {
            per: per?.word().to_owned(),
            amount: amount?,
            currency: currency?.code().to_owned(),
            steps,
            minimum,
            yearly_increase_percent: increase,
        })
    }

    /// The terms as the contract shows them.
    pub fn shown(&self) -> contract::release::RoyaltyTerms {
        contract::release::RoyaltyTerms {
            per: self.per.clone(),
            amount: self.amount.to_string(),
            currency: self.currency.clone(),
            steps: self
                .steps
                .iter()
                .map(|step| contract::release::RoyaltyStep {
                    above: step.above.to_string(),
                    amount: step.amount.to_string(),
                })
                .collect(),
            minimum: self.minimum.map(|m| m.to_string()).unwrap_or_default(),
            yearly_increase_percent: self
                .yearly_increase_percent
                .map(|percent| percent.to_string())
                .unwrap_or_default(),
        }
    }

    /// The terms after some anniversaries of the licence's start, every amount rounded to as many
    /// decimals as a rate may have.
    pub fn after(&self, anniversaries: u32) -> Self {
        let Some(percent) = self.yearly_increase_percent else {
            return self.clone();
        };
        let growth = Decimal::ONE + percent / Decimal::ONE_HUNDRED;
        let factor = (0..anniversaries.min(INCREASES_MAX)).fold(Decimal::ONE, |f, _| f * growth);
        let grown = |amount: Decimal| {
            (amount * factor)
                .round_dp_with_strategy(MAX_DECIMALS, RoundingStrategy::MidpointAwayFromZero)
        };
        Self {
            amount: grown(self.amount),
            steps: self
                .steps
                .iter()
                .map(|step| Step {
                    above: step.above,
                    amount: grown(step.amount),
                })
                .collect(),
            minimum: self.minimum.map(grown),
            ..self.clone()
        }
    }

    /// What a quantity comes to when `before` of it was already counted in the same statement:
    /// stretches of it at their rates, in order.
    pub fn stretches(&self, before: Decimal, quantity: Decimal) -> Vec<(Decimal, Decimal)> {
        let (from, to) = (before, before + quantity);
        let bounds: Vec<(Decimal, Decimal)> = std::iter::once((Decimal::ZERO, self.amount))
            .chain(self.steps.iter().map(|step| (step.above, step.amount)))
            .collect();
        bounds
            .iter()
            .enumerate()
            .filter_map(|(i, (start, rate))| {
                let end = bounds.get(i + 1).map_or(Decimal::MAX, |(next, _)| *next);
                let counted = to.min(end) - from.max(*start);
                (counted > Decimal::ZERO).then_some((counted, *rate))
            })
            .collect()
    }
}

/// What a statement's rounded lines come to.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Total {
    /// Sum of the lines.
    pub subtotal: Decimal,
    /// What was added to reach the minimum.
    pub minimum_added: Decimal,
    /// What is owed.
    pub total: Decimal,
}

/// Sums rounded lines and raises them to the minimum.
pub fn total(
    currency: Currency,
    lines: impl IntoIterator<Item = Decimal>,
    minimum: Option<Decimal>,
) -> Total {
    let subtotal = currency.round(lines.into_iter().sum());
    let least = currency.round(minimum.unwrap_or_default());
    let total = subtotal.max(least);
    Total {
        subtotal,
        minimum_added: currency.round(total - subtotal),
        total,
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn decimal(text: &str) -> Decimal {
        read_decimal(text).unwrap()
    }

    fn royalty() -> Royalty {
        Royalty {
            per: "tree".to_owned(),
            amount: decimal("1.85"),
            currency: "USD".to_owned(),
            steps: vec![
                Step {
                    above: decimal("1000"),
                    amount: decimal("1.50"),
                },
                Step {
                    above: decimal("5000"),
                    amount: decimal("1.25"),
                },
            ],
            minimum: Some(decimal("500")),
            yearly_increase_percent: Some(decimal("2.5")),
        }
    }

    #[test]
    fn amounts_grow_on_anniversaries() {
        assert_eq!(royalty().after(0), royalty());
        // 1.85 × 1.025² = 1.943656…
        assert_eq!(royalty().after(2).amount, decimal("1.943656"));
        assert_eq!(royalty().after(2).minimum, Some(decimal("525.3125")));
        let most = Royalty {
            amount: Decimal::from(LARGEST),
            yearly_increase_percent: Some(Decimal::from(INCREASE_MAX)),
            ..royalty()
        };
        let rate = most.after(u32::MAX).amount;
        assert!(
            rate * Decimal::from(LARGEST) > rate,
            "holds without overflow"
        );
    }

    #[test]
    fn halves_go_away_from_zero_in_each_currency() {
        let usd = Currency::read("usd").unwrap();
        assert_eq!(usd.round(decimal("2.345")).to_string(), "2.35");
        assert_eq!(usd.round(decimal("2.344999")).to_string(), "2.34");
        assert_eq!(usd.round(decimal("7")).to_string(), "7.00");
        let yen = Currency::read("JPY").unwrap();
        assert_eq!(yen.round(decimal("100.5")).to_string(), "101");
        assert_eq!(Currency::read("XXX"), None);
    }

    #[test]
    fn steps_count_from_what_the_statement_already_holds() {
        let stretches = royalty().stretches(decimal("800"), decimal("5000"));
        let expected = [("200", "1.85"), ("4000", "1.50"), ("800", "1.25")];
        assert_eq!(stretches, expected.map(|(q, r)| (decimal(q), decimal(r))));
    }

    #[test]
    fn a_total_below_the_minimum_is_raised_to_it() {
        let usd = Currency::read("USD").unwrap();
        let low = total(usd, [decimal("123.45")], Some(decimal("500")));
        assert_eq!(low.minimum_added.to_string(), "376.55");
        assert_eq!(low.total.to_string(), "500.00");
        let high = total(usd, [decimal("600")], Some(decimal("500")));
        assert_eq!(high.minimum_added.to_string(), "0.00");
    }

    #[test]
    fn what_is_no_amount_is_refused() {
        for text in ["", "1,85", "-1", "1.2345678", "1e30", "NaN"] {
            assert!(read_decimal(text).is_err(), "{text}");
        }
        assert_eq!(read_decimal("1.850000000").unwrap(), decimal("1.85"));
    }

    proptest! {
        #[test]
        fn stretches_add_up_to_the_quantity(before in 0u32..10_000, quantity in 0u32..10_000) {
            let (before, quantity) = (Decimal::from(before), Decimal::from(quantity));
            let counted: Decimal = royalty().stretches(before, quantity).iter().map(|s| s.0).sum();
            prop_assert_eq!(counted, quantity);
        }

        #[test]
        fn a_statement_in_parts_comes_to_the_same(a in 0u32..9_000, b in 0u32..9_000) {
            let (a, b) = (Decimal::from(a), Decimal::from(b));
            let sum = |s: Vec<(Decimal, Decimal)>| s.iter().map(|(q, r)| q * r).sum::<Decimal>();
            let terms = royalty();
            let whole = sum(terms.stretches(Decimal::ZERO, a + b));
            let parts = sum(terms.stretches(Decimal::ZERO, a)) + sum(terms.stretches(a, b));
            prop_assert_eq!(whole, parts);
        }
    }
}

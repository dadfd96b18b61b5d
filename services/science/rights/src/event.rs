//! Events in the life of a variety that start, meet or end a clock, and what is told beside them.

use jiff::civil::Date;
use serde::{Deserialize, Serialize};

use crate::RightsError;
use crate::country::Place;

macro_rules! events {
    ($($(#[$doc:meta])* $name:ident = $word:literal $(| $alias:literal)*),+ $(,)?) => {
        /// An event, named by the word the law or the trade has for it.
        #[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
        pub enum EventKind {
            $($(#[$doc])* #[serde(rename = $word $(, alias = $alias)*)] $name),+
        }

        impl EventKind {
            /// Every kind of event.
            pub const ALL: &'static [Self] = &[$(Self::$name),+];

            /// The word for this event.
            pub const fn word(self) -> &'static str {
                match self { $(Self::$name => $word),+ }
            }

            /// The event a word stands for, if any.
            pub fn from_word(word: &str) -> Option<Self> {
                match word { $($word $(| $alias)* => Some(Self::$name),)+ _ => None }
            }
        }
    };
}

events! {
    /// First disclosure of any kind by or from the breeder, anywhere.
    FirstDisclosure = "first_disclosure" | "own_first_disclosure" | "disclosure" | "first_disclosed" | "own_disclosure",
    /// First offer for sale.
    FirstOffer = "first_offer" | "offer" | "first_offer_propagating",
    /// First sale or other disposal of propagating material, in the country given.
    FirstSale = "first_sale" | "sale" | "first_sale_propagating" | "first_sold",
    /// First sale of propagating material within the jurisdiction's territory.
    FirstSaleHome = "first_sale_home" | "home_sale",
    /// First sale of propagating material outside the jurisdiction's territory.
    FirstSaleAbroad = "first_sale_abroad" | "abroad_sale" | "foreign_sale",
    /// First sale of harvested material (fruit), in the country given.
    FirstSaleHarvested = "first_sale_harvested",
    /// Publication.
    Publication = "publication" | "published" | "own_publication",
    /// Trial or display that the public may see.
    PublicTrial = "public_trial",
    /// Transfer of material for test under an agreement that keeps it confidential.
    TransferWithAgreement = "transfer_for_test_with_agreement",
    /// Transfer of material for test without such an agreement.
    TransferWithoutAgreement = "transfer_for_test_without_agreement",
    /// First description in print or on record.
    FirstDescription = "first_description",
    /// First filing of the variety in any member, from which priority may be claimed.
    FirstFiling = "first_filing" | "first_filed" | "first_filed_elsewhere" | "first_foreign_filing" | "priority_filing" | "priority_filed" | "earliest_119a_filed",
    /// First filing for a plant breeder's right outside the jurisdiction.
    ForeignPbrFiling = "foreign_pbr_filing" | "foreign_pbr_filed" | "earliest_119f_filed" | "foreign_filing" | "foreign_filed",
    /// Filing of a provisional application.
    ProvisionalFiling = "provisional_filing" | "provisional_filed" | "earliest_119e_filed",
    /// Earliest filing whose benefit is claimed under 35 USC 120, 121, 365(c) or 386(c).
    EarliestBenefitFiling = "earliest_benefit_filing" | "earliest_120_filed" | "earliest_benefit_filed" | "earliest_121_filed" | "earliest_365c_filed" | "earliest_386c_filed",
    /// Filing in the jurisdiction.
    Filing = "filing" | "filed",
    /// Claim of priority laid before the office.
    PriorityClaim = "priority_claim",
    /// Publication of the application by the office.
    ApplicationPublished = "application_published" | "publication_of_application",
    /// Start of technical examination.
    Examination = "examination",
    /// An office action was mailed or notified.
    ActionMailed = "action_mailed" | "action_notified",
    /// An act falls due on this day before any roll.
    ActionDue = "action_due" | "action_due_nominal",
    /// A notice of allowance was mailed.
    AllowanceMailed = "allowance_mailed" | "notice_of_allowance_mailed" | "allowed",
    /// Grant, issue or registration of the right.
    Grant = "grant" | "granted" | "issue" | "issued" | "registration" | "registered",
    /// An annual fee was paid.
    AnnualFeePaid = "annual_fee_paid" | "annual_fee",
    /// Renewal of the right.
    Renewal = "renewal",
    /// Lapse of the right.
    Lapse = "lapse",
    /// Surrender of the right.
    Surrender = "surrender",
    /// Expiry recorded by the office.
    Expiry = "expiry",
    /// Assignment of the right or application.
    Assignment = "assignment",
}

impl EventKind {
    /// Whether the event starts different clocks at home and abroad, so that its country is needed.
    pub const fn needs_country(self) -> bool {
        matches!(
            self,
            Self::FirstOffer
                | Self::FirstSale
                | Self::FirstSaleHarvested
                | Self::TransferWithAgreement
                | Self::TransferWithoutAgreement
        )
    }

    /// Whether the event can happen once only in one jurisdiction.
    pub(crate) const fn happens_once(self) -> bool {
        matches!(
            self,
            Self::Filing
                | Self::Grant
                | Self::EarliestBenefitFiling
                | Self::Expiry
                | Self::Surrender
                | Self::AllowanceMailed
        )
    }

    /// Whether the event ends the right for good.
    pub const fn ends_right(self) -> bool {
        matches!(self, Self::Lapse | Self::Surrender | Self::Expiry)
    }

    /// Whether the event makes material or knowledge of the variety available to others.
    pub const fn is_disclosure(self) -> bool {
        matches!(
            self,
            Self::FirstDisclosure
                | Self::FirstOffer
                | Self::FirstSale
                | Self::FirstSaleHome
                | Self::FirstSaleAbroad
                | Self::FirstSaleHarvested
                | Self::Publication
                | Self::PublicTrial
                | Self::TransferWithAgreement
                | Self::TransferWithoutAgreement
                | Self::FirstDescription
        )
    }
}

/// An event as a client tells it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct EventInput {
    /// The event's word; see [`EventKind`]. Sales and filings may also carry their place in the
    /// word, such as `us_sale`, `outside_eu_sale` or `us_filed`.
    pub event: String,
    /// The day it happened.
    pub on: Date,
    /// ISO 3166-1 alpha-2 code of the country where it happened.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub country: Option<String>,
}

/// An event understood: what, when, and where as seen from one jurisdiction.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub struct Event {
    /// What happened.
    pub kind: EventKind,
    /// When.
    pub on: Date,
    /// Where, if told.
    pub place: Option<Place>,
    /// Position in the client's list, for messages.
    #[serde(skip)]
    pub index: usize,
}

/// What else a clock may depend on.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Attributes {
    /// Whether the variety is of the class with the longer periods, in the jurisdiction's own word:
    /// tree or vine, woody plant, woody perennial. A legal question, entered by a person.
    #[serde(alias = "woody", alias = "woody_perennial")]
    pub tree_or_vine: Option<bool>,
    /// Days by which the office has lengthened a United States patent's term (35 USC 154(b)).
    pub pta_days: Option<u16>,
    /// Day to which the term is cut by a terminal disclaimer.
    #[serde(alias = "terminal_disclaimer")]
    pub disclaimed_to: Option<Date>,
    /// Months the office set for a reply.
    pub shortened_months: Option<u8>,
    /// Year of the Act that governs the right, where an older Act is saved for older rights.
    #[serde(deserialize_with = "year_or_text")]
    pub act: Option<String>,
    /// The member whose territory is home, for a convention without territory.
    pub home_country: Option<String>,
}

fn year_or_text<'de, D: serde::Deserializer<'de>>(from: D) -> Result<Option<String>, D::Error> {
    #[derive(Deserialize)]
    #[serde(untagged)]
    enum Act {
        Year(u16),
        Text(String),
    }
    Ok(Option::<Act>::deserialize(from)?.map(|act| match act {
        Act::Year(year) => year.to_string(),
        Act::Text(text) => text,
    }))
}

impl Attributes {
    /// Attribute words that [`Attributes::set`] understands.
    pub const WORDS: &'static [&'static str] = &[
        "tree_or_vine",
        "woody",
        "woody_perennial",
        "pta_days",
        "disclaimed_to",
        "terminal_disclaimer",
        "shortened_months",
        "act",
        "home_country",
    ];

    /// Sets one attribute from its word and value.
    ///
    /// # Errors
    /// [`RightsError::BadAttribute`] when the word or the value is not understood.
    pub fn set(&mut self, word: &str, value: &str) -> Result<(), RightsError> {
        fn read<T: std::str::FromStr>(
            word: &str,
            value: &str,
            remedy: &str,
        ) -> Result<Option<T>, RightsError> {
            value
                .parse()
                .map(Some)
                .map_err(|_| RightsError::BadAttribute {
                    field: word.to_owned(),
                    value: value.to_owned(),
                    remedy: remedy.to_owned(),
                })
        }
        match word {
            "tree_or_vine" | "woody" | "woody_perennial" => {
                self.tree_or_vine = match value {
                    "yes" => Some(true),
                    "no" => Some(false),
                    _ => read(word, value, "give true or false")?,
                };
            }
            "pta_days" => self.pta_days = read(word, value, "give a whole number of days")?,
            "disclaimed_to" | "terminal_disclaimer" => {
                self.disclaimed_to = read(word, value, "give a date YYYY-MM-DD")?
            }
            "shortened_months" => {
                self.shortened_months = read(word, value, "give whole months, 1 to 6")?;
            }
            "act" => self.act = Some(value.to_owned()),
            "home_country" => self.home_country = Some(value.to_owned()),
            _ => {
                return Err(RightsError::BadAttribute {
                    field: word.to_owned(),
                    value: value.to_owned(),
                    remedy: format!("use one of {}", Self::WORDS.join(", ")),
                });
            }
        }
        Ok(())
    }
}

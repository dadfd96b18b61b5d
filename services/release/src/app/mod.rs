//! The use cases, one function each: they take the application, an open unit of work and what is
//! asked, and leave the transaction, the permission and the retry to the platform.

pub mod agreements;
pub mod audit;
pub mod calendar;
pub mod candidates;
pub mod clock;
pub mod coming;
pub mod courier;
pub mod denominations;
pub mod disclosures;
pub mod due_dates;
pub mod events;
pub mod feed;
pub mod filings;
pub mod following;
pub mod forecast;
pub mod gates;
pub mod groups;
pub mod inspections;
pub mod known_names;
pub mod labels;
pub mod licences;
pub mod partner;
pub mod pipeline;
pub mod reports;
pub mod royalties;
pub mod standing;
pub mod webhooks;

mod asked;
mod neighbours;
mod seals;
mod shown;

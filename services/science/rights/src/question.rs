//! Single questions put to a report, in the words that clients use.

use std::fmt;
use std::str::FromStr;

use jiff::civil::Date;

use crate::RightsError;
use crate::book::What;
use crate::clock::ClockReport;
use crate::fee::FeeDay;

/// Which of a deadline's two days is asked for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Day {
    /// The last day in law, rolled where the law has that.
    Due,
    /// The last day before any roll.
    Nominal,
}

/// One question.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Question {
    /// The first deadline of a sort.
    By(What, Day),
    /// The end of the term.
    Expiry,
    /// The earliest end that a convention allows.
    MinimumExpiry,
    /// Whether novelty was kept, answered yes or no.
    NoveltyKept,
    /// Whether grace or novelty was kept, answered kept or lost.
    Grace,
    /// When an annual or maintenance fee is due.
    AnnualFeeDue,
}

const WORDS: &[(&str, Question)] = {
    use Day::{Due, Nominal};
    use Question::{AnnualFeeDue, By, Expiry, Grace, MinimumExpiry, NoveltyKept};
    &[
        ("file_by", By(What::FileBy, Due)),
        ("file_by_nominal", By(What::FileBy, Nominal)),
        ("last_filing_day_rolled", By(What::FileBy, Due)),
        ("last_filing_day_statutory", By(What::FileBy, Nominal)),
        ("last_filing_day_unrolled", By(What::FileBy, Nominal)),
        ("last_filing_day", By(What::FileBy, Nominal)),
        ("claim_priority_by", By(What::ClaimPriorityBy, Due)),
        (
            "claim_priority_by_nominal",
            By(What::ClaimPriorityBy, Nominal),
        ),
        ("priority_last_day", By(What::ClaimPriorityBy, Due)),
        ("priority_last_day_rolled", By(What::ClaimPriorityBy, Due)),
        (
            "priority_last_day_unrolled",
            By(What::ClaimPriorityBy, Nominal),
        ),
        (
            "late_priority_last_day",
            By(What::PetitionLatePriorityBy, Due),
        ),
        (
            "priority_last_day_nominal",
            By(What::ClaimPriorityBy, Nominal),
        ),
        ("reply_due_rolled", By(What::ReplyBy, Due)),
        ("reply_due", By(What::ReplyBy, Due)),
        ("reply_due_nominal", By(What::ReplyBy, Nominal)),
        ("reply_statutory_max", By(What::ReplyAtLatest, Due)),
        (
            "reply_statutory_max_nominal",
            By(What::ReplyAtLatest, Nominal),
        ),
        ("pay_issue_fee_by", By(What::PayIssueFeeBy, Due)),
        ("issue_fee_due_rolled", By(What::PayIssueFeeBy, Due)),
        ("issue_fee_due", By(What::PayIssueFeeBy, Due)),
        ("issue_fee_due_nominal", By(What::PayIssueFeeBy, Nominal)),
        ("act_by", By(What::ActBy, Due)),
        ("due_rolled", By(What::ActBy, Due)),
        ("due_nominal", By(What::ActBy, Nominal)),
        ("expiry", Expiry),
        ("term_end", Expiry),
        ("term_end_nominal", Expiry),
        ("minimum_expiry", MinimumExpiry),
        ("minimum_term_end", MinimumExpiry),
        ("minimum_term_end_nominal", MinimumExpiry),
        ("novelty_kept", NoveltyKept),
        ("grace_kept", NoveltyKept),
        ("grace", Grace),
        ("novelty", Grace),
        ("maintenance_fee_due", AnnualFeeDue),
        ("annual_fee_due", AnnualFeeDue),
    ]
};

impl FromStr for Question {
    type Err = RightsError;

    fn from_str(word: &str) -> Result<Self, Self::Err> {
        WORDS
            .iter()
            .find(|(known, _)| *known == word)
            .map(|(_, question)| *question)
            .ok_or_else(|| RightsError::UnknownQuestion {
                value: word.to_owned(),
                known: WORDS
                    .iter()
                    .map(|(known, _)| *known)
                    .collect::<Vec<_>>()
                    .join(", "),
            })
    }
}

/// The answer to one question. Its text is a date, `yes`, `no`, `kept`, `lost` or `none`.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Answer {
    /// A day.
    On(Date),
    /// Yes or no.
    Yes(bool),
    /// Kept or lost.
    Kept(bool),
    /// There is no such fee.
    NoFee,
}

impl fmt::Display for Answer {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::On(day) => day.fmt(f),
            Self::Yes(true) => f.write_str("yes"),
            Self::Yes(false) => f.write_str("no"),
            Self::Kept(true) => f.write_str("kept"),
            Self::Kept(false) => f.write_str("lost"),
            Self::NoFee => f.write_str("none"),
        }
    }
}

impl ClockReport<'_> {
    /// Answers one question.
    ///
    /// # Errors
    /// Why it cannot be answered, in words, with what would be needed.
    pub fn answer(&self, question: Question) -> Result<Answer, String> {
        let answer = match question {
            Question::By(what, day) => {
                // A clock of the same sort that could not be counted might end earlier still.
                let open = self
                    .unknown
                    .iter()
                    .any(|unanswered| unanswered.what == what);
                self.first(what)
                    .filter(|_| !open || what != What::FileBy || self.novelty_kept.is_some())
                    .map(|deadline| match day {
                        Day::Due => Answer::On(deadline.due_on),
                        Day::Nominal => Answer::On(deadline.nominal_on),
                    })
            }
            Question::Expiry => self.expiry_on.map(Answer::On),
            Question::MinimumExpiry => self.minimum_expiry_on.map(Answer::On),
            Question::NoveltyKept => self.novelty_kept.map(Answer::Yes),
            Question::Grace => self.novelty_kept.map(Answer::Kept),
            Question::AnnualFeeDue => (self.annual_fees == FeeDay::None).then_some(Answer::NoFee),
        };
        answer.ok_or_else(|| self.why_unanswered(question))
    }

    fn why_unanswered(&self, question: Question) -> String {
        let what = match question {
            Question::By(what, _) => what,
            Question::Expiry => What::Expiry,
            Question::MinimumExpiry => What::MinimumExpiry,
            Question::NoveltyKept | Question::Grace => What::FileBy,
            Question::AnnualFeeDue => What::AnnualFee,
        };
        let reasons: Vec<_> = self
            .unknown
            .iter()
            .filter(|unanswered| unanswered.what == what)
            .map(|unanswered| unanswered.reason.as_ref())
            .collect();
        if reasons.is_empty() {
            format!(
                "no event that answers this was told for {} in {}; add the starting event",
                self.kind, self.jurisdiction
            )
        } else {
            reasons.join("; ")
        }
    }
}

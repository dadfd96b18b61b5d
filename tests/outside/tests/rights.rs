//! Clocks of plant rights against sets of cases computed apart from Drupeline.

use std::str::FromStr;

use jiff::civil::Date;
use rights::{Attributes, Book, ClockRequest, EventInput, Question};
use serde::Deserialize;

#[derive(Deserialize)]
struct Case {
    id: String,
    jurisdiction: String,
    kind: String,
    events: String,
    asked: String,
    expected: String,
}

#[derive(Deserialize)]
struct WorkedCase {
    id: String,
    jurisdiction: String,
    kind_of_right: String,
    inputs: String,
    question: String,
    expected_date_or_answer: String,
}

#[derive(Deserialize)]
#[serde(untagged)]
enum Told {
    Event(EventInput),
    Attribute {
        attribute: String,
        value: serde_json::Value,
    },
}

/// The answer in the case files' words, or why there is none.
fn answer(request: &ClockRequest, asked: &str) -> Result<String, String> {
    let question = Question::from_str(asked).map_err(|e| e.to_string())?;
    let report = Book::embedded().clock(request).map_err(|e| e.to_string())?;
    report.answer(question).map(|answer| answer.to_string())
}

fn request_of(case: &Case) -> Result<ClockRequest, String> {
    let told: Vec<Told> = serde_json::from_str(&case.events).map_err(|e| e.to_string())?;
    let mut events = Vec::new();
    let mut attributes = Attributes::default();
    for item in told {
        match item {
            Told::Event(event) => events.push(event),
            Told::Attribute { attribute, value } => {
                let text = value
                    .as_str()
                    .map_or_else(|| value.to_string(), str::to_owned);
                attributes
                    .set(&attribute, &text)
                    .map_err(|e| e.to_string())?;
            }
        }
    }
    Ok(ClockRequest {
        jurisdiction: case.jurisdiction.clone(),
        kind: case.kind.clone(),
        events,
        attributes,
    })
}

fn request_of_worked(case: &WorkedCase) -> Result<ClockRequest, String> {
    let mut events = Vec::new();
    let mut attributes = Attributes::default();
    for input in case
        .inputs
        .split(';')
        .map(str::trim)
        .filter(|input| !input.is_empty())
    {
        let (word, value) = input
            .split_once('=')
            .ok_or_else(|| format!("`{input}` is not key=value"))?;
        if Attributes::WORDS.contains(&word) {
            attributes.set(word, value).map_err(|e| e.to_string())?;
        } else {
            let on: Date = value.parse().map_err(|e| format!("{word}={value}: {e}"))?;
            events.push(EventInput {
                event: word.to_owned(),
                on,
                country: None,
            });
        }
    }
    Ok(ClockRequest {
        jurisdiction: case.jurisdiction.clone(),
        kind: case.kind_of_right.clone(),
        events,
        attributes,
    })
}

fn rows<T: for<'de> Deserialize<'de>>(relative: &str) -> Vec<T> {
    read(relative, &outside_checks::read_case_file(relative))
}

fn read<T: for<'de> Deserialize<'de>>(relative: &str, text: &str) -> Vec<T> {
    csv::Reader::from_reader(text.as_bytes())
        .deserialize()
        .collect::<Result<_, _>>()
        .unwrap_or_else(|e| panic!("{relative}: {e}"))
}

#[test]
fn outside_rights() {
    let mut ran_n = 0;
    let mut failures = Vec::new();
    let mut compare = |id: &str, got: Result<String, String>, expected: &str| {
        ran_n += 1;
        match got {
            Ok(got) if got == expected => {}
            // Law that nobody read is shown as unknown, not as a date.
            Err(_) if expected == "unknown" => {}
            Ok(got) => failures.push(format!("{id}: expected {expected}, got {got}")),
            Err(reason) => {
                failures.push(format!("{id}: expected {expected}, unanswered: {reason}"))
            }
        }
    };
    for case in rows::<Case>("rights/cases.csv") {
        let got = request_of(&case).and_then(|request| answer(&request, &case.asked));
        compare(&case.id, got, &case.expected);
    }
    // Cases of our own from the statutes' wording; another folder need not have them.
    let further = "rights/statute_cases.csv";
    if let Some(text) = outside_checks::read_further_case_file(further) {
        for case in read::<Case>(further, &text) {
            let got = request_of(&case).and_then(|request| answer(&request, &case.asked));
            compare(&case.id, got, &case.expected);
        }
    }
    for case in rows::<WorkedCase>("rights/worked_cases.csv") {
        let got = request_of_worked(&case).and_then(|request| answer(&request, &case.question));
        compare(&case.id, got, &case.expected_date_or_answer);
    }
    println!("outside_rights: {ran_n} cases, {} failed", failures.len());
    assert!(ran_n > 0, "the case files hold no case");
    assert!(failures.is_empty(), "{}", failures.join("\n"));
}

//! Entries that were corrected or withdrawn, each beside what took its place.

use contract::crossing::{FruitCount, Pass, SeedCount};
use maud::{Markup, html};

use crate::html::{Table, day, text};
use crate::words;

/// One entry of any kind, as far as corrections go.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Entry {
    id: String,
    on: String,
    /// What it is of.
    what: &'static str,
    /// What it says.
    says: String,
    supersedes: String,
    correction: String,
    withdrawn: bool,
    by: String,
}

impl From<&Pass> for Entry {
    fn from(pass: &Pass) -> Self {
        let mut says = format!(
            "{} emasculated, {} pollinated",
            words::count(pass.flowers_emasculated_n),
            words::count(pass.flowers_pollinated_n)
        );
        for (n, what) in [
            (pass.unfit_n, "unfit"),
            (pass.stray_open_flowers_n, "strays open"),
            (pass.stray_stripped_n, "strays stripped"),
        ] {
            if n > 0 {
                says += &format!(", {} {what}", words::count(n));
            }
        }
        if !pass.pollen_lot_number.is_empty() {
            says += &format!(", with {}", pass.pollen_lot_number);
        }
        Self {
            id: pass.id.clone(),
            on: pass.on.clone(),
            what: "pass",
            says,
            supersedes: pass.supersedes.clone(),
            correction: pass.correction.clone(),
            withdrawn: pass.withdrawn,
            by: pass.by.clone(),
        }
    }
}

impl From<&FruitCount> for Entry {
    fn from(fruit: &FruitCount) -> Self {
        Self {
            id: fruit.id.clone(),
            on: fruit.on.clone(),
            what: "count of fruit",
            says: fruit_in_words(fruit),
            supersedes: fruit.supersedes.clone(),
            correction: fruit.correction.clone(),
            withdrawn: fruit.withdrawn,
            by: fruit.by.clone(),
        }
    }
}

impl From<&SeedCount> for Entry {
    fn from(seed: &SeedCount) -> Self {
        Self {
            id: seed.id.clone(),
            on: seed.on.clone(),
            what: "step of seed",
            says: format!("{} {}", words::count(seed.seed_n), words::plain(&seed.step)),
            supersedes: seed.supersedes.clone(),
            correction: seed.correction.clone(),
            withdrawn: seed.withdrawn,
            by: seed.by.clone(),
        }
    }
}

/// What a count of fruit says.
pub fn fruit_in_words(fruit: &FruitCount) -> String {
    let said = [
        (fruit.set_n, "set"),
        (fruit.harvested_n, "harvested"),
        (fruit.stones_n, "stones"),
    ];
    let said: Vec<String> = said
        .into_iter()
        .filter_map(|(n, what)| Some(format!("{} {what}", words::count(n?))))
        .collect();
    said.join(", ")
}

/// The corrections among some entries, by day; what was superseded stays on record beside them.
pub fn kept(entries: &[Entry]) -> Markup {
    let mut later: Vec<&Entry> = entries
        .iter()
        .filter(|entry| !entry.supersedes.is_empty())
        .collect();
    later.sort_by(|a, b| (&a.on, &a.id).cmp(&(&b.on, &b.id)));
    let table = Table::new("Corrections")
        .text("Of")
        .text("Day written before")
        .text("Said before")
        .text("Day as it stands")
        .text("Says now")
        .text("Why")
        .text("By")
        .stacking()
        .or_say("Nothing has been corrected.")
        .rows(later, |entry| {
            let before = entries.iter().find(|old| old.id == entry.supersedes);
            let before = before.cloned().unwrap_or_default();
            vec![
                text(entry.what),
                day(&before.on),
                text(&before.says),
                if entry.withdrawn {
                    text("")
                } else {
                    day(&entry.on)
                },
                text(if entry.withdrawn {
                    "withdrawn"
                } else {
                    &entry.says
                }),
                text(&entry.correction),
                text(&entry.by),
            ]
        });
    html! { (table.show()) }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_was_said_stands_beside_what_took_its_place() {
        let wrong = Pass {
            id: "1".into(),
            on: "2026-02-12".into(),
            flowers_pollinated_n: 300,
            superseded_by: "2".into(),
            ..Pass::default()
        };
        let right = Pass {
            id: "2".into(),
            on: "2026-02-12".into(),
            flowers_pollinated_n: 30,
            supersedes: "1".into(),
            correction: "a nought too many".into(),
            ..Pass::default()
        };
        let gone = FruitCount {
            id: "3".into(),
            supersedes: "0".into(),
            withdrawn: true,
            correction: "another cross".into(),
            ..FruitCount::default()
        };
        let entries = [(&wrong).into(), (&right).into(), (&gone).into()];
        let shown = kept(&entries).into_string();
        for wanted in [
            "300 pollinated",
            "30 pollinated",
            "a nought too many",
            "withdrawn",
        ] {
            assert!(shown.contains(wanted), "{wanted} in {shown}");
        }
        assert_eq!(
            shown.matches("<tr>").count(),
            3,
            "a head and two corrections"
        );
    }
}

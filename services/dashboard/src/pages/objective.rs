//! What a cross is to bring, asked in a form: weights and bounds of traits, genotypes at loci, and
//! how near kin parents may be. The adviser and the season's plan ask alike.

use std::collections::BTreeSet;

use contract::crossing::{Germplasm, ListGermplasmRequest, LocusGoal, TraitGoal};
use contract::evaluation::ListTraitsRequest;
use maud::{Markup, html};

use crate::desk::{Ask, Desk};
use crate::html::{choice, decimal, field, stages};
use crate::trouble::Trouble;
use crate::words;

/// Traits and loci that one form asks about.
const TRAITS: usize = 4;
const LOCI: usize = 2;
/// Plants that are looked through for the traits and loci that are noted.
const LOOKED_THROUGH: u32 = 200;
/// Coancestry of a pair that is refused when nothing is said.
const USUAL_CEILING: &str = "0.25";

/// The traits and loci that the germplasm has notes of.
pub struct Known {
    traits: BTreeSet<String>,
    loci: BTreeSet<String>,
}

impl Known {
    /// Looks through the varieties and selections.
    ///
    /// # Errors
    /// When the crossing service does not answer.
    pub async fn read(desk: &Desk) -> Result<Self, Trouble> {
        let mut all: Vec<Germplasm> = Vec::new();
        for kind in ["variety", "selection"] {
            let request = ListGermplasmRequest {
                limit: LOOKED_THROUGH,
                kind: kind.to_owned(),
                ..ListGermplasmRequest::default()
            };
            let list = desk.crossing()?.list_germplasm(request).await?.into_inner();
            all.extend(list.items);
        }
        let noted = all
            .iter()
            .flat_map(|plant| &plant.traits)
            .filter(|(_, note)| note.parse::<f64>().is_ok())
            .map(|(name, _)| name.clone());
        let mut traits: BTreeSet<String> = noted.collect();
        // What analyses predict can be asked for as well; without that service the notes stand alone.
        if let Ok(mut evaluation) = desk.evaluation()
            && let Ok(list) = evaluation.list_traits(ListTraitsRequest::default()).await
        {
            let known: BTreeSet<String> = traits.iter().map(|name| name.to_lowercase()).collect();
            let further = list.into_inner().items.into_iter().filter(|t| {
                matches!(t.scale.as_str(), "measured" | "count" | "ordinal")
                    && ![&t.code, &t.name]
                        .iter()
                        .any(|n| known.contains(&n.to_lowercase()))
            });
            traits.extend(further.map(|t| t.code));
        }
        Ok(Self {
            traits,
            loci: all
                .iter()
                .flat_map(|plant| plant.loci.keys().cloned())
                .collect(),
        })
    }

    /// Whether no trait has notes in numbers.
    pub fn has_no_traits(&self) -> bool {
        self.traits.is_empty()
    }
}

/// What was asked for.
pub struct Objective {
    /// Goals of traits.
    pub traits: Vec<TraitGoal>,
    /// Goals at loci.
    pub loci: Vec<LocusGoal>,
    /// Largest coancestry of a pair.
    pub kinship_ceiling: Option<f64>,
}

impl Objective {
    /// Reads the form.
    pub fn of(ask: &Ask) -> Self {
        let traits = (1..=TRAITS)
            .filter_map(|n| {
                let name = ask.text(&format!("trait{n}"));
                (!name.is_empty()).then(|| TraitGoal {
                    r#trait: name,
                    weight: ask.number(&format!("weight{n}")).unwrap_or(1.0),
                    at_least: ask.number(&format!("least{n}")),
                    at_most: ask.number(&format!("most{n}")),
                    values_from: ask.text("values"),
                    ..TraitGoal::default()
                })
            })
            .collect();
        let list = |text: String| -> Vec<String> {
            text.split([',', ' '])
                .filter(|part| !part.is_empty())
                .map(str::to_owned)
                .collect()
        };
        let loci = (1..=LOCI)
            .filter_map(|n| {
                let locus = ask.text(&format!("locus{n}"));
                (!locus.is_empty()).then(|| LocusGoal {
                    wanted: list(ask.text(&format!("wanted{n}"))),
                    refused: list(ask.text(&format!("refused{n}"))),
                    locus,
                })
            })
            .collect();
        Self {
            traits,
            loci,
            kinship_ceiling: ask.number("ceiling"),
        }
    }

    /// The objective in words.
    pub fn in_words(&self) -> String {
        let mut parts: Vec<String> = self
            .traits
            .iter()
            .map(|goal| {
                let mut text = format!(
                    "{} weighed {}",
                    words::plain(&goal.r#trait),
                    words::measure(goal.weight)
                );
                if let Some(least) = goal.at_least {
                    text.push_str(&format!(", at least {}", words::measure(least)));
                }
                if let Some(most) = goal.at_most {
                    text.push_str(&format!(", at most {}", words::measure(most)));
                }
                text
            })
            .collect();
        for goal in &self.loci {
            let mut text = format!("locus {}", goal.locus);
            if !goal.wanted.is_empty() {
                text.push_str(&format!(" {}", goal.wanted.join(" or ")));
            }
            if !goal.refused.is_empty() {
                text.push_str(&format!(", not {}", goal.refused.join(" or ")));
            }
            parts.push(text);
        }
        parts.join("; ")
    }
}

/// The fields of a form that ask for an objective; `with_loci` also for genotypes.
pub fn fields(ask: &Ask, known: &Known, with_loci: bool) -> Markup {
    html! {
        @for n in 1..=TRAITS {
            fieldset.row {
                legend { "Trait " (n) }
                (pick(&format!("trait{n}"), "Trait", &known.traits, ask))
                (decimal(&format!("weight{n}"), "Weight", &ask.text(&format!("weight{n}"))))
                (decimal(&format!("least{n}"), "At least", &ask.text(&format!("least{n}"))))
                (decimal(&format!("most{n}"), "At most", &ask.text(&format!("most{n}"))))
            }
        }
        (choice("values", "Values of parents", None, [
            ("".to_owned(), "analyses, else notes".to_owned()),
            ("analyses".to_owned(), "analyses only".to_owned()),
            ("notes".to_owned(), "notes only".to_owned()),
        ], &ask.text("values")))
        @if with_loci {
            @for n in 1..=LOCI {
                fieldset.row {
                    legend { "Locus " (n) }
                    (pick(&format!("locus{n}"), "Locus", &known.loci, ask))
                    (field(&format!("wanted{n}"), "Genotypes wanted", "text", &ask.text(&format!("wanted{n}"))))
                    (field(&format!("refused{n}"), "Genotypes refused", "text", &ask.text(&format!("refused{n}"))))
                }
            }
        }
    }
}

fn pick(name: &str, label: &str, among: &BTreeSet<String>, ask: &Ask) -> Markup {
    let all: Vec<&str> = among.iter().map(String::as_str).collect();
    choice(name, label, Some("none"), stages(&all), &ask.text(name))
}

/// The largest coancestry of a pair, as asked for or usual.
pub fn ceiling(ask: &Ask) -> String {
    match ask.text("ceiling") {
        asked if asked.is_empty() => USUAL_CEILING.to_owned(),
        asked => asked,
    }
}

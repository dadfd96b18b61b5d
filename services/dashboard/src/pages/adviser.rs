//! Which parents to cross: pairs with their reasons side by side, and a season's crosses at once.

use std::collections::BTreeMap;

use contract::crossing::{
    AdvisePairsRequest, AdvisedPair, AdvisedPairs, PairRule, ParentRights, PlanSeasonRequest,
    ProgenyTrait, SeasonPlan,
};
use maud::{Markup, html};

use super::Shown;
use super::objective::{self, Known, Objective};
use crate::desk::{Ask, Desk};
use crate::html::{
    Table, choice, count, decimal, field, link, maybe_measure, notes, part, text, warnings, word,
};
use crate::layout::Page;
use crate::picture::{Dot, IntervalRow, Intervals, Line, Lines, Stroke};
use crate::words;

/// Pairs ranked, and those of them that are compared reason by reason.
const RANKED: u32 = 20;
const COMPARED: [usize; 3] = [3, 5, 8];
/// What may stand in a pair's way, and what that may do.
const CONDITIONS: [(&str, &str); 5] = [
    ("crossability", "Species hard to cross"),
    ("pollen", "No pollen in sight"),
    ("sterility", "Sterile seedlings"),
    ("rights", "Parents that need an agreement"),
    ("mothers", "No mother standing"),
];
const RULES: [(&str, &str); 4] = [
    ("", "as usual"),
    ("filter", "leave out"),
    ("price", "costs"),
    ("ignore", "no matter"),
];
/// What a season's plan asks for when the form says nothing.
const USUAL_FLOWERS: u32 = 20_000;
const USUAL_CROSSES: u32 = 20;

/// The adviser: an objective, and the pairs that serve it.
pub async fn show(desk: Desk) -> Shown {
    let known = Known::read(&desk).await?;
    let ask = &desk.ask;
    let asked = Objective::of(ask);
    let compared = ask.number("compared").unwrap_or(COMPARED[1]);
    let form = html! {
        form.ask method="get" {
            (objective::fields(ask, &known, true))
            (decimal("ceiling", "Largest coancestry of a pair", &objective::ceiling(ask)))
            (field("season", "Season", "number", &ask.text("season")))
            fieldset.row {
                legend { "What stands in a pair’s way" }
                @for (condition, label) in CONDITIONS {
                    (choice(condition, label, None, RULES.map(|(rule, said)| (rule.to_owned(), said.to_owned())), &ask.text(condition)))
                }
            }
            (choice("compared", "Pairs side by side", None, COMPARED.map(|n| (n.to_string(), n.to_string())), &compared.to_string()))
            button { "Compare" }
        }
    };
    let wishes = asked.in_words();
    let pairs = if wishes.is_empty() {
        None
    } else {
        let request = AdvisePairsRequest {
            season: ask.text("season"),
            traits: asked.traits,
            loci: asked.loci,
            kinship_ceiling: asked.kinship_ceiling,
            max_pairs: Some(RANKED),
            rules: CONDITIONS
                .iter()
                .map(|(condition, _)| (condition, ask.text(condition)))
                .filter(|(_, rule)| !rule.is_empty())
                .map(|(condition, rule)| PairRule {
                    condition: (*condition).to_owned(),
                    rule,
                    price: None,
                })
                .collect(),
            ..AdvisePairsRequest::default()
        };
        Some(desk.crossing()?.advise_pairs(request).await)
    };
    Ok(Page::new(
        "Cross adviser",
        html! {
            p.lead { "Say what a cross is to bring; possible pairs are ranked, with what speaks for and against each." }
            p { "For a whole season’s crosses under a given rise in coancestry, see the " a href="/season-plan" { "season’s plan" } "." }
            (form)
            @if known.has_no_traits() {
                p.quiet { "No variety or selection has a trait noted with numbers yet; note them with the germplasm." }
            }
            @match pairs {
                None => p.quiet { "Choose a trait or a locus." },
                Some(asked) => (part(asked.map_err(Into::into), |reply| advised(&reply.into_inner(), &wishes, compared))),
            }
        },
    ))
}

fn advised(pairs: &AdvisedPairs, wishes: &str, compared: usize) -> Markup {
    html! {
        p { "For " strong { (wishes) } ": " (words::some(pairs.pairs_n, "pair", "pairs")) " of " (words::some(pairs.candidates_n, "candidate", "candidates")) " were looked at." }
        h2 { "Reasons side by side" }
        (side_by_side(&pairs.items, compared))
        h2 { "Ranking" }
        (ranking(&pairs.items))
        @if !pairs.left_out.is_empty() {
            h2 { "Left out" }
            (Table::new("Pairs left out").text("Reason").number("Pairs").text("Why").text("Among them")
                .rows(&pairs.left_out, |l| vec![word(&l.reason), count(l.pairs_n), text(&l.why), text(l.examples.join("; "))]).show())
        }
        h2 { "What stands in a pair’s way" }
        (Table::new("Rules reckoned with").text("Condition").text("Rule").number("Price")
            .rows(&pairs.rules, |r| vec![word(&r.condition), word(&r.rule), maybe_measure(r.price)]).show())
        (notes(&pairs.notes))
    }
}

fn name(pair: &AdvisedPair) -> Markup {
    html! {
        (link("/germplasm", &pair.seed_parent_id, &pair.seed_parent_name)) " × "
        (link("/germplasm", &pair.pollen_parent_id, &pair.pollen_parent_name))
    }
}

fn ranking(pairs: &[AdvisedPair]) -> Markup {
    Table::new("Pairs by rank")
        .number("Rank")
        .text("Pair")
        .number("Score")
        .number("Index, SD")
        .number("Share wanted")
        .number("Seedlings for one wanted")
        .text("Pollen accepted")
        .number("Coancestry")
        .number("Flowers")
        .stacking()
        .or_say("No pair serves this objective; see what was left out.")
        .rows(pairs, |p| {
            let advice = p.advice.clone().unwrap_or_default();
            vec![
                count(p.rank),
                name(p),
                text(words::measure(p.score)),
                text(words::measure(p.index_sd)),
                share_wanted(p),
                p.plants_needed.map_or_else(|| text(""), count),
                word(&advice.compatibility.unwrap_or_default().verdict),
                maybe_measure(advice.kinship),
                count(advice.flowers_needed),
            ]
        })
        .show()
}

/// The share of seedlings that is wanted, or what it lies between.
fn share_wanted(pair: &AdvisedPair) -> Markup {
    match pair.share_wanted {
        Some(share) => text(words::percent(share)),
        None => text(between(pair.share_lowest, pair.share_highest)),
    }
}

fn between(low: f64, high: f64) -> String {
    format!("{} to {}", words::percent(low), words::percent(high))
}

/// Reasons down, pairs across: what one compares stands in one line.
fn side_by_side(pairs: &[AdvisedPair], most: usize) -> Markup {
    let pairs = &pairs[..pairs.len().min(most)];
    if pairs.is_empty() {
        return html! { p.quiet { "No pair serves this objective; see what was left out." } };
    }
    let mut table = Table::new("Reasons side by side").text("Reason");
    for pair in pairs {
        table = table.text(format!(
            "{}. {} × {}",
            pair.rank, pair.seed_parent_name, pair.pollen_parent_name
        ));
    }
    let mut line = |reason: &str, cell: &dyn Fn(&AdvisedPair) -> Markup| {
        let mut cells = vec![text(reason)];
        cells.extend(pairs.iter().map(cell));
        table.row(cells);
    };
    let traits: Vec<&str> = pairs[0].traits.iter().map(|t| t.r#trait.as_str()).collect();
    let loci: Vec<&str> = pairs[0].loci.iter().map(|l| l.locus.as_str()).collect();
    for trait_name in traits {
        let of = |pair: &AdvisedPair| {
            pair.traits
                .iter()
                .find(|t| t.r#trait == trait_name)
                .map_or_else(|| text(""), progeny)
        };
        line(&words::title(trait_name), &of);
    }
    for locus in loci {
        line(&format!("Locus {locus}"), &|pair| {
            let Some(at) = pair.loci.iter().find(|l| l.locus == locus) else {
                return text("");
            };
            html! {
                (text(&at.seed_parent)) " × " (text(&at.pollen_parent)) ": "
                @match at.share_wanted {
                    Some(share) => { (words::percent(share)) " wanted" @if !at.fraction.is_empty() { " (" (at.fraction) ")" } },
                    None => { "not known, " (between(at.lowest_share, at.highest_share)) " wanted" },
                }
            }
        });
    }
    if pairs.iter().any(|p| p.loci.len() > 1) {
        line("Wanted at all loci", &|pair| {
            let together = pair.loci_together.clone().unwrap_or_default();
            html! {
                @match (together.share, together.lowest, together.highest) {
                    (Some(share), ..) => (words::percent(share)),
                    (None, Some(low), Some(high)) => (between(low, high)),
                    _ => "not known",
                }
                @for linked in &together.linked { "; " (linked) }
            }
        });
    }
    line("Share of seedlings wanted", &share_wanted);
    line("Seedlings for one wanted, 95 %", &|p| {
        p.plants_needed.map_or_else(|| text(""), count)
    });
    line("Pollen accepted", &|p| {
        let verdict = advice(p).compatibility.unwrap_or_default().verdict;
        html! { (word(&verdict)) @if p.reciprocal_verdict != verdict { "; changed over: " (word(&p.reciprocal_verdict)) } }
    });
    line("Ploidy", &|p| text(advice(p).ploidy_note));
    line("Species crossability", &|p| {
        let advice = advice(p);
        html! { (word(&advice.crossability)) @if !advice.crossability_note.is_empty() { ": " (advice.crossability_note) } }
    });
    line("Coancestry of the parents", &|p| {
        maybe_measure(advice(p).kinship)
    });
    line("Inbreeding of the seedlings", &|p| {
        maybe_measure(advice(p).progeny_inbreeding)
    });
    line("Bloom or stored pollen", &|p| {
        let pollen = advice(p).pollen.unwrap_or_default();
        html! {
            (word(&pollen.can_serve))
            @if let Some(days) = pollen.shared_days_n { "; " (words::some(days, "day", "days")) " in common" }
            @if let Some(share) = pollen.share_covered { ", " (words::percent(share)) " of the mother’s bloom" }
            @if !pollen.lots.is_empty() { "; " (words::some(pollen.lots.len() as u64, "lot", "lots")) " in store" }
        }
    });
    line("Rights of the seed parent", &|p| {
        rights(p.seed_parent_rights.as_ref())
    });
    line("Rights of the pollen parent", &|p| {
        rights(p.pollen_parent_rights.as_ref())
    });
    line("Flowers and passes", &|p| {
        let advice = advice(p);
        html! {
            (words::some(advice.flowers_needed, "flower", "flowers")) " at a set of " (words::percent(advice.fruit_set_expected))
            " (" (words::percent(advice.fruit_set_low)) " to " (words::percent(advice.fruit_set_high)) ")"
            @if let Some(surely) = advice.flowers_needed_surely { "; " (words::some(surely, "flower", "flowers")) " to be nine tenths sure" }
            @if p.passes_needed_n > 0 { "; " (words::some(p.passes_needed_n, "pass", "passes")) " of " (count(p.flowers_per_pass_n)) }
        }
    });
    line("Mothers standing", &|p| count(p.mothers_n));
    line("Taken from the score", &|p| {
        html! {
            @if p.prices.is_empty() { "nothing" }
            @for (place, price) in p.prices.iter().enumerate() {
                @if place > 0 { "; " }
                (words::measure(price.price)) ": " (price.why)
            }
        }
    });
    line("Heed", &|p| {
        html! { (warnings(&advice(p).warnings)) (notes(&p.notes)) }
    });
    html! { (table.show()) (spread(pairs)) }
}

fn advice(pair: &AdvisedPair) -> contract::crossing::CrossAdvice {
    pair.advice.clone().unwrap_or_default()
}

fn progeny(t: &ProgenyTrait) -> Markup {
    html! {
        @match (t.mean, t.standard_deviation) {
            (Some(mean), Some(sd)) => { strong { (words::measure(mean)) } " ± " (words::measure(sd)) },
            _ => "not known",
        }
        @if let (Some(low), Some(high)) = (t.low, t.high) { "; nine tenths " (words::measure(low)) " to " (words::measure(high)) }
        @if let Some(share) = t.share_wanted { "; " (words::percent(share)) " within bounds" }
        @if !t.basis.is_empty() { "; by " (words::plain(&t.basis)) }
    }
}

fn rights(of: Option<&ParentRights>) -> Markup {
    let of = of.cloned().unwrap_or_default();
    html! { (word(&of.rights_standing)) @if !of.protected_by.is_empty() { ", " (of.protected_by) } }
}

/// Seedlings' means with the middle nine tenths, a picture for each trait.
fn spread(pairs: &[AdvisedPair]) -> Markup {
    let mut by_trait: BTreeMap<&str, Vec<(&AdvisedPair, &ProgenyTrait)>> = BTreeMap::new();
    for pair in pairs {
        for t in &pair.traits {
            if t.mean.is_some() {
                by_trait.entry(&t.r#trait).or_default().push((pair, t));
            }
        }
    }
    html! {
        @for (place, (name, of)) in by_trait.iter().enumerate() {
            @let picture = Intervals {
                key: format!("spread-{place}"),
                title: format!("{} of the seedlings", words::title(name)),
                description: "Expected mean of each pair’s seedlings; the line holds nine tenths of them.".into(),
                axis: words::plain(name),
                reference: None,
                rows: of.iter().map(|(pair, t)| IntervalRow {
                    label: format!("{} × {}", pair.seed_parent_name, pair.pollen_parent_name),
                    value: t.mean.unwrap_or_default(),
                    interval: t.low.zip(t.high),
                    open: false,
                    text: t.mean.map(words::measure).unwrap_or_default(),
                }).collect(),
            };
            @let table = Table::new(format!("{} of the seedlings", words::title(name))).text("Pair").number("Seed parent").number("Pollen parent").number("Mean").number("SD").text("Rests on")
                .rows(of, |(pair, t)| vec![
                    name_of(pair), maybe_measure(t.seed_parent), maybe_measure(t.pollen_parent), maybe_measure(t.mean), maybe_measure(t.standard_deviation), text(&t.basis_note),
                ]);
            (picture.draw().figure(table.show()))
        }
    }
}

fn name_of(pair: &AdvisedPair) -> Markup {
    text(format!(
        "{} × {}",
        pair.seed_parent_name, pair.pollen_parent_name
    ))
}

/// A season's crosses at once: gain against coancestry.
pub async fn plan(desk: Desk) -> Shown {
    let known = Known::read(&desk).await?;
    let ask = &desk.ask;
    let asked = Objective::of(ask);
    let wishes = asked.in_words();
    let crosses_n = ask.number("crosses").unwrap_or(USUAL_CROSSES);
    let mothers_n = ask.number("mothers").unwrap_or(crosses_n);
    let flowers_n = ask.number("flowers").unwrap_or(USUAL_FLOWERS);
    let form = html! {
        form.ask method="get" {
            (objective::fields(ask, &known, false))
            (field("crosses", "Crosses", "number", &crosses_n.to_string()))
            (field("mothers", "Mothers", "number", &mothers_n.to_string()))
            (field("flowers", "Flowers that can be worked", "number", &flowers_n.to_string()))
            (field("fruit", "Fruits wanted of each cross (flowers bind when given)", "number", &ask.text("fruit")))
            (field("offers", "Flowers that one mother offers", "number", &ask.text("offers")))
            (field("seed-parents", "Most seed parents", "number", &ask.text("seed-parents")))
            (choice("only", "Mothers", None, [("".to_owned(), "any candidate".to_owned()), ("standing".to_owned(), "only trees that stand".to_owned())], &ask.text("only")))
            (decimal("group", "Largest group coancestry (middle of the curve when empty)", &ask.text("group")))
            (decimal("rise", "Or largest rise in coancestry", &ask.text("rise")))
            (decimal("ceiling", "Largest coancestry of a pair", &objective::ceiling(ask)))
            (field("season", "Season", "number", &ask.text("season")))
            button { "Plan" }
        }
    };
    let planned = if wishes.is_empty() {
        None
    } else {
        let request = PlanSeasonRequest {
            season: ask.text("season"),
            traits: asked.traits,
            flowers_n,
            mothers_n,
            crosses_n,
            kinship_ceiling: ask.number("group"),
            largest_rise: ask.number("rise"),
            pair_kinship_ceiling: asked.kinship_ceiling,
            fruit_wanted_n: ask.number("fruit"),
            flowers_per_mother_n: ask.number("offers"),
            seed_parents_n: ask.number("seed-parents"),
            standing_mothers_only: ask.text("only") == "standing",
            ..PlanSeasonRequest::default()
        };
        Some(desk.crossing()?.plan_season(request).await)
    };
    Ok(Page::new(
        "Season’s plan",
        html! {
            p.lead { "The crosses that bring most gain for a given rise in coancestry, with the flowers and mothers that there are." }
            p { "To look at single pairs, see the " a href="/adviser" { "cross adviser" } "." }
            (form)
            @match planned {
                None => p.quiet { "Choose a trait and its weight." },
                Some(asked) => (part(asked.map_err(Into::into), |reply| planned_season(&reply.into_inner(), &wishes, ask))),
            }
        },
    ))
}

fn planned_season(plan: &SeasonPlan, wishes: &str, ask: &Ask) -> Markup {
    let best = plan.best.unwrap_or_default();
    let planned = plan.planned.unwrap_or_default();
    html! {
        p { "For " strong { (wishes) } "." }
        ul.big {
            li { strong { (words::measure(planned.merit)) } span { "SD of the index gained" } }
            li { strong { (words::measure(planned.group_coancestry)) } span { "group coancestry" } }
            li { strong { (words::measure(planned.rise_in_coancestry)) } span { "rise in coancestry" } }
            li { strong { (words::measure(plan.mean_progeny_inbreeding)) } span { "inbreeding of the seedlings" } }
        }
        h2 { "Gain against coancestry" }
        (trade_off(plan, ask))
        @if !plan.limits.is_empty() {
            h2 { "Mothers and flowers" }
            @if let Some(without) = plan.merit_without_limits {
                p { "Without limits on mothers and flowers the best shares would gain " (words::measure(without)) " SD; within them " (words::measure(best.merit)) " SD." }
            }
            (Table::new("Limits").text("Limit").number("There is").number("Best shares use").text("Binds")
                .rows(&plan.limits, |l| vec![
                    word(&l.limit), text(words::measure(l.most)), text(words::measure(l.used)), text(if l.binds { "yes" } else { "no" }),
                ]).show())
        }
        h2 { "Crosses chosen" }
        (Table::new("Crosses chosen").text("Seed parent").text("Pollen parent").number("Crosses").number("Mothers").number("Standing now").number("Flowers").number("Fruit expected").number("Inbreeding of seedlings").number("Index, SD").text("Pollen accepted").stacking()
            .rows(&plan.matings, |m| vec![
                link("/germplasm", &m.seed_parent_id, &m.seed_parent_name),
                link("/germplasm", &m.pollen_parent_id, &m.pollen_parent_name),
                count(m.crosses_n),
                count(m.mothers_n),
                count(m.mothers_standing_n),
                count(m.flowers_n),
                text(words::measure(m.expected_fruit_n)),
                text(words::measure(m.progeny_inbreeding)),
                text(words::measure(m.expected_merit)),
                word(&m.verdict),
            ]).show())
        h2 { "What each parent gives" }
        (Table::new("Contributions of parents").text("Parent").number("Index, SD").number("Best share").number("Share as planned").number("As seed parent").number("As pollen parent").text("Rights").stacking()
            .rows(&plan.parents, |p| vec![
                link("/germplasm", &p.germplasm_id, &p.name),
                text(words::measure(p.merit)),
                text(words::percent(p.share)),
                text(words::percent(p.planned_share)),
                count(p.as_seed_parent_n),
                count(p.as_pollen_parent_n),
                word(&p.rights_standing),
            ]).show())
        p.quiet { "The best shares under the ceiling of " (words::measure(plan.kinship_ceiling)) " would gain " (words::measure(best.merit)) " SD from " (words::some(best.parents_n, "parent", "parents")) "; whole crosses come near to it." }
        (notes(&plan.notes))
    }
}

fn trade_off(plan: &SeasonPlan, ask: &Ask) -> Markup {
    let mut curve = plan.trade_off.clone();
    curve.sort_by(|a, b| a.group_coancestry.total_cmp(&b.group_coancestry));
    let table = Table::new("Points of the curve")
        .number("Group coancestry")
        .number("Rise")
        .number("Index gained, SD")
        .number("Parents")
        .text("Plan with it")
        .rows(&curve, |p| {
            let with = format!("{:.4}", p.group_coancestry + 5e-5);
            vec![
                text(words::measure(p.group_coancestry)),
                text(words::measure(p.rise_in_coancestry)),
                text(words::measure(p.merit)),
                count(p.parents_n),
                html! { a href=(ask.without("rise").with("group", &with)) { "plan" } },
            ]
        });
    let dot = |label: &str, at: &Option<contract::crossing::TradeOffPoint>, open| {
        at.as_ref().map(|at| Dot {
            label: label.to_owned(),
            x: at.group_coancestry,
            y: at.merit,
            open,
        })
    };
    let picture = Lines {
        key: "trade-off".into(),
        title: "Gain against coancestry".into(),
        description: "Each point of the line is the most that can be gained at that group coancestry of the next generation; the full square is the plan in whole crosses, the open one the best shares under the ceiling.".into(),
        axes: ("group coancestry of the next generation".into(), "expected index, SD".into()),
        across: Vec::new(),
        from_zero: false,
        lines: vec![Line {
            label: String::new(),
            points: curve.iter().map(|p| (p.group_coancestry, p.merit)).collect(),
            stroke: Stroke::Strong,
        }],
        dots: [dot("best shares", &plan.best, true), dot("planned", &plan.planned, false)]
            .into_iter()
            .flatten()
            .collect(),
    };
    match picture.draw() {
        Some(picture) => picture.figure(table.show()),
        None => table.show(),
    }
}

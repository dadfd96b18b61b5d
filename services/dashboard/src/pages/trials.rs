//! Trials with their maps and entry means.

use axum::extract::Path;
use contract::evaluation::{
    GetLayoutRequest, GetMeansRequest, GetTreeValuesRequest, GetTrialRequest, ListAnalysesRequest,
    ListRecordsRequest, ListSitesRequest, ListTraitsRequest, ListTrialsRequest, Site, SiteLayout,
    TraitDefinition, TreeValue, Trial, TrialLayout, TrialMeans,
};
use maud::{Markup, html};
use platform::Permission;

use super::Shown;
use crate::desk::Desk;
use crate::html::{
    Table, choice, count, day, facts, field, link, maybe_measure, notes, pager, part, stages, text,
    word,
};
use crate::layout::Page;
use crate::picture::{Ground, IntervalRow, Intervals, Square, State};
use crate::trouble::Trouble;
use crate::words;

const STAGES: [&str; 4] = ["own_root", "budded", "multi_site", "pre_release"];
/// Most trees drawn on one map; a larger site is shown in strips of whole rows.
const MOST_SQUARES: usize = 3_000;
/// Most entries drawn with their intervals.
const MOST_MEANS: usize = 60;

/// Trials, the newest first.
pub async fn list(desk: Desk) -> Shown {
    let ask = &desk.ask;
    let request = ListTrialsRequest {
        season: ask.number("season").unwrap_or_default(),
        stage: ask.text("stage"),
        site_id: ask.text("site_id"),
        limit: 0,
        cursor: ask.text("cursor"),
    };
    let mut evaluation = desk.evaluation()?;
    let list = evaluation.list_trials(request).await?.into_inner();
    let table = Table::new("Trials")
        .text("Trial")
        .text("Name")
        .text("Stage")
        .number("Season")
        .number("Sites")
        .number("Entries")
        .number("Checks")
        .number("Trees")
        .number("Trees looked at")
        .text("Design")
        .text("Status")
        .stacking()
        .or_say("No trial fits.")
        .rows(&list.items, |t| {
            vec![
                link("/trials", &t.id, &t.number),
                text(&t.name),
                word(&t.stage),
                text(t.season.to_string()),
                count(t.site_ids.len() as u64),
                count(t.entries_n),
                count(t.checks_n),
                count(t.trees_n),
                count(t.trees_looked_at_n),
                word(&t.design),
                word(&t.status),
            ]
        });
    Ok(Page::new(
        "Trials",
        html! {
            form.ask method="get" {
                (field("season", "Season", "number", &ask.text("season")))
                (choice("stage", "Stage", Some("any"), stages(&STAGES), &ask.text("stage")))
                button { "Show" }
            }
            (table.show())
            (pager(ask, list.next_cursor.as_ref()))
        },
    ))
}

/// Names of sites by id.
struct Sites(Vec<Site>);

impl Sites {
    fn name<'a>(&'a self, id: &'a str) -> &'a str {
        self.find(id).map_or(id, |site| &site.name)
    }

    fn find(&self, id: &str) -> Option<&Site> {
        self.0.iter().find(|site| site.id == id)
    }

    /// What is known of the ground, in a line; empty when nothing is.
    fn ground(&self, id: &str) -> String {
        let Some(site) = self.find(id) else {
            return String::new();
        };
        [
            ("soil", &site.soil),
            ("usual rootstock", &site.rootstock),
            ("climate station", &site.climate_station),
        ]
        .into_iter()
        .filter(|(_, text)| !text.is_empty())
        .map(|(what, text)| format!("{what}: {text}"))
        .collect::<Vec<_>>()
        .join("; ")
    }
}

/// One trial: its map with values and its entry means.
pub async fn show(desk: Desk, Path(id): Path<String>) -> Shown {
    let mut evaluation = desk.evaluation()?;
    let trial = evaluation
        .get_trial(GetTrialRequest {
            trial_id: id.clone(),
        })
        .await?
        .into_inner();
    let traits = evaluation
        .list_traits(ListTraitsRequest {})
        .await?
        .into_inner()
        .items;
    let sites = evaluation
        .list_sites(ListSitesRequest {
            limit: 500,
            cursor: String::new(),
        })
        .await
        .map(|r| r.into_inner().items)
        .unwrap_or_default();
    let sites = Sites(sites);
    let code = match desk.ask.text("trait") {
        asked if !asked.is_empty() => asked,
        _ => recorded_trait(&mut evaluation, &id)
            .await
            .unwrap_or_default(),
    };
    let year = desk.ask.number::<u32>("year").unwrap_or_default();
    let asked_for = traits.iter().find(|t| t.code == code);
    let layout = evaluation
        .get_layout(GetLayoutRequest {
            trial_id: id.clone(),
        })
        .await;
    let layout = layout
        .map(tonic::Response::into_inner)
        .map_err(Trouble::from);
    let (values, means) = match asked_for {
        None => (None, None),
        Some(t) => {
            let asked = GetTreeValuesRequest {
                trial_id: id.clone(),
                r#trait: t.code.clone(),
                year,
            };
            let values = evaluation
                .get_tree_values(asked)
                .await
                .map(|r| r.into_inner().items);
            let asked = GetMeansRequest {
                trial_id: id.clone(),
                r#trait: t.code.clone(),
                year,
                ..GetMeansRequest::default()
            };
            let means = evaluation
                .get_means(asked)
                .await
                .map(tonic::Response::into_inner);
            (
                Some(values.map_err(Trouble::from)),
                Some(means.map_err(Trouble::from)),
            )
        }
    };
    let asked = ListAnalysesRequest {
        trial_id: id.clone(),
        limit: 20,
        cursor: String::new(),
    };
    let analyses = evaluation
        .list_analyses(asked)
        .await
        .map(|r| r.into_inner().items);
    Ok(Page::new(
        format!("Trial {}: {}", trial.number, trial.name),
        html! {
            (about(&trial, &sites))
            p {
                a href={ "/trials/" (trial.id) "/selection" } { "Selection board" } " · "
                a href={ "/trials/" (trial.id) "/stability?trait=" (code) } { "Stability over sites" } " · "
                a href={ "/trials/" (trial.id) "/assessors?trait=" (code) } { "Assessors compared" } " · "
                a href={ "/trials/" (trial.id) "/doubts" } { "Records in doubt" } " · "
                a href="/record-file" { "Records from a file" } " · "
                a href={ "/what-if?trial_id=" (trial.id) "&trait=" (code) } { "What if" }
            }
            form.ask method="get" {
                (choice("trait", "Trait", Some("none"), traits.iter().map(|t| (t.code.clone(), trait_name(t))), &code))
                (field("year", "Year of the records", "number", &desk.ask.text("year")))
                button { "Show" }
            }
            @if let Some(t) = asked_for {
                @if !t.method.is_empty() { p.quiet { (t.method) } }
            }
            h2 { "Map" @if let Some(t) = asked_for { " of " (t.name) } }
            (part(layout, |layout| maps(&desk, &layout, values.as_ref(), asked_for, &sites)))
            @if let Some(means) = means {
                h2 { "Entry means" }
                (part(means, |means| html! {
                    (entry_means(&means, asked_for, &sites))
                    @if let Some(source) = &means.source { (super::figures::usual(&desk, source)) }
                }))
            }
            h2 { "Mixed-model analyses" }
            @if desk.may(Permission::ManageTrials) {
                (super::analyses::form(&trial.id, traits.iter().filter(|t| t.scale != "nominal" || t.states.len() == 2).map(|t| (t.code.clone(), trait_name(t))).collect(), &code))
            }
            (part(analyses.map_err(Into::into), |all| {
                Table::new("Analyses").text("Analysis").text("Trait").text("Random terms").text("Status").number("Heritability").text("Asked for").or_say("None has been asked for.")
                    .rows(&all, |a| vec![
                        link("/analyses", if a.id.is_empty() { &a.analysis_id } else { &a.id }, "results"),
                        text(&a.r#trait),
                        text(a.random_terms.join(", ")),
                        html! { (words::plain(&a.status)) @if !a.problem.is_empty() { ": " (a.problem) } },
                        maybe_measure(a.heritability),
                        text(&a.requested_at),
                    ]).show()
            }))
            h2 { "Entries" }
            (entries(&trial))
        },
    ))
}

fn trait_name(t: &TraitDefinition) -> String {
    if t.unit.is_empty() {
        t.name.clone()
    } else {
        format!("{} ({})", t.name, t.unit)
    }
}

/// A trait that has records in the trial, to begin with.
async fn recorded_trait(
    evaluation: &mut contract::evaluation::evaluation_client::EvaluationClient<
        platform::peers::Authorised,
    >,
    trial_id: &str,
) -> Option<String> {
    let request = ListRecordsRequest {
        trial_id: trial_id.to_owned(),
        limit: 1,
        ..ListRecordsRequest::default()
    };
    let records = evaluation.list_records(request).await.ok()?.into_inner();
    records
        .items
        .into_iter()
        .next()
        .map(|record| record.r#trait)
}

fn about(t: &Trial, sites: &Sites) -> Markup {
    facts(vec![
        ("Stage", word(&t.stage)),
        ("Season", text(t.season.to_string())),
        (
            "Sites",
            text(
                t.site_ids
                    .iter()
                    .map(|id| sites.name(id))
                    .collect::<Vec<_>>()
                    .join(", "),
            ),
        ),
        ("Entries", count(t.entries_n)),
        ("Check varieties", count(t.checks_n)),
        ("Trees", count(t.trees_n)),
        ("Trees looked at", count(t.trees_looked_at_n)),
        (
            "Rootstock",
            text(if t.rootstocks.is_empty() {
                t.rootstock.clone()
            } else {
                t.rootstocks.join(", ")
            }),
        ),
        ("Planted", day(&t.planted_on)),
        ("Design", word(&t.design)),
        ("Status", word(&t.status)),
        ("Note", text(&t.note)),
    ])
}

/// The most that a design of the size of the least efficient site could reach, where it is known.
fn bound(layout: &TrialLayout) -> Option<f64> {
    layout
        .sites
        .iter()
        .min_by(|a, b| a.efficiency.total_cmp(&b.efficiency))?
        .efficiency_bound
}

fn maps(
    desk: &Desk,
    layout: &TrialLayout,
    values: Option<&Result<Vec<TreeValue>, Trouble>>,
    t: Option<&TraitDefinition>,
    sites: &Sites,
) -> Markup {
    let values = match values {
        Some(Ok(values)) => values.as_slice(),
        _ => &[],
    };
    html! {
        p { "Design: " (if layout.design_made.is_empty() { words::plain(&layout.design) } else { layout.design_made.clone() }) ", seed " (layout.seed) ", efficiency " (words::measure(layout.efficiency))
            @if let Some(bound) = bound(layout) { " of at most " (words::measure(bound)) } "." }
        @for (index, site) in layout.sites.iter().enumerate() {
            h3 { (sites.name(&site.site_id)) }
            @let ground = sites.ground(&site.site_id);
            @if !ground.is_empty() { p.quiet { (ground) } }
            (site_map(desk, index, layout, site, values, t))
        }
    }
}

fn site_map(
    desk: &Desk,
    index: usize,
    layout: &TrialLayout,
    site: &SiteLayout,
    values: &[TreeValue],
    t: Option<&TraitDefinition>,
) -> Markup {
    let by_id: std::collections::HashMap<&str, &TreeValue> =
        values.iter().map(|v| (v.tree_id.as_str(), v)).collect();
    let columns = site.columns.max(1) as usize;
    let strip = u32::try_from((MOST_SQUARES / columns).max(1)).unwrap_or(u32::MAX);
    let from = desk.ask.number::<u32>("row").unwrap_or(1).max(1);
    let shown = from..from.saturating_add(strip);
    let squares: Vec<Square> = layout
        .trees
        .iter()
        .filter(|tree| tree.site_id == site.site_id && shown.contains(&tree.row))
        .filter(|tree| tree.status != "replaced")
        .map(|tree| {
            let value = by_id.get(tree.tree_id.as_str());
            let label = value
                .map(|v| v.label.as_str())
                .filter(|l| !l.is_empty())
                .unwrap_or(&tree.number);
            let gone = !matches!(tree.status.as_str(), "standing" | "");
            let measured = value.and_then(|v| v.value);
            let written = measured.map(words::measure);
            Square {
                row: tree.row,
                column: tree.column,
                text: match (&written, gone) {
                    (Some(value), false) => value.clone(),
                    (None, false) if t.is_some() => "–".into(),
                    _ => String::new(),
                },
                title: format!(
                    "{}, {label}{}, row {}, place {}, {}{}{}",
                    tree.number,
                    on_rootstock(&tree.rootstock),
                    tree.row,
                    tree.column,
                    words::plain(&tree.status),
                    if tree.is_check { ", check" } else { "" },
                    written.map(|w| format!(", {w}")).unwrap_or_default()
                ),
                link: String::new(),
                state: match (gone, tree.is_check) {
                    (true, _) => State::Gone,
                    (false, true) => State::Check,
                    (false, false) => State::Standing,
                },
                value: measured,
            }
        })
        .collect();
    let budded = layout.trees.iter().any(|tree| !tree.rootstock.is_empty());
    let mut table = Table::new("Trees").text("Tree").text("What stands there");
    if budded {
        table = table.text("Rootstock");
    }
    let table = table
        .number("Row")
        .number("Place")
        .number("Replicate")
        .number("Block")
        .text("State")
        .number("Value")
        .rows(
            layout.trees.iter().filter(|tree| tree.site_id == site.site_id && shown.contains(&tree.row)),
            |tree| {
                let value = by_id.get(tree.tree_id.as_str());
                let mut cells = vec![
                    text(&tree.number),
                    html! { (link("/germplasm", &tree.germplasm_id, value.map_or("plant", |v| if v.label.is_empty() { "plant" } else { &v.label }))) @if tree.is_check { " (check)" } },
                ];
                if budded {
                    cells.push(text(&tree.rootstock));
                }
                cells.extend([
                    count(tree.row),
                    count(tree.column),
                    count(tree.replicate),
                    count(tree.block),
                    word(&tree.status),
                    maybe_measure(value.and_then(|v| v.value)),
                ]);
                cells
            },
        );
    let unit = t.map(|t| t.unit.clone()).unwrap_or_default();
    let picture = Ground {
        key: format!("map-{index}"),
        title: t.map_or_else(
            || "Map of the trees".to_owned(),
            |t| format!("Map of {}", trait_name(t)),
        ),
        description: format!(
            "Each square is a tree with its value; – stands for a tree without one. Site efficiency {}{}, {}.",
            words::measure(site.efficiency),
            site.efficiency_bound
                .map_or_else(String::new, |bound| format!(
                    " of at most {}",
                    words::measure(bound)
                )),
            words::some(
                site.error_df,
                "degree of freedom for error",
                "degrees of freedom for error"
            )
        ),
        unit,
        squares,
    };
    html! {
        (picture.draw().figure(table.show()))
        (notes(&site.notes))
        @if site.rows > strip {
            nav.pager aria-label="Rows of the map" {
                @if from > 1 { a href=(desk.ask.with("row", &from.saturating_sub(strip).max(1).to_string())) { "Rows before" } }
                @if from.saturating_add(strip) <= site.rows { a href=(desk.ask.with("row", &(from + strip).to_string())) { "Rows after" } }
            }
        }
    }
}

/// What a tree stands on, as a part of a sentence.
fn on_rootstock(name: &str) -> String {
    match name {
        "" => String::new(),
        name => format!(" on {name}"),
    }
}

fn entry_means(m: &TrialMeans, t: Option<&TraitDefinition>, sites: &Sites) -> Markup {
    let mut items: Vec<_> = m.items.iter().filter(|i| i.mean.is_some()).collect();
    items.sort_by_key(|item| (item.rank == 0, item.rank));
    // Normal quantile: the degrees of freedom for error of a trial of any use are many.
    let interval = |mean: f64, se: Option<f64>| se.map(|se| (mean - 1.96 * se, mean + 1.96 * se));
    let name = |name: &str, number: &str| {
        if name.is_empty() {
            number.to_owned()
        } else {
            name.to_owned()
        }
    };
    let rows = items
        .iter()
        .take(MOST_MEANS)
        .filter_map(|item| {
            let mean = item.mean?;
            Some(IntervalRow {
                label: match item.is_check {
                    true => format!("{} (check)", name(&item.name, &item.number)),
                    false => name(&item.name, &item.number),
                },
                value: mean,
                interval: interval(mean, item.se),
                open: item.is_check,
                text: words::measure(mean),
            })
        })
        .collect();
    let picture = Intervals {
        key: "means".into(),
        title: format!(
            "Entry means of {}",
            t.map_or(m.r#trait.as_str(), |t| &t.name)
        ),
        description: format!(
            "{}, the best first, with 95 % intervals; open squares are check varieties.{}",
            words::some(items.len().min(MOST_MEANS) as u64, "entry", "entries"),
            if items.len() > MOST_MEANS {
                " The table below holds all."
            } else {
                ""
            }
        ),
        axis: if m.unit.is_empty() {
            m.r#trait.clone()
        } else {
            m.unit.clone()
        },
        reference: Some((m.grand_mean, "mean of all".into())),
        rows,
    };
    let budded = items.iter().any(|item| !item.rootstocks.is_empty());
    let mut table = Table::new("Entry means");
    if budded {
        table = table.stacking();
    }
    let mut table = table
        .number("Rank")
        .text("Entry")
        .text("Number")
        .number("Mean")
        .number("Standard error")
        .number("Trees")
        .number("Missing")
        .text("By site");
    if budded {
        table = table.text("By rootstock");
    }
    let table = table.rows(&items, |item| {
            let mut cells = vec![
                if item.rank == 0 { text("") } else { count(item.rank) },
                html! { (link("/germplasm", &item.germplasm_id, &name(&item.name, &item.number))) @if item.is_check { " (check)" } },
                text(&item.number),
                maybe_measure(item.mean),
                maybe_measure(item.se),
                count(item.n),
                count(item.missing_n),
                html! { @for s in &item.sites { span.nowrap { (sites.name(&s.site_id)) " " (words::measure(s.mean)) "; " } } },
            ];
            if budded {
                cells.push(html! { @for s in &item.rootstocks { span.nowrap { (s.rootstock) " " (words::measure(s.mean)) "; " } } });
            }
            cells
        });
    html! {
        ul.big {
            li { strong { (words::measure(m.grand_mean)) " " (m.unit) } span { "mean of all" } }
            @if let Some(h) = m.heritability { li { strong { (words::measure(h)) } span { "heritability of means" } } }
            @if let Some(r) = m.repeatability { li { strong { (words::measure(r)) } span { "repeatability: an upper bound of the heritability" } } }
            @if let Some(lsd) = m.lsd_5_percent { li { strong { (words::measure(lsd)) } span { "least significant difference, 5 %" } } }
            @if let Some(cv) = m.cv_percent { li { strong { (words::measure(cv)) " %" } span { "coefficient of variation" } } }
            li { strong { (words::count(m.trees_n)) } span { "trees with a value, " (words::count(m.missing_n)) " without" } }
        }
        @if !m.heritability_method.is_empty() { p.quiet { "Heritability: " (m.heritability_method) } }
        @if let Some(source) = &m.source { (super::figures::named(source)) }
        (super::figures::components(&m.components))
        @if m.connected_sets_n > 1 { p.caution { "The entries fall into " (m.connected_sets_n) " sets that cannot be compared with one another, so there is no overall ranking." } }
        (notes(&m.notes))
        @if !items.is_empty() { (picture.draw().figure(table.show())) }
        @if m.environments.len() > 1 {
            (Table::new("Effects of sites, years, blocks and rootstocks").text("Site").number("Year").number("Block").text("Rootstock").number("Difference from the mean").number("Trees")
                .rows(&m.environments, |e| vec![text(sites.name(&e.site_id)), text(e.year.to_string()), if e.block == 0 { text("") } else { count(e.block) }, text(&e.rootstock), text(words::measure(e.effect)), count(e.n)]).show())
        }
    }
}

fn entries(t: &Trial) -> Markup {
    const MOST: usize = 500;
    html! {
        (Table::new("Entries and checks").text("Entry").text("Number").text("Kind").number("Crossing year").text("Decision").number("Out-cross doubt").or_say("No entry yet.")
            .rows(t.entries.iter().take(MOST), |e| vec![
                html! { (link("/germplasm", &e.germplasm_id, if e.name.is_empty() { &e.number } else { &e.name })) @if e.is_check { " (check)" } },
                text(&e.number), word(&e.kind),
                text(if e.crossing_year == 0 { String::new() } else { e.crossing_year.to_string() }),
                word(&e.decision), crate::html::maybe_percent(e.outcross_doubt),
            ]).show())
        @if t.entries.len() > MOST { p.quiet { "The first " (MOST) " of " (words::count(t.entries.len() as u64)) " are listed." } }
    }
}

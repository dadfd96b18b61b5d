//! Mixed-model analyses: asked for, shown with what a biometrician looks at, and computed again.

use axum::Form;
use axum::extract::Path;
use axum::extract::rejection::FormRejection;
use axum::response::{IntoResponse as _, Redirect, Response};
use contract::evaluation::{
    Analysis, AnalysisDiagnostics, AnalysisResiduals, GetAnalysisRequest, GetResidualsRequest,
    RecordResidual, RepeatAnalysisRequest, RequestAnalysisRequest, SitesCovariance, VariogramCell,
};
use maud::{Markup, html};
use platform::{Fault, Permission};
use serde::Deserialize;

use super::Shown;
use crate::desk::Desk;
use crate::html::{Table, choice, count, facts, field, maybe_measure, notes, part, text, word};
use crate::layout::Page;
use crate::picture::{
    Bar, Bars, Fill, Ground, Guide, IntervalRow, Intervals, Plot, PlotPoint, Series, Square, State,
};
use crate::trouble::Trouble;
use crate::words;

/// One mixed-model analysis.
pub async fn show(desk: Desk, Path(id): Path<String>) -> Shown {
    let mut evaluation = desk.evaluation()?;
    let request = GetAnalysisRequest {
        analysis_id: id.clone(),
    };
    let a = evaluation.get_analysis(request).await?.into_inner();
    let residuals = if a.converged {
        let request = GetResidualsRequest { analysis_id: id };
        let asked = evaluation.get_residuals(request).await;
        Some(
            asked
                .map(tonic::Response::into_inner)
                .map_err(Trouble::from),
        )
    } else {
        None
    };
    Ok(Page::new(
        format!("Analysis of {}", words::plain(&a.r#trait)),
        html! {
            p { a href={ "/trials/" (a.trial_id) "?trait=" (a.r#trait) } { "To the trial" } }
            @if matches!(a.status.as_str(), "queued" | "running") {
                p.caution { "It is " (words::plain(&a.status)) ". " a href="" { "Look again" } "." }
            }
            (model(&a))
            (super::figures::choice(&desk, &a))
            @if !a.problem.is_empty() { p.caution { (a.problem) } }
            @if a.status == "done" && !a.converged {
                p.caution { "It did not converge, so there are no effects and no ranking." }
            }
            (reproduced(&desk, &a))
            @if !a.components.is_empty() {
                h2 { "Variance components" }
                (components(&a))
            }
            (notes(&a.notes))
            (categories(&a))
            @if let Some(sites) = &a.sites { h2 { "Entries across sites" } (across_sites(sites)) }
            (first_stage(&a))
            @if !a.tests.is_empty() {
                h2 { "Tests" }
                (Table::new("Tests").text("Term").text("Kind").number("Statistic").number("df").number("Denominator df").number("p").stacking()
                    .rows(&a.tests, |t| vec![text(&t.term), word(&t.kind), text(words::measure(t.statistic)), text(words::measure(t.df)), maybe_measure(t.denominator_df), text(p_value(t.p))]).show())
            }
            @if !a.fixed.is_empty() {
                h2 { "Fixed effects (BLUE)" }
                (Table::new("Fixed effects").text("Effect").number("Estimate").number("Standard error").text("95 % interval").number("df").number("p").stacking()
                    .rows(&a.fixed, |f| vec![text(&f.name), text(words::measure(f.estimate)), text(words::measure(f.se)), text(interval(f.low, f.high)), maybe_measure(f.df), text(f.p.map(p_value).unwrap_or_default())]).show())
            }
            @if !a.random.is_empty() { h2 { "Predictions (BLUP)" } (predictions(&a)) }
            @if let Some(d) = &a.diagnostics { h2 { "Diagnostics" } (diagnostics(d)) }
            @if let Some(residuals) = residuals {
                h2 { "Residuals" }
                (part(residuals, |r| residual_pictures(&desk, &r)))
            }
        },
    ))
}

/// An interval as written.
fn interval(low: Option<f64>, high: Option<f64>) -> String {
    low.zip(high).map_or_else(String::new, |(low, high)| {
        format!("{} to {}", words::measure(low), words::measure(high))
    })
}

fn p_value(p: f64) -> String {
    if p < 0.001 {
        "under 0.001".to_owned()
    } else {
        format!("{p:.3}")
    }
}

/// What makes the analysis reproducible, and what came of computing it again.
fn reproduced(desk: &Desk, a: &Analysis) -> Markup {
    html! {
        @if !a.repeats_id.is_empty() {
            p {
                "It repeats " a href={ "/analyses/" (a.repeats_id) } { "an earlier analysis" }
                @match (a.same_records, a.same_results) {
                    (Some(true), Some(true)) => { ": same records, and every result the same to the last bit." }
                    (Some(true), _) => { ": same records, but not the same results; the versions or machines differ." }
                    (Some(false), _) => { ": the records have changed since." }
                    (None, _) => { "." }
                }
            }
        }
        @if a.status == "done" && desk.may(Permission::ManageTrials) {
            form method="post" action={ "/analyses/" (a.id) "/repeat" } {
                input type="hidden" name="id" value=(uuid::Uuid::now_v7());
                button { "Compute it again" }
            }
        }
    }
}

fn components(a: &Analysis) -> Markup {
    let rows = a
        .components
        .iter()
        .map(|c| IntervalRow {
            label: c.name.clone(),
            value: c.variance,
            // A variance does not go below zero, whatever the normal interval says.
            interval: c
                .se
                .map(|se| ((c.variance - 1.96 * se).max(0.0), c.variance + 1.96 * se)),
            open: c.boundary,
            text: words::measure(c.variance),
        })
        .collect();
    let table = Table::new("Variance components")
        .text("Term")
        .number("Variance")
        .number("Standard error")
        .text("Note")
        .rows(&a.components, |c| {
            vec![
                text(&c.name),
                text(words::measure(c.variance)),
                maybe_measure(c.se),
                text(if c.boundary { "at zero" } else { "" }),
            ]
        });
    Intervals {
        key: "components".into(),
        title: "Variance components with 95 % intervals".into(),
        description: "Open squares lie at zero, the boundary.".into(),
        axis: "variance".into(),
        reference: None,
        rows,
    }
    .draw()
    .beside(table.show())
}

fn diagnostics(d: &AnalysisDiagnostics) -> Markup {
    let course = d
        .log_likelihoods
        .iter()
        .enumerate()
        .map(|(step, value)| PlotPoint {
            title: format!("iteration {step}: {value:.4}"),
            x: step as f64,
            y: *value,
        })
        .collect();
    let table = Table::new("Log-likelihood by iteration")
        .number("Iteration")
        .number("Log-likelihood")
        .rows(d.log_likelihoods.iter().enumerate(), |(step, value)| {
            vec![count(step as u64), text(format!("{value:.4}"))]
        });
    html! {
        (facts(vec![
            ("Iterations", count(d.iterations)),
            ("Gradient at the end", text(format!("{:.1e}", d.gradient))),
            ("Correlation along rows", maybe_measure(d.row_correlation)),
            ("Correlation along columns", maybe_measure(d.column_correlation)),
            ("Skewness of residuals", text(words::measure(d.residual_skewness))),
            ("Excess kurtosis", text(words::measure(d.residual_kurtosis))),
            ("Sets of entries that can be compared", count(d.connected_sets_n)),
            ("Terms at zero", text(d.boundary.join(", "))),
            ("Seconds", text(words::measure(d.seconds))),
        ]))
        (notes(&d.notes))
        @if d.log_likelihoods.len() > 1 {
            (Plot {
                key: "course".into(),
                title: "Convergence".into(),
                description: "Restricted log-likelihood after each iteration.".into(),
                axes: ("iteration".into(), "log-likelihood".into()),
                guide: Guide::None,
                series: vec![Series { name: String::new(), open: false, joined: true, dots: course }],
            }.draw().figure(table.show()))
        }
        @if !d.site_correlations.is_empty() {
            (Table::new("Correlations of residuals by site").text("Site").number("Along rows").number("Along columns")
                .rows(&d.site_correlations, |s| vec![text(&s.site), text(words::measure(s.row)), text(words::measure(s.column))]).show())
        }
        (Table::new("Records that stand out").text("Tree").number("Year").number("Observed").number("Fitted").number("Standardised residual").number("Cook’s distance").stacking().or_say("No record stands out.")
            .rows(&d.influential, |r| vec![text(&r.number), text(r.year.to_string()), text(words::measure(r.observed)), text(words::measure(r.fitted)), text(words::measure(r.standardised_residual)), maybe_measure(r.cook)]).show())
    }
}

/// Categories of a threshold model, where they part, and the chance of each for the entries.
fn categories(a: &Analysis) -> Markup {
    if a.categories.is_empty() {
        return html! {};
    }
    let mut chances = Table::new("Probability of each category").text("Entry");
    for category in &a.categories {
        chances = chances.number(&category.name);
    }
    let chances = chances.rows(
        a.random
            .iter()
            .filter(|r| r.probabilities.len() == a.categories.len())
            .take(MOST_LISTED),
        |r| {
            let mut cells = vec![text(if r.label.is_empty() {
                &r.level
            } else {
                &r.label
            })];
            cells.extend(r.probabilities.iter().map(|&p| text(words::percent(p))));
            cells
        },
    );
    let bars = Bars {
        key: "categories".into(),
        title: "Records of each category".into(),
        description: "From the lowest to the highest.".into(),
        axis: "records".into(),
        powers_of_ten: false,
        bars: a
            .categories
            .iter()
            .map(|c| Bar {
                label: c.name.clone(),
                value: f64::from(c.records_n),
                text: words::count(c.records_n),
                fill: Fill::Full,
            })
            .collect(),
    };
    let counts = Table::new("Records of each category")
        .text("Category")
        .number("Records")
        .rows(&a.categories, |c| vec![text(&c.name), count(c.records_n)]);
    html! {
        h2 { "Categories" }
        (bars.draw().figure(counts.show()))
        @if !a.cut_points.is_empty() {
            (Table::new("Cut points on the liability").text("Between").number("Estimate").number("Standard error").text("95 % interval")
                .rows(&a.cut_points, |c| vec![text(&c.name), text(words::measure(c.estimate)), text(words::measure(c.se)), text(interval(Some(c.low), Some(c.high)))]).show())
        }
        details { summary { "Probability of each category, entry by entry" } (chances.show()) }
    }
}

/// How entries vary and covary between sites.
fn across_sites(s: &SitesCovariance) -> Markup {
    let mut matrix =
        Table::new("Genetic correlations between sites, variances on the diagonal").text("Site");
    for site in &s.sites {
        matrix = matrix.number(site);
    }
    let variance = |i: usize| {
        s.covariance
            .get(i)
            .and_then(|row| row.values.get(i))
            .copied()
    };
    let matrix = matrix.rows(
        s.sites.iter().zip(&s.covariance).enumerate(),
        |(i, (site, row))| {
            let mut cells = vec![text(site)];
            cells.extend(row.values.iter().enumerate().map(|(j, value)| {
                let shown = match (variance(i), variance(j)) {
                    _ if i == j => *value,
                    (Some(a), Some(b)) if a > 0.0 && b > 0.0 => value / (a * b).sqrt(),
                    _ => f64::NAN,
                };
                text(words::measure(shown))
            }));
            cells
        },
    );
    let mut entries = Table::new("Entries over all sites and at each")
        .text("Entry")
        .number("Overall")
        .number("Standard error")
        .number("Instability");
    for site in &s.sites {
        entries = entries.number(site);
    }
    let entries = entries.rows(s.entries.iter().take(MOST_LISTED), |e| {
        let mut cells = vec![
            text(if e.label.is_empty() {
                &e.level
            } else {
                &e.label
            }),
            text(words::measure(e.overall)),
            text(words::measure(e.overall_se)),
            text(words::measure(e.instability)),
        ];
        cells.extend(e.at_site.iter().map(|&x| text(words::measure(x))));
        cells
    });
    let rows = s
        .entries
        .iter()
        .take(60)
        .map(|e| IntervalRow {
            label: if e.label.is_empty() {
                e.level.clone()
            } else {
                e.label.clone()
            },
            value: e.overall,
            interval: Some((
                e.overall - 1.96 * e.overall_se,
                e.overall + 1.96 * e.overall_se,
            )),
            open: false,
            text: words::measure(e.overall),
        })
        .collect();
    let stability = Plot {
        key: "stability".into(),
        title: "Overall effect and instability".into(),
        description: "To the right are entries that are good over all sites, low down those whose sites agree.".into(),
        axes: ("overall effect".into(), "instability".into()),
        guide: Guide::None,
        series: vec![Series {
            name: String::new(),
            open: false,
            joined: false,
            dots: s
                .entries
                .iter()
                .map(|e| PlotPoint {
                    title: e.label.clone(),
                    x: e.overall,
                    y: e.instability,
                })
                .collect(),
        }],
    };
    html! {
        (facts(vec![
            ("Covariance between sites", word(&s.structure)),
            ("Asked for", word(&s.asked)),
            ("Explained by the factors", s.explained_total_percent.map_or_else(|| text(""), |p| text(format!("{} %", words::measure(p))))),
        ]))
        (matrix.show())
        @if !s.loadings.is_empty() {
            (Table::new("Loadings").text("Site").text("On each factor").number("Specific variance")
                .rows(s.sites.iter().zip(&s.loadings).enumerate(), |(i, (site, row))| vec![
                    text(site),
                    text(row.values.iter().map(|&x| words::measure(x)).collect::<Vec<_>>().join(", ")),
                    maybe_measure(s.specific_variances.get(i).copied()),
                ]).show())
        }
        (Intervals {
            key: "overall".into(),
            title: "Overall effects with 95 % intervals".into(),
            description: "The first sixty; the table holds more.".into(),
            axis: "effect".into(),
            reference: Some((0.0, "mean".into())),
            rows,
        }.draw().figure(entries.show()))
        (stability.draw().figure(entries.show()))
    }
}

/// What the first of two stages found at each site.
fn first_stage(a: &Analysis) -> Markup {
    html! {
        @if !a.first_stage.is_empty() {
            h2 { "First stage, site by site" }
            (Table::new("First stage").text("Site").number("Entries").number("Records").number("Without a mean").number("Residual variance").text("Notes").stacking()
                .rows(&a.first_stage, |f| vec![text(&f.site), count(f.entries_n), count(f.records_n), count(f.not_estimable_n), maybe_measure(f.residual_variance), text(f.notes.join("; "))]).show())
        }
    }
}

/// Most residuals drawn in one picture; of more, every so many and all that stand out.
const MOST_DRAWN: usize = 2_000;
/// Beyond so many standard deviations a residual is always drawn.
const STANDS_OUT: f64 = 3.0;

fn residual_pictures(desk: &Desk, r: &AnalysisResiduals) -> Markup {
    let every = r.items.len().div_ceil(MOST_DRAWN).max(1);
    let drawn: Vec<&RecordResidual> = r
        .items
        .iter()
        .enumerate()
        .filter(|(place, of)| place % every == 0 || of.standardised.abs() > STANDS_OUT)
        .map(|(_, of)| of)
        .collect();
    let part_of = if every > 1 {
        format!(
            " Every {every}th of {} records, and all beyond {STANDS_OUT} standard deviations.",
            words::count(r.items.len() as u64)
        )
    } else {
        String::new()
    };
    let title = |of: &RecordResidual| {
        format!(
            "{}, {}: observed {}, fitted {}",
            of.number,
            of.year,
            words::measure(of.observed),
            words::measure(of.fitted)
        )
    };
    let dots = |x: fn(&RecordResidual) -> f64, y: fn(&RecordResidual) -> f64| {
        vec![Series {
            name: String::new(),
            open: false,
            joined: false,
            dots: drawn
                .iter()
                .map(|of| PlotPoint {
                    title: title(of),
                    x: x(of),
                    y: y(of),
                })
                .collect(),
        }]
    };
    let unit = if r.unit.is_empty() {
        words::plain(&r.r#trait)
    } else {
        r.unit.clone()
    };
    let table = |caption: &str| {
        Table::new(caption)
            .text("Tree")
            .number("Year")
            .number("Observed")
            .number("Fitted")
            .number("Residual")
            .number("Standardised")
            .number("Normal quantile")
            .number("Leverage")
            .rows(drawn.iter(), |of| {
                vec![
                    text(&of.number),
                    text(of.year.to_string()),
                    text(words::measure(of.observed)),
                    text(words::measure(of.fitted)),
                    text(words::measure(of.residual)),
                    text(words::measure(of.standardised)),
                    text(words::measure(of.normal_quantile)),
                    text(words::measure(of.leverage)),
                ]
            })
    };
    html! {
        (notes(&r.notes))
        @if !drawn.is_empty() {
            (Plot {
                key: "fitted".into(),
                title: "Standardised residuals by fitted value".into(),
                description: format!("A band of even width about nought is what one wants.{part_of}"),
                axes: (format!("fitted, {unit}"), "standardised residual".into()),
                guide: Guide::Level(0.0),
                series: dots(|of| of.fitted, |of| of.standardised),
            }.draw().figure(table("Residuals").show()))
            (Plot {
                key: "quantiles".into(),
                title: "Residuals by normal quantile".into(),
                description: format!("Normal residuals lie along the dashed line.{part_of}"),
                axes: ("normal quantile".into(), "standardised residual".into()),
                guide: Guide::Equal,
                series: dots(|of| of.normal_quantile, |of| of.standardised),
            }.draw().figure(quantiles(r).show()))
            (variogram(r))
            h3 { "Residuals over the ground" }
            (residual_map(desk, r))
        }
    }
}

/// Quantiles of the residuals beside those of the normal distribution.
fn quantiles(r: &AnalysisResiduals) -> Table {
    let mut sorted: Vec<(f64, f64)> = r
        .items
        .iter()
        .map(|of| (of.normal_quantile, of.standardised))
        .collect();
    sorted.sort_by(|a, b| a.0.total_cmp(&b.0));
    let at = |percent: usize| sorted[(sorted.len() - 1) * percent / 100];
    Table::new("Quantiles")
        .text("Share below")
        .number("Normal quantile")
        .number("Standardised residual")
        .rows([0, 1, 5, 10, 25, 50, 75, 90, 95, 99, 100], |percent| {
            let (normal, residual) = at(percent);
            vec![
                text(format!("{percent} %")),
                text(words::measure(normal)),
                text(words::measure(residual)),
            ]
        })
}

fn variogram(r: &AnalysisResiduals) -> Markup {
    let along = |name: &str, open: bool, of: fn(&VariogramCell) -> Option<u32>| Series {
        name: name.to_owned(),
        open,
        joined: true,
        dots: r
            .variogram
            .iter()
            .filter_map(|cell| {
                let apart = of(cell)?;
                Some(PlotPoint {
                    title: format!(
                        "{apart} apart {name}: {} from {} pairs",
                        words::measure(cell.semivariance),
                        cell.pairs_n
                    ),
                    x: f64::from(apart),
                    y: cell.semivariance,
                })
            })
            .collect(),
    };
    let table = Table::new("Semivariance of standardised residuals")
        .number("Rows apart")
        .number("Places apart")
        .number("Semivariance")
        .number("Pairs")
        .or_say("Too few pairs of trees.")
        .rows(&r.variogram, |cell| {
            vec![
                count(cell.rows_apart),
                count(cell.columns_apart),
                text(words::measure(cell.semivariance)),
                count(cell.pairs_n),
            ]
        });
    Plot {
        key: "variogram".into(),
        title: "Variogram of the residuals".into(),
        description: "Without spatial trend it lies about 1 at every distance; a rise from low values shows trend that the model leaves. Filled squares run from row to row, open ones along a row.".into(),
        axes: ("trees apart".into(), "semivariance".into()),
        guide: Guide::Level(1.0),
        series: vec![
            along("from row to row", false, |c| {
                (c.columns_apart == 0).then_some(c.rows_apart)
            }),
            along("along a row", true, |c| {
                (c.rows_apart == 0).then_some(c.columns_apart)
            }),
        ],
    }
    .draw()
    .figure(table.show())
}

/// Most squares of one map.
const MOST_SQUARES: usize = 3_000;

fn residual_map(desk: &Desk, r: &AnalysisResiduals) -> Markup {
    let mut grounds: Vec<(String, u32)> = r
        .items
        .iter()
        .map(|of| (of.site.clone(), of.year))
        .collect();
    grounds.sort();
    grounds.dedup();
    let chosen = desk.ask.number::<usize>("ground").unwrap_or(0);
    let Some((site, year)) = grounds.get(chosen.min(grounds.len().saturating_sub(1))) else {
        return html! {};
    };
    let mut on: Vec<&RecordResidual> = r
        .items
        .iter()
        .filter(|of| (&of.site, of.year) == (site, *year))
        .collect();
    on.sort_by_key(|of| (of.row, of.column));
    let left_out = on.len().saturating_sub(MOST_SQUARES);
    on.truncate(MOST_SQUARES);
    let squares = on
        .iter()
        .map(|of| Square {
            row: of.row,
            column: of.column,
            text: words::measure(of.standardised),
            title: format!(
                "{}, row {}, place {}: standardised residual {}",
                of.number,
                of.row,
                of.column,
                words::measure(of.standardised)
            ),
            link: String::new(),
            state: State::Standing,
            value: Some(of.standardised),
        })
        .collect();
    let table = Table::new("Residuals over the ground")
        .text("Tree")
        .number("Row")
        .number("Place")
        .number("Standardised residual")
        .rows(&on, |of| {
            vec![
                text(&of.number),
                count(of.row),
                count(of.column),
                text(words::measure(of.standardised)),
            ]
        });
    let picture = Ground {
        key: "ground".into(),
        title: format!("Standardised residuals at {site} in {year}"),
        description: "Patches of like tone show trend that the model leaves.".into(),
        unit: "standard deviations".into(),
        squares,
    };
    html! {
        @if grounds.len() > 1 {
            nav.pager aria-label="Grounds" {
                @for (place, (site, year)) in grounds.iter().enumerate() {
                    a href=(desk.ask.with("ground", &place.to_string())) aria-current=[(place == chosen).then_some("true")] { (site) " " (year) }
                }
            }
        }
        (picture.draw().figure(table.show()))
        @if left_out > 0 { p.quiet { (words::count(left_out as u64)) " further records are not drawn." } }
    }
}

/// What is wanted of an analysis.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Wanted {
    id: String,
    r#trait: String,
    #[serde(default)]
    fixed: String,
    #[serde(default)]
    random: String,
    #[serde(default)]
    residual: String,
    #[serde(default)]
    smooth: String,
    #[serde(default)]
    relationship: String,
    #[serde(default)]
    method: String,
    #[serde(default)]
    between_sites: String,
    #[serde(default)]
    factors_n: String,
}

/// The form that asks for an analysis of a trial.
pub fn form(trial_id: &str, traits: Vec<(String, String)>, code: &str) -> Markup {
    html! {
        form.ask method="post" action={ "/trials/" (trial_id) "/analyses" } {
            input type="hidden" name="id" value=(uuid::Uuid::now_v7());
            (choice("trait", "Trait", None, traits, code))
            (field("fixed", "Fixed terms, as site year", "text", "site year"))
            (field("random", "Random terms, as entry entry:site", "text", "entry"))
            (choice("method", "Method", None, [
                ("linear", "linear mixed model"),
                ("threshold", "threshold model of notes or two states"),
                ("two_stage", "two stages: means of each site, then across sites"),
            ].map(|(value, name)| (value.to_owned(), name.to_owned())), "linear"))
            (choice("between_sites", "Entries between sites", Some("as the random terms say"), [
                ("compound_symmetry", "one variance and one of interaction"),
                ("factor_analytic", "factor-analytic"),
                ("unstructured", "every variance and covariance"),
            ].map(|(value, name)| (value.to_owned(), name.to_owned())), ""))
            (field("factors_n", "Factors", "number", "1"))
            (choice("residual", "Residuals", None, [
                ("equal", "one variance"),
                ("by_site", "a variance for each site"),
                ("row_column", "correlated along rows and columns"),
                ("row_column_by_site", "the same, each site by itself"),
            ].map(|(value, name)| (value.to_owned(), name.to_owned())), "equal"))
            (choice("smooth", "Trend over the ground", Some("none"), [
                ("row", "smooth along the rows"),
                ("column", "smooth along the places"),
                ("row column", "smooth along both"),
            ].map(|(value, name)| (value.to_owned(), name.to_owned())), ""))
            (choice("relationship", "Pedigree", Some("not used"), [("true".to_owned(), "taken into account".to_owned())], ""))
            button { "Analyse" }
        }
    }
}

/// Asks for an analysis. The form carries its id, so that sending it twice is harmless.
pub async fn ask(
    desk: Desk,
    Path(trial_id): Path<String>,
    form: Result<Form<Wanted>, FormRejection>,
) -> Result<Response, Trouble> {
    let Form(form) = form.map_err(|rejection| Fault::malformed(rejection.body_text()))?;
    let terms = |text: &str| -> Vec<String> {
        text.split([' ', ',', '+'])
            .filter(|term| !term.is_empty())
            .map(str::to_owned)
            .collect()
    };
    let request = RequestAnalysisRequest {
        trial_id,
        id: form.id,
        r#trait: form.r#trait,
        fixed: terms(&form.fixed),
        random: terms(&form.random),
        relationship: form.relationship == "true",
        residual: form.residual,
        smooth: terms(&form.smooth),
        method: form.method,
        factors_n: if form.between_sites == "factor_analytic" {
            form.factors_n.trim().parse().unwrap_or(1)
        } else {
            0
        },
        between_sites: form.between_sites,
        components_at_zero: String::new(),
    };
    let queued = desk.evaluation()?.request_analysis(request).await?;
    let id = queued.into_inner().id;
    Ok(Redirect::to(&format!("/analyses/{id}")).into_response())
}

/// The id of what a form makes.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Made {
    id: String,
}

/// Computes an analysis again.
pub async fn repeat(
    desk: Desk,
    Path(analysis_id): Path<String>,
    form: Result<Form<Made>, FormRejection>,
) -> Result<Response, Trouble> {
    let Form(form) = form.map_err(|rejection| Fault::malformed(rejection.body_text()))?;
    let request = RepeatAnalysisRequest {
        analysis_id,
        id: form.id,
    };
    let queued = desk.evaluation()?.repeat_analysis(request).await?;
    let id = queued.into_inner().id;
    Ok(Redirect::to(&format!("/analyses/{id}")).into_response())
}

fn model(a: &Analysis) -> Markup {
    facts(vec![
        (
            "Status",
            html! { (words::plain(&a.status)) @if a.status == "done" { (if a.converged { ", converged" } else { ", did not converge" }) } },
        ),
        ("Fixed terms", text(a.fixed_terms.join(", "))),
        ("Random terms", text(a.random_terms.join(", "))),
        (
            "Pedigree",
            text(if a.relationship {
                "taken into account"
            } else {
                "not used"
            }),
        ),
        ("Method", word(&a.method)),
        ("Between sites", word(&a.between_sites)),
        ("Residuals", word(&a.residual)),
        ("Smooth trend along", text(a.smooth_terms.join(", "))),
        (
            "Components at zero in small-sample tests",
            word(&a.components_at_zero),
        ),
        ("Records", count(a.records_n)),
        ("Heritability", maybe_measure(a.heritability)),
        (
            "Heritability of one tree",
            maybe_measure(a.tree_heritability),
        ),
        ("Log-likelihood", maybe_measure(a.log_likelihood)),
        ("Asked for", text(&a.requested_at)),
        ("Finished", text(&a.finished_at)),
        (
            "Records’ SHA-256",
            html! { code { (text(&a.data_sha256)) } },
        ),
        (
            "Results’ SHA-256",
            html! { code { (text(&a.result_sha256)) } },
        ),
        ("Version", text(&a.version)),
    ])
}

/// Most predictions in the table.
const MOST_LISTED: usize = 2_000;

fn predictions(a: &Analysis) -> Markup {
    let rows = a
        .random
        .iter()
        .take(60)
        .map(|r| IntervalRow {
            label: if r.label.is_empty() {
                r.level.clone()
            } else {
                r.label.clone()
            },
            value: r.effect,
            interval: r.low.zip(r.high),
            open: false,
            text: words::measure(r.effect),
        })
        .collect();
    let table = Table::new("Predictions")
        .text("Term")
        .text("Level")
        .number("Effect")
        .number("Standard error")
        .text("95 % interval")
        .stacking()
        .rows(a.random.iter().take(MOST_LISTED), |r| {
            vec![
                text(&r.term),
                text(if r.label.is_empty() {
                    &r.level
                } else {
                    &r.label
                }),
                text(words::measure(r.effect)),
                text(words::measure(r.se)),
                text(interval(r.low, r.high)),
            ]
        });
    Intervals {
        key: "blup".into(),
        title: "Predicted effects with 95 % intervals".into(),
        description: format!(
            "The first sixty; the table holds {}.",
            words::count(a.random.len().min(MOST_LISTED) as u64)
        ),
        axis: if a.unit.is_empty() {
            "effect".into()
        } else {
            format!("effect, {}", a.unit)
        },
        reference: Some((0.0, "mean".into())),
        rows,
    }
    .draw()
    .figure(table.show())
}

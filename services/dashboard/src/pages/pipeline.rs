//! The pipeline as a whole, for those who answer for it.

use std::collections::{BTreeMap, BTreeSet};

use axum::Form;
use axum::extract::Path;
use axum::extract::rejection::FormRejection;
use axum::response::{IntoResponse, Redirect, Response};
use contract::crossing::{SeasonSummary, SummariseSeasonsRequest};
use contract::evaluation::{ListStageSummariesRequest, StageSummary};
use contract::identity::WhoAmIRequest;
use contract::release::{
    CalendarLink, CreateCalendarLinkRequest, DueDate, GetPipelineRequest, ListCalendarLinksRequest,
    ListDueDatesRequest, Pipeline, PipelineYear, RevokeCalendarLinkRequest, SeasonsToRelease,
    TerritoryLicences,
};
use maud::{Markup, html};
use platform::Fault;
use serde::Deserialize;

use super::Shown;
use crate::desk::Desk;
use crate::html::{
    Table, caution, choice, count, day, field, instant, link, pager, part, text, word,
};
use crate::layout::Page;
use crate::picture::{Bar, Bars, Fill, Flow, FlowStage, StackedBars};
use crate::trouble::Trouble;
use crate::words;

/// The pipeline page.
pub async fn show(desk: Desk) -> Shown {
    let soon_days = desk.ask.number::<u32>("soon_days").unwrap_or(180);
    let asked = GetPipelineRequest {
        as_of: desk.ask.text("as_of"),
        soon_days,
    };
    let pipeline = desk.release()?.get_pipeline(asked).await?.into_inner();
    let seasons = async || -> Result<Vec<SeasonSummary>, Trouble> {
        let reply = desk
            .crossing()?
            .summarise_seasons(SummariseSeasonsRequest {})
            .await?;
        Ok(reply.into_inner().items)
    };
    let stages = async || -> Result<Vec<StageSummary>, Trouble> {
        let request = ListStageSummariesRequest { season: 0 };
        Ok(desk
            .evaluation()?
            .list_stage_summaries(request)
            .await?
            .into_inner()
            .items)
    };
    let (seasons, stages) = tokio::join!(seasons(), stages());
    Ok(Page::new(
        "Pipeline to release",
        html! {
            form.ask method="get" {
                (field("as_of", "As of", "date", &pipeline.as_of))
                (choice("soon_days", "Dates due within", None, [("90", "90 days"), ("180", "180 days"), ("365", "a year")].map(|(v, t)| (v.to_owned(), t.to_owned())), &soon_days.to_string()))
                button { "Show" }
            }
            (totals(&pipeline))
            h2 { "Moves between stages" }
            (flows(&pipeline))
            h2 { "Candidates at each stage, by crossing year" }
            (by_year(&pipeline))
            h2 { "Dates due soon" }
            (caution(&pipeline.caution))
            (due_table(&pipeline.due_soon, &format!("Nothing is due within {soon_days} days.")))
            p { a href="/due-dates" { "All dates due" } }
            h2 { "Seasons from cross to release" }
            (seasons_to_release(pipeline.seasons_to_release.as_ref()))
            h2 { "From crosses to releases, by crossing year" }
            (funnel(&pipeline, seasons, stages, desk.ask.number("year")))
            h2 { "Licences by territory" }
            (territories(&pipeline.licences_by_territory))
            p { a href="/licences" { "All licences by territory and purpose" } }
        },
    ))
}

fn totals(pipeline: &Pipeline) -> Markup {
    html! {
        ul.big {
            @for total in &pipeline.totals {
                li {
                    strong { a href={ "/candidates?stage=" (total.stage) } { (words::count(total.candidates_n)) } }
                    span { (words::plain(&total.stage)) }
                }
            }
        }
    }
}

fn year_text(year: &PipelineYear) -> String {
    year.crossing_year
        .map_or_else(|| "not known".to_owned(), |y| y.to_string())
}

fn counts(year: &PipelineYear, stages: &[String]) -> Vec<u32> {
    stages
        .iter()
        .map(|stage| {
            year.counts
                .iter()
                .filter(|c| c.stage == *stage)
                .map(|c| c.candidates_n)
                .sum()
        })
        .collect()
}

fn by_year(pipeline: &Pipeline) -> Markup {
    if pipeline.years.is_empty() {
        return html! { p.quiet { "No candidate is registered yet." } };
    }
    let stages = &pipeline.stages;
    let picture = StackedBars {
        key: "stages".into(),
        title: "Candidates at each stage, by crossing year".into(),
        description: format!(
            "As of {}. A bar’s parts follow the stages; the number after it is the whole year’s.",
            words::day(&pipeline.as_of)
        ),
        axis: "candidates".into(),
        series: stages
            .iter()
            .map(|s| (words::plain(s), Fill::of_stage(s)))
            .collect(),
        rows: pipeline
            .years
            .iter()
            .map(|y| (year_text(y), counts(y, stages)))
            .collect(),
    };
    let mut table = Table::new("Candidates by crossing year and stage").text("Crossing year");
    for stage in stages {
        table = table.number(words::title(stage));
    }
    let table = table.number("All").rows(&pipeline.years, |year| {
        let counts = counts(year, stages);
        let sum: u32 = counts.iter().sum();
        let name = match year.crossing_year {
            Some(y) => html! { a href={ "/candidates?crossing_year=" (y) } { (y) } },
            None => text("not known"),
        };
        std::iter::once(name)
            .chain(counts.into_iter().chain([sum]).map(count))
            .collect()
    });
    picture.draw().beside(table.show())
}

/// Dates due as a table, with law and urgency.
pub fn due_table(dates: &[DueDate], none: &str) -> Markup {
    Table::new("Dates due")
        .text("Work to")
        .text("Last day in law")
        .text("Urgency")
        .text("What")
        .text("Candidate")
        .text("Right")
        .text("Law")
        .text("Who answers")
        .stacking()
        .or_say(none)
        .rows(dates, |d| {
            vec![
                html! { (day(&d.nominal_on)) " " span.quiet.nowrap { (days_left(d.days_left)) } },
                day(&d.due_on),
                html! { span.tag.strong[d.urgency != "ahead"] { (words::plain(&d.urgency)) } },
                html! {
                    (words::plain(&d.what))
                    @if let Some(year) = d.year_n { ", year " (year) }
                    @if let Some(done) = &d.done_on { ", done " (words::day(done)) @if !d.evidence.is_empty() { " (" (d.evidence) ")" } }
                },
                html! { (link("/candidates", &d.candidate_id, &d.candidate_code)) @if !d.denomination.is_empty() { " " (d.denomination) } },
                html! { (d.jurisdiction) " " (words::plain(&d.kind)) },
                html! { (text(&d.law)) @if !d.confidence.is_empty() { " " span.quiet { "(" (known_from(&d.confidence)) ")" } } },
                html! { @if d.responsible_name.is_empty() { span.quiet { "nobody is named" } } @else { (d.responsible_name) } },
            ]
        })
        .show()
}

/// How far off a day is.
pub fn days_left(days: i32) -> String {
    match days {
        0 => "today".into(),
        n if n > 0 => format!("in {}", words::some(n.unsigned_abs(), "day", "days")),
        n => format!("{} ago", words::some(n.unsigned_abs(), "day", "days")),
    }
}

/// How well a law is known, in words.
pub fn known_from(confidence: &str) -> &str {
    match confidence {
        "read" => "law’s text was read",
        "secondary" => "from a secondary source",
        "memory" => "from memory; check it",
        other => other,
    }
}

fn seasons_to_release(seasons: Option<&SeasonsToRelease>) -> Markup {
    let Some(s) = seasons.filter(|s| s.released_n > 0) else {
        return html! { p.quiet { "Nothing has been released yet, so no time to release is known." } };
    };
    html! {
        ul.big {
            @if let Some(median) = s.median { li { strong { (words::measure(median)) } span { "seasons, median" } } }
            @if let Some(mean) = s.mean { li { strong { (words::measure(mean)) } span { "seasons, mean" } } }
            @if let (Some(least), Some(most)) = (s.least, s.most) { li { strong { (least) " to " (most) } span { "least to most" } } }
            li { strong { (words::count(s.released_n)) } span { "released candidates" } }
        }
    }
}

fn territories(all: &[TerritoryLicences]) -> Markup {
    let table = Table::new("Licences in force by territory")
        .text("Territory")
        .number("Licences")
        .number("Exclusive")
        .number("Candidates")
        .or_say("No licence is in force.")
        .rows(all, |t| {
            vec![
                text(&t.territory),
                count(t.licences_n),
                count(t.exclusive_n),
                count(t.candidates_n),
            ]
        });
    if all.is_empty() {
        return table.show();
    }
    let picture = StackedBars {
        key: "territories".into(),
        title: "Licences in force by territory".into(),
        description: "Territories by ISO 3166.".into(),
        axis: "licences".into(),
        series: vec![
            ("exclusive".into(), Fill::Rising),
            ("not exclusive".into(), Fill::Plain),
        ],
        rows: all
            .iter()
            .map(|t| {
                (
                    t.territory.clone(),
                    vec![t.exclusive_n, t.licences_n.saturating_sub(t.exclusive_n)],
                )
            })
            .collect(),
    };
    picture.draw().figure(table.show())
}

fn flows(pipeline: &Pipeline) -> Markup {
    let all = &pipeline.flows;
    let table = Table::new("How often candidates went from one stage to another")
        .text("From")
        .text("To")
        .number("Moves")
        .or_say("No candidate has moved yet.")
        .rows(all, |f| {
            let from = if f.from_stage.is_empty() {
                text("registered")
            } else {
                word(&f.from_stage)
            };
            vec![from, word(&f.to_stage), count(f.moves_n)]
        });
    if all.is_empty() {
        return table.show();
    }
    let between = |from: &str, to: &str| -> u32 {
        all.iter()
            .filter(|f| f.from_stage == from && f.to_stage == to)
            .map(|f| f.moves_n)
            .sum()
    };
    let standing = |stage: &str| -> u32 {
        pipeline
            .totals
            .iter()
            .filter(|t| t.stage == stage)
            .map(|t| t.candidates_n)
            .sum()
    };
    let ladder: Vec<&String> = pipeline.stages.iter().filter(|s| *s != OUT).collect();
    let picture = Flow {
        key: "flow".into(),
        title: "Flow between stages".into(),
        description: format!(
            "Moves on record up to {}; boxes tell how many stand at a stage now.",
            words::day(&pipeline.as_of)
        ),
        stages: ladder
            .iter()
            .enumerate()
            .map(|(index, stage)| {
                let next = ladder.get(index + 1).map_or("", |next| next.as_str());
                FlowStage {
                    name: words::plain(stage),
                    standing: standing(stage),
                    fill: Fill::of_stage(stage),
                    on: between(stage, next),
                    back: between(next, stage),
                    out: between(stage, OUT),
                    back_in: between(OUT, stage),
                }
            })
            .collect(),
        out: (words::plain(OUT), standing(OUT)),
    };
    picture.draw().figure(table.show())
}

/// Word of the stage outside the ladder.
const OUT: &str = "withdrawn";

/// What became of the crosses of one year.
#[derive(Debug, Default, Clone, PartialEq, Eq)]
struct Course {
    crosses_n: u32,
    flowers_n: u32,
    fruit_n: u32,
    seed_n: u32,
    seedlings_n: u32,
    evaluated_n: u32,
    kept_n: u32,
    released_n: u32,
}

const STEPS: [&str; 8] = [
    "crosses",
    "flowers",
    "fruit",
    "seed",
    "seedlings",
    "evaluated",
    "advanced",
    "released",
];

impl Course {
    fn steps(&self) -> [u32; 8] {
        [
            self.crosses_n,
            self.flowers_n,
            self.fruit_n,
            self.seed_n,
            self.seedlings_n,
            self.evaluated_n,
            self.kept_n,
            self.released_n,
        ]
    }
}

/// Courses by crossing year from what three services tell. Entries are counted in their first
/// stage of trials, so that none is counted twice as it goes on.
fn courses(
    pipeline: &Pipeline,
    seasons: &[SeasonSummary],
    stages: &[StageSummary],
) -> BTreeMap<i64, Course> {
    let mut all: BTreeMap<i64, Course> = BTreeMap::new();
    for s in seasons {
        let course = all.entry(i64::from(s.season)).or_default();
        course.crosses_n += s.crosses_n;
        course.flowers_n += s.flowers_pollinated_n;
        course.fruit_n += s.fruit_harvested_n;
        course.seed_n += s.seed_extracted_n;
        course.seedlings_n += s.seedlings_n;
    }
    let years: BTreeSet<u32> = stages
        .iter()
        .map(|s| s.crossing_year)
        .filter(|y| *y > 0)
        .collect();
    for year in years {
        let of_stage = |stage: &str| {
            stages
                .iter()
                .filter(|s| s.crossing_year == year && s.stage == stage)
                .collect::<Vec<_>>()
        };
        let first = ["own_root", "budded", "multi_site", "pre_release"]
            .map(of_stage)
            .into_iter()
            .find(|s| !s.is_empty());
        let course = all.entry(i64::from(year)).or_default();
        for summary in first.into_iter().flatten() {
            course.evaluated_n += summary.entries_n;
            course.kept_n += summary.kept_n;
        }
    }
    for year in &pipeline.years {
        if let Some(crossing_year) = year.crossing_year {
            let released = year.counts.iter().filter(|c| c.stage == "released");
            all.entry(i64::from(crossing_year)).or_default().released_n +=
                released.map(|c| c.candidates_n).sum::<u32>();
        }
    }
    all
}

fn funnel(
    pipeline: &Pipeline,
    seasons: Result<Vec<SeasonSummary>, Trouble>,
    stages: Result<Vec<StageSummary>, Trouble>,
    year: Option<i64>,
) -> Markup {
    let missing: Vec<String> = [seasons.as_ref().err(), stages.as_ref().err()]
        .into_iter()
        .flatten()
        .map(|t| t.detail().to_owned())
        .collect();
    let all = courses(
        pipeline,
        &seasons.unwrap_or_default(),
        &stages.unwrap_or_default(),
    );
    // The newest year from which trees have gone on tells most.
    let come_as_far = |n: fn(&Course) -> u32| all.iter().rev().find(|(_, course)| n(course) > 0);
    let best = come_as_far(|c| c.kept_n)
        .or_else(|| come_as_far(|c| c.evaluated_n))
        .or_else(|| all.iter().next_back());
    let Some((shown, course)) = year.and_then(|y| all.get_key_value(&y)).or(best) else {
        return html! { p.quiet { "No cross has been made yet." } (crate::html::notes(&missing)) };
    };
    let picture = Bars {
        key: "course".into(),
        title: format!("What became of the crosses of {shown}"),
        description: "Flowers pollinated, fruit harvested, seed extracted, seedlings planted, entries evaluated in their first trials, those advanced from there, and those released.".into(),
        axis: "number".into(),
        powers_of_ten: true,
        bars: STEPS
            .iter()
            .zip(course.steps())
            .map(|(label, n)| Bar {
                label: (*label).to_owned(),
                value: f64::from(n),
                text: words::count(n),
                fill: if *label == "released" { Fill::Full } else { Fill::Rising },
            })
            .collect(),
    };
    let mut table = Table::new("From crosses to releases").text("Crossing year");
    for step in STEPS {
        table = table.number(words::title(step));
    }
    let table = table.rows(all.iter().rev(), |(year, course)| {
        let name = html! { a href={ "/pipeline?year=" (year) "#course" } { (year) } };
        std::iter::once(name)
            .chain(course.steps().map(count))
            .collect()
    });
    html! {
        (crate::html::notes(&missing))
        div #course { (picture.draw().beside(table.show())) }
    }
}

/// All dates due, in order.
pub async fn due_dates(desk: Desk) -> Shown {
    let ask = &desk.ask;
    let own = ask.text("whose") == "own";
    let me = if own {
        let me = desk.identity()?.who_am_i(WhoAmIRequest {}).await?;
        me.into_inner().id
    } else {
        ask.text("responsible_id")
    };
    let request = ListDueDatesRequest {
        limit: 0,
        cursor: ask.text("cursor"),
        until: ask.text("until"),
        as_of: ask.text("as_of"),
        responsible_id: me,
    };
    let mut release = desk.release()?;
    let list = release.list_due_dates(request).await?.into_inner();
    let links = release
        .list_calendar_links(ListCalendarLinksRequest::default())
        .await
        .map(|links| links.into_inner().items);
    let whose =
        [("all", "everybody’s"), ("own", "mine")].map(|(v, t)| (v.to_owned(), t.to_owned()));
    Ok(Page::new(
        "Dates due",
        html! {
            form.ask method="get" {
                (field("as_of", "As of", "date", &ask.text("as_of")))
                (field("until", "Until", "date", &ask.text("until")))
                (choice("whose", "Whose", None, whose, if own { "own" } else { "all" }))
                button { "Show" }
            }
            (caution(&list.caution))
            (by_month(&list.items))
            (due_table(&list.items, "Nothing is due."))
            (pager(ask, list.next_cursor.as_ref()))
            h2 #links { "In your own calendar" }
            (part(links.map_err(Into::into), |all| links_kept(&all)))
        },
    ))
}

/// Dates due by month, as a picture.
fn by_month(dates: &[DueDate]) -> Markup {
    let mut months: BTreeMap<&str, [u32; 2]> = BTreeMap::new();
    for due in dates {
        let Some(month) = due.nominal_on.get(..7) else {
            continue;
        };
        months.entry(month).or_default()[usize::from(due.urgency == "ahead")] += 1;
    }
    if months.is_empty() {
        return html! {};
    }
    let table = Table::new("Dates due by month")
        .text("Month")
        .number("Overdue or due")
        .number("Ahead")
        .rows(&months, |(month, [due, ahead])| {
            vec![text(month), count(*due), count(*ahead)]
        });
    StackedBars {
        key: "months".into(),
        title: "Dates due by month".into(),
        description: "The dates on this page.".into(),
        axis: "dates".into(),
        series: vec![
            ("overdue or due".into(), Fill::Full),
            ("ahead".into(), Fill::Plain),
        ],
        rows: months
            .iter()
            .map(|(month, counts)| ((*month).to_owned(), counts.to_vec()))
            .collect(),
    }
    .draw()
    .figure(table.show())
}

fn links_kept(all: &[CalendarLink]) -> Markup {
    let whose = [("own", "only what I answer for"), ("all", "everything")]
        .map(|(v, t)| (v.to_owned(), t.to_owned()));
    html! {
        p { "A calendar program reads the dates under a signed link without signing in. Whoever has the link reads them, until its last day, until it is revoked, or until you have no longer a role that reads the pipeline." }
        (Table::new("Your calendar links").text("What it is for").text("Made").text("Until").text("Standing").text("").stacking().or_say("No link yet.")
            .rows(all, |l| vec![
                text(&l.name),
                instant(&l.created_at),
                day(&l.expires_on),
                text(if l.standing == "in_force" { "in use".to_owned() } else { words::plain(&l.standing) }),
                html! {
                    @if l.standing == "in_force" {
                        form method="post" action={ "/calendar-links/" (l.id) "/revoke" } { button { "Revoke" span.hidden { " the link " (l.name) } } }
                    }
                },
            ]).show())
        form.ask method="post" action="/calendar-links" {
            (field("name", "What it is for", "text", ""))
            (choice("of", "Which dates", None, whose, "own"))
            button { "Make a link" }
        }
    }
}

/// What the form for a calendar link holds.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub struct NewLink {
    name: String,
    #[serde(default)]
    of: String,
}

/// Makes a calendar link and shows it, this once.
pub async fn make_link(desk: Desk, form: Result<Form<NewLink>, FormRejection>) -> Shown {
    let Form(form) = form.map_err(|rejection| Fault::malformed(rejection.body_text()))?;
    let responsible_id = if form.of == "all" {
        String::new()
    } else {
        let me = desk.identity()?.who_am_i(WhoAmIRequest {}).await?;
        me.into_inner().id
    };
    let request = CreateCalendarLinkRequest {
        name: form.name,
        responsible_id,
        expires_on: String::new(),
    };
    let link = desk
        .release()?
        .create_calendar_link(request)
        .await?
        .into_inner();
    Ok(Page::new(
        "Your calendar link",
        html! {
            p { "Give this address to your calendar program as a calendar to subscribe to. It is shown this once." }
            p { code { (link.url) } }
            p { "It begins with the address under which you reach this page." }
            p { a href="/due-dates#links" { "Back to the dates" } }
        },
    ))
}

/// Revokes a calendar link.
pub async fn revoke_link(desk: Desk, Path(id): Path<String>) -> Result<Response, Trouble> {
    let request = RevokeCalendarLinkRequest {
        calendar_link_id: id,
    };
    desk.release()?.revoke_calendar_link(request).await?;
    Ok(Redirect::to("/due-dates#links").into_response())
}

#[cfg(test)]
mod tests {
    use super::*;
    use contract::release::StageCount;

    #[test]
    fn a_year_is_followed_through_three_services() {
        let pipeline = Pipeline {
            years: vec![PipelineYear {
                crossing_year: Some(2012),
                counts: vec![StageCount {
                    stage: "released".into(),
                    candidates_n: 1,
                }],
            }],
            ..Pipeline::default()
        };
        let seasons = [SeasonSummary {
            season: 2012,
            crosses_n: 3,
            seedlings_n: 500,
            ..SeasonSummary::default()
        }];
        let stage = |stage: &str, entries_n, kept_n| StageSummary {
            crossing_year: 2012,
            stage: stage.into(),
            entries_n,
            kept_n,
            ..StageSummary::default()
        };
        let stages = [stage("own_root", 400, 20), stage("budded", 20, 2)];
        let all = courses(&pipeline, &seasons, &stages);
        assert_eq!(all[&2012].steps(), [3, 0, 0, 0, 500, 400, 20, 1]);
    }

    #[test]
    fn days_to_a_date_are_written_both_ways() {
        assert_eq!(days_left(0), "today");
        assert_eq!(days_left(1), "in 1 day");
        assert_eq!(days_left(-12), "12 days ago");
    }
}

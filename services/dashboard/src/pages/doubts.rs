//! Records that deserve a second look, each decided by a person.

use axum::Form;
use axum::extract::Path;
use axum::extract::rejection::FormRejection;
use axum::response::{IntoResponse as _, Redirect, Response};
use contract::evaluation::{GetTrialRequest, JudgeRecordRequest, ListRecordsRequest, RecordItem};
use maud::{Markup, html};
use platform::{Fault, Permission};
use serde::Deserialize;

use super::Shown;
use crate::desk::{Desk, encode};
use crate::html::{Table, pager, text, word};
use crate::layout::Page;
use crate::trouble::Trouble;

/// Records of a trial that were flagged and that nobody judged yet.
pub async fn list(desk: Desk, Path(id): Path<String>) -> Shown {
    let mut evaluation = desk.evaluation()?;
    let trial = evaluation
        .get_trial(GetTrialRequest {
            trial_id: id.clone(),
        })
        .await?
        .into_inner();
    let request = ListRecordsRequest {
        trial_id: id.clone(),
        doubtful: true,
        limit: 50,
        cursor: desk.ask.text("cursor"),
        ..ListRecordsRequest::default()
    };
    let list = evaluation.list_records(request).await?.into_inner();
    let judging = desk.may(Permission::ManageTrials);
    let mut table = Table::new("Records in doubt")
        .text("Trait")
        .text("Value")
        .text("Why")
        .text("Seen")
        .text("By")
        .stacking()
        .or_say("No record waits for a second look.");
    if judging {
        table = table.text("Decide");
    }
    let table = table.rows(&list.items, |record| {
        let mut cells = vec![
            word(&record.r#trait),
            text(&record.value),
            text(&record.doubt),
            text(&record.observed_at),
            text(&record.by),
        ];
        if judging {
            cells.push(judge(&id, record));
        }
        cells
    });
    Ok(Page::new(
        format!("Records in doubt, {}", trial.number),
        html! {
            p { a href={ "/trials/" (id) } { (trial.name) } }
            p { "A value far from the others of its trial is kept and flagged. It counts until a person sets it aside." }
            (table.show())
            (pager(&desk.ask, list.next_cursor.as_ref()))
        },
    ))
}

fn judge(trial_id: &str, record: &RecordItem) -> Markup {
    let reason = format!("reason-{}", record.id);
    html! {
        form method="post" action={ "/records/" (record.id) "/judgement" } {
            input type="hidden" name="trial_id" value=(trial_id);
            label for=(reason) { "Why" }
            input id=(reason) name="reason" required maxlength="500";
            button name="judgement" value="kept" { "Keep" }
            " "
            button name="judgement" value="set_aside" { "Set aside" }
        }
    }
}

/// What a person decided on a record.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Judged {
    trial_id: String,
    judgement: String,
    #[serde(default)]
    reason: String,
}

/// Keeps a person's decision on a record.
pub async fn decide(
    desk: Desk,
    Path(record_id): Path<String>,
    form: Result<Form<Judged>, FormRejection>,
) -> Result<Response, Trouble> {
    let Form(form) = form.map_err(|rejection| Fault::malformed(rejection.body_text()))?;
    let request = JudgeRecordRequest {
        record_id,
        judgement: form.judgement,
        reason: form.reason,
    };
    desk.evaluation()?.judge_record(request).await?;
    let back = format!("/trials/{}/doubts", encode(&form.trial_id));
    Ok(Redirect::to(&back).into_response())
}

//! Sends deliveries, tries them again and gives them up; and has due dates announced.

use std::collections::HashMap;
use std::sync::Arc;
use std::time::{Duration, Instant as Moment};

use contract::release::AnnounceDueDatesRequest;
use contract::release::release_client::ReleaseClient;
use jiff::{SignedDuration, Timestamp};
use platform::database::{self, Begin, Instant, Scope};
use platform::fields::Words as _;
use platform::peers::ServiceName;
use platform::{App as _, Fault, ProgrammeId};
use rand::RngExt as _;
use reqwest::dns::{Addrs, Name, Resolve, Resolving};
use reqwest::{StatusCode, header};
use sqlx::{Postgres, Transaction};
use tokio::task::JoinSet;

use super::events::message_id;
use crate::ReleaseApp;
use crate::domain::WebhookId;
use crate::domain::webhook::{
    DeliveryState, ID_HEADER, Reach, SIGNATURE_HEADER, Secret, TIMESTAMP_HEADER, is_public,
    read_url, wait_after,
};
use crate::store::webhooks::{self, Errand, Outcome, Taking};

/// How long to wait when nothing was due.
const IDLE: Duration = Duration::from_millis(500);
/// How long to wait after a fault of ours.
const AFTER_FAULT: Duration = Duration::from_secs(2);
/// Deliveries on their way to one webhook at once.
const AT_ONCE: i64 = 8;
/// How long a webhook is left alone for which nothing could be sent yet.
const REST: Duration = Duration::from_secs(1);
/// How long a receiver may take.
const PATIENCE: Duration = Duration::from_secs(15);
/// How long a receiver may take to be reached.
const CONNECT_PATIENCE: Duration = Duration::from_secs(5);
/// After this a sender that has not reported is taken to be gone.
const LEASE: SignedDuration = SignedDuration::from_secs(60);
/// How long a renewed secret's predecessor still signs.
const BOTH_SIGN: SignedDuration = SignedDuration::from_hours(24);
/// The longest wait that a receiver may ask for.
const ASKED_WAIT_MAX_S: i64 = 6 * 3600;
/// Longer than anything is put off: what is, was by a clock that was wrong, and is due.
const PUT_OFF_MAX: SignedDuration = SignedDuration::from_hours(48);
/// How often due dates are looked through.
const DUE_DATES_EVERY: Duration = Duration::from_secs(3600);
/// How long to wait after that failed, as it does while the services are still starting.
const DUE_DATES_AFTER_FAULT: Duration = Duration::from_secs(15);

/// Names looked up to public addresses alone, so that a webhook never leads into our own network,
/// whatever its name stands for at the moment.
struct PublicOnly;

impl Resolve for PublicOnly {
    fn resolve(&self, name: Name) -> Resolving {
        Box::pin(async move {
            let found = tokio::net::lookup_host((name.as_str(), 0)).await?;
            let public: Vec<_> = found.filter(|address| is_public(address.ip())).collect();
            if public.is_empty() {
                return Err("the name stands for no public address".into());
            }
            Ok(Box::new(public.into_iter()) as Addrs)
        })
    }
}

fn client(reach: Reach) -> reqwest::Result<reqwest::Client> {
    let builder = reqwest::Client::builder()
        .user_agent(concat!("Drupeline/", env!("CARGO_PKG_VERSION")))
        .connect_timeout(CONNECT_PATIENCE)
        .timeout(PATIENCE)
        // A redirect could lead anywhere, and a proxy would look names up in our place.
        .redirect(reqwest::redirect::Policy::none())
        .no_proxy();
    match reach {
        Reach::Public => builder.https_only(true).dns_resolver(Arc::new(PublicOnly)),
        Reach::Anywhere => builder,
    }
    .build()
}

/// Sends for as long as the process lives.
pub async fn send(app: Arc<ReleaseApp>) {
    let client = match client(app.settings.webhooks) {
        Ok(client) => client,
        Err(error) => {
            tracing::error!(%error, "webhooks cannot be sent from here; are root certificates installed?");
            return;
        }
    };
    let mut lanes = Lanes::default();
    loop {
        match due(&app).await {
            Ok(hooks) => {
                for hook in hooks {
                    lanes.start(&app, &client, hook);
                }
                lanes.idle().await;
            }
            Err(fault) => {
                tracing::warn!(%fault, "deliveries could not be looked after; trying again");
                tokio::time::sleep(AFTER_FAULT).await;
            }
        }
    }
}

/// A webhook and the programme whose it is.
type Hook = (ProgrammeId, WebhookId);

/// What is being sent: each webhook in a task of its own, so that a receiver that is slow or silent
/// keeps nobody else waiting.
#[derive(Default)]
struct Lanes {
    tasks: JoinSet<Result<usize, Fault>>,
    running: HashMap<tokio::task::Id, Hook>,
    /// Webhooks for which there is nothing to be done before then.
    resting: HashMap<Hook, Moment>,
}

impl Lanes {
    /// Sends what is due to a webhook, unless that is being done.
    fn start(&mut self, app: &Arc<ReleaseApp>, client: &reqwest::Client, hook: Hook) {
        let rests = self
            .resting
            .get(&hook)
            .is_some_and(|end| *end > Moment::now());
        if rests || self.running.values().any(|running| *running == hook) {
            return;
        }
        let (app, client) = (app.clone(), client.clone());
        let task = self.tasks.spawn(lane(app, client, hook));
        self.running.insert(task.id(), hook);
    }

    /// Waits until a lane ends, or for a while.
    async fn idle(&mut self) {
        if self.tasks.is_empty() {
            tokio::time::sleep(IDLE).await;
            return;
        }
        let ended = tokio::time::timeout(IDLE, self.tasks.join_next_with_id()).await;
        let Ok(Some(ended)) = ended else { return };
        let (id, sent) = match ended {
            Ok((id, sent)) => (id, sent),
            Err(error) => (error.id(), Err(Fault::internal(error))),
        };
        let Some(hook) = self.running.remove(&id) else {
            return;
        };
        let rest = match sent {
            // What is due waits for something earlier in its lane.
            Ok(0) => REST,
            Ok(_) => return,
            Err(fault) => {
                tracing::warn!(webhook.id = %hook.1, %fault, "deliveries could not be sent; trying again");
                AFTER_FAULT
            }
        };
        self.resting.retain(|_, end| *end > Moment::now());
        self.resting.insert(hook, Moment::now() + rest);
    }
}

async fn bookkeeping(app: &ReleaseApp) -> Result<Transaction<'static, Postgres>, Fault> {
    let pool = &app.context().pool;
    Ok(database::begin(pool, Begin::Writing, Scope::BOOKKEEPING).await?)
}

async fn due(app: &ReleaseApp) -> Result<Vec<Hook>, Fault> {
    let now = app.context().clock.now();
    let beyond = Instant(now + PUT_OFF_MAX);
    let ended = app.context().verifier.ended_organisations();
    let mut transaction = bookkeeping(app).await?;
    Ok(webhooks::due(&mut transaction, Instant(now), beyond, &ended).await?)
}

/// Sends what is due to one webhook; gives how much was sent.
async fn lane(app: Arc<ReleaseApp>, client: reqwest::Client, hook: Hook) -> Result<usize, Fault> {
    let mut sent_n = 0;
    loop {
        let now = app.context().clock.now();
        let taking = Taking {
            now: Instant(now),
            leased_until: Instant(now + LEASE),
            beyond: Instant(now + PUT_OFF_MAX),
            fresh: Instant(now - BOTH_SIGN),
        };
        let mut transaction = bookkeeping(&app).await?;
        let ended = app.context().verifier.ended_organisations();
        let errands = webhooks::take_on(&mut transaction, hook, taking, AT_ONCE, &ended).await?;
        transaction.commit().await?;
        if errands.is_empty() {
            return Ok(sent_n);
        }
        sent_n += errands.len();
        let mut sending = JoinSet::new();
        for errand in errands {
            let (app, client) = (app.clone(), client.clone());
            sending.spawn(async move {
                let outcome = attempt(&client, app.settings.webhooks, &errand, now).await;
                report(&app, &errand, &outcome).await
            });
        }
        while let Some(done) = sending.join_next().await {
            done.map_err(Fault::internal)??;
        }
    }
}

async fn report(app: &ReleaseApp, errand: &Errand, outcome: &Outcome) -> Result<(), Fault> {
    if outcome.state == DeliveryState::Dead.word() {
        tracing::warn!(
            webhook.id = %errand.webhook_id,
            delivery.id = %errand.id,
            delivery.fault = outcome.fault,
            "a delivery was given up"
        );
    }
    let now = Instant(app.context().clock.now());
    let mut transaction = bookkeeping(app).await?;
    webhooks::report(&mut transaction, errand, outcome, now).await?;
    Ok(transaction.commit().await?)
}

/// What a receiver's answer, or its silence, comes to.
struct Answer {
    status: Option<StatusCode>,
    fault: String,
    asked_wait: Option<SignedDuration>,
}

async fn attempt(
    client: &reqwest::Client,
    reach: Reach,
    errand: &Errand,
    now: Timestamp,
) -> Outcome {
    let began = std::time::Instant::now();
    let answer = post(client, reach, errand, now).await;
    let took_ms = i32::try_from(began.elapsed().as_millis()).unwrap_or(i32::MAX);
    let taken = answer.status.is_some_and(|status| status.is_success());
    let gone = answer.status == Some(StatusCode::GONE);
    let attempts_n = u32::try_from(errand.attempts_n).unwrap_or(u32::MAX);
    let wait = wait_after(attempts_n, rand::rng().random::<f64>())
        .map(|own| answer.asked_wait.map_or(own, |asked| asked.max(own)));
    let (state, next_at) = match wait {
        _ if taken => (DeliveryState::Delivered, now),
        Some(wait) if !gone => (DeliveryState::Waiting, now + wait),
        _ => (DeliveryState::Dead, now),
    };
    Outcome {
        state: state.word(),
        next_at: Instant(next_at),
        status: answer.status.map(|status| i32::from(status.as_u16())),
        fault: answer.fault,
        took_ms,
        stops_webhook: gone.then_some("the receiver answered 410 Gone"),
    }
}

async fn post(client: &reqwest::Client, reach: Reach, errand: &Errand, now: Timestamp) -> Answer {
    let unreached = |fault: String| Answer {
        status: None,
        fault,
        asked_wait: None,
    };
    // Judged again: what was allowed when it was written down may not be any more.
    let url = match read_url(&errand.url, reach) {
        Ok(url) => url,
        Err(fault) => return unreached(format!("the address {fault}")),
    };
    let (id, time) = (message_id(errand.id), now.as_second());
    let signatures: Vec<String> = errand
        .secrets
        .iter()
        .map(|secret| Secret::of(secret.clone()).sign(&id, time, errand.body.as_bytes()))
        .collect();
    let sent = client
        .post(url)
        .header(header::CONTENT_TYPE, "application/json")
        .header(ID_HEADER, &id)
        .header(TIMESTAMP_HEADER, time.to_string())
        .header(SIGNATURE_HEADER, signatures.join(" "))
        .body(errand.body.clone())
        .send()
        .await;
    match sent {
        Ok(response) => {
            let status = response.status();
            Answer {
                asked_wait: asked_wait(response.headers()),
                status: Some(status),
                fault: if status.is_success() {
                    String::new()
                } else {
                    format!("the receiver answered {}", status.as_u16())
                },
            }
        }
        // No more than this: what lies behind an address is not the owner's to explore.
        Err(error) if error.is_timeout() => unreached("the receiver took too long".to_owned()),
        Err(error) if error.is_connect() => unreached("the receiver cannot be reached".to_owned()),
        Err(_) => unreached("the receiver broke off".to_owned()),
    }
}

/// `Retry-After` in seconds, within reason.
fn asked_wait(headers: &header::HeaderMap) -> Option<SignedDuration> {
    let seconds: i64 = headers
        .get(header::RETRY_AFTER)?
        .to_str()
        .ok()?
        .trim()
        .parse()
        .ok()?;
    Some(SignedDuration::from_secs(
        seconds.clamp(0, ASKED_WAIT_MAX_S),
    ))
}

/// Has due dates announced, for as long as the process lives, where somebody waits for them.
pub async fn watch_due_dates(app: Arc<ReleaseApp>) {
    loop {
        let wait = match announce_due_dates(&app).await {
            Ok(()) => DUE_DATES_EVERY,
            Err(fault) => {
                tracing::warn!(%fault, "due dates could not be announced; trying again");
                DUE_DATES_AFTER_FAULT
            }
        };
        tokio::time::sleep(wait).await;
    }
}

async fn announce_due_dates(app: &ReleaseApp) -> Result<(), Fault> {
    let mut transaction = bookkeeping(app).await?;
    let programmes = webhooks::programmes_told_of_due_dates(&mut transaction).await?;
    transaction.commit().await?;
    for programme in programmes {
        let transport = app
            .context()
            .peers
            .reach(ServiceName::Release, Some(programme))
            .await?;
        ReleaseClient::new(transport)
            .announce_due_dates(AnnounceDueDatesRequest {})
            .await?;
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[tokio::test]
    async fn a_name_of_our_own_network_is_not_looked_up() {
        let name: Name = "localhost".parse().unwrap();
        assert!(PublicOnly.resolve(name).await.is_err());
    }

    #[test]
    fn a_receiver_may_ask_for_patience_within_reason() {
        let asked = |text: &str| {
            let mut headers = header::HeaderMap::new();
            headers.insert(header::RETRY_AFTER, text.parse().unwrap());
            asked_wait(&headers).map(|wait| wait.as_secs())
        };
        assert_eq!(asked("120"), Some(120));
        assert_eq!(asked("999999"), Some(ASKED_WAIT_MAX_S));
        assert_eq!(asked("-1"), Some(0));
        assert_eq!(asked("Fri, 31 Dec 1999 23:59:59 GMT"), None);
    }
}

//! Pages in a browser's hands: signing in, staying signed in, seeing what one may see.

use end_to_end::{Reply, System};
use platform::Clock;
use serde_json::json;

/// A browser without scripts: it keeps one cookie and follows nothing by itself.
pub struct Browser {
    url: String,
    http: reqwest::Client,
    cookie: Option<String>,
}

pub struct Seen {
    pub status: u16,
    pub location: Option<String>,
    pub text: String,
    headers: reqwest::header::HeaderMap,
}

impl Browser {
    fn new(system: &System) -> Self {
        let http = reqwest::Client::builder()
            .redirect(reqwest::redirect::Policy::none())
            .build()
            .expect("a client");
        Self {
            url: system.url(),
            http,
            cookie: None,
        }
    }

    pub async fn signed_in(system: &System, role: &str) -> Self {
        let mut browser = Self::new(system);
        let account = system.account(role).clone();
        let seen = browser
            .sign_in(&account.login, &account.password, "/")
            .await;
        assert_eq!(seen.status, 303, "{}", seen.text);
        browser
    }

    async fn sign_in(&mut self, login: &str, password: &str, next: &str) -> Seen {
        self.post(
            "/sign-in",
            &[("login", login), ("password", password), ("next", next)],
            &[],
        )
        .await
    }

    pub async fn get(&mut self, path: &str) -> Seen {
        let request = self.http.get(format!("{}{path}", self.url));
        self.send(request).await
    }

    /// As a program of any kind asks, naming what it takes.
    async fn ask_for(&mut self, path: &str, accept: &str) -> Seen {
        let request = self.http.get(format!("{}{path}", self.url));
        self.send(request.header("accept", accept)).await
    }

    pub async fn post(
        &mut self,
        path: &str,
        form: &[(&str, &str)],
        headers: &[(&str, &str)],
    ) -> Seen {
        let body: Vec<String> = form
            .iter()
            .map(|(n, v)| format!("{n}={}", encoded(v)))
            .collect();
        let mut request = self
            .http
            .post(format!("{}{path}", self.url))
            .header("content-type", "application/x-www-form-urlencoded")
            .body(body.join("&"));
        for (name, value) in headers {
            request = request.header(*name, *value);
        }
        self.send(request).await
    }

    /// Sends a form with a chosen file (field, file name, content) and one other field.
    pub async fn post_file(
        &mut self,
        path: &str,
        (field, name, content): (&str, &str, &str),
        (other, value): (&str, &str),
    ) -> Seen {
        let part = |head: &str, body: &str| {
            format!("--apart\r\nContent-Disposition: form-data; {head}\r\n\r\n{body}\r\n")
        };
        let body = part(&format!("name=\"{field}\"; filename=\"{name}\""), content)
            + &part(&format!("name=\"{other}\""), value)
            + "--apart--\r\n";
        let request = self
            .http
            .post(format!("{}{path}", self.url))
            .header("content-type", "multipart/form-data; boundary=apart")
            .body(body);
        self.send(request).await
    }

    async fn send(&mut self, mut request: reqwest::RequestBuilder) -> Seen {
        if let Some(cookie) = &self.cookie {
            request = request.header("cookie", cookie);
        }
        let response = request.send().await.expect("the server answers");
        let headers = response.headers().clone();
        if let Some(cookie) = headers.get("set-cookie") {
            let cookie = cookie.to_str().expect("a cookie of text");
            let pair = cookie.split(';').next().unwrap_or_default().to_owned();
            self.cookie = (!pair.ends_with('=')).then_some(pair);
        }
        Seen {
            status: response.status().as_u16(),
            location: headers
                .get("location")
                .map(|v| v.to_str().expect("text").to_owned()),
            text: response.text().await.expect("a page of text"),
            headers,
        }
    }

    pub async fn page(&mut self, path: &str) -> String {
        let seen = self.get(path).await;
        assert_eq!(seen.status, 200, "{path}: {}", seen.text);
        seen.text
    }
}

fn encoded(text: &str) -> String {
    text.bytes().map(|b| format!("%{b:02X}")).collect()
}

pub fn id(reply: Reply) -> String {
    reply.expect(201)["id"].as_str().expect("an id").to_owned()
}

#[tokio::test]
async fn a_person_signs_in_by_the_form_and_out_again() {
    let system = System::start().await;
    let mut browser = Browser::new(&system);
    let form = browser.page("/sign-in").await;
    for wanted in [
        "<form",
        "name=\"login\"",
        "name=\"password\"",
        "for=\"login\"",
        "To the content",
    ] {
        assert!(form.contains(wanted), "{wanted} in {form}");
    }
    let account = system.account("manager").clone();
    let refused = browser
        .sign_in(&account.login, "not the password", "/pipeline")
        .await;
    assert_eq!(refused.status, 401);
    assert!(refused.text.contains("do not fit together") && browser.cookie.is_none());

    let taken = browser
        .sign_in(&account.login, &account.password, "/pipeline")
        .await;
    assert_eq!(
        (taken.status, taken.location.as_deref()),
        (303, Some("/pipeline"))
    );
    let cookie = taken.headers["set-cookie"].to_str().unwrap().to_owned();
    assert!(
        cookie.contains("HttpOnly") && cookie.contains("SameSite=Strict"),
        "{cookie}"
    );
    let start = browser.page("/").await;
    assert!(
        start.contains("href=\"/pipeline\"") && !start.contains("href=\"/partner\""),
        "{start}"
    );

    let held = browser.cookie.clone();
    let out = browser.post("/sign-out", &[], &[]).await;
    assert_eq!(
        (out.status, out.location.as_deref()),
        (303, Some("/sign-in"))
    );
    assert_eq!(browser.cookie, None);
    assert_eq!(browser.get("/").await.status, 303);
    assert!(held.is_some());
}

#[tokio::test]
async fn nobody_sees_a_page_without_signing_in() {
    let system = System::start().await;
    let mut browser = Browser::new(&system);
    for path in [
        "/",
        "/days",
        "/days/2026-02-14",
        "/seasons",
        "/season/2026",
        "/crosses",
        "/crosses/1",
        "/germplasm",
        "/trials",
        "/trials/1",
        "/trials/1/selection",
        "/trials/1/doubts",
        "/analyses/1",
        "/what-if",
        "/pipeline?year=2012",
        "/due-dates",
        "/forecast",
        "/candidates",
        "/partner",
        "/find?number=1",
        "/seedlings/1",
        "/mothers/1",
        "/pollen-lots/1",
        "/analyses/1",
        "/winter",
        "/bloom-forecast?season=2026",
        "/adviser",
        "/season-plan",
        "/pollinizer-trials",
        "/pollinizer-trials/1",
    ] {
        let seen = browser.get(path).await;
        let wanted = format!(
            "/sign-in?next={}",
            path.replace('/', "%2F")
                .replace('?', "%3F")
                .replace('=', "%3D")
        );
        assert_eq!(
            (seen.status, seen.location.as_deref()),
            (303, Some(wanted.as_str())),
            "{path}"
        );
    }
    for path in ["/sign-in", "/docs", "/problems", "/style.css", "/icon.svg"] {
        browser.page(path).await;
    }
}

#[tokio::test]
async fn signing_in_never_leads_to_another_site() {
    let system = System::start().await;
    let account = system.account("breeder").clone();
    for next in [
        "https://elsewhere.example/",
        "//elsewhere.example",
        "/\\elsewhere.example",
        "javascript:alert(1)",
    ] {
        let mut browser = Browser::new(&system);
        let form = browser
            .page(&format!("/sign-in?next={}", encoded(next)))
            .await;
        assert!(
            !form.contains("elsewhere") && !form.contains("javascript"),
            "{form}"
        );
        let taken = browser
            .sign_in(&account.login, &account.password, next)
            .await;
        assert_eq!(
            (taken.status, taken.location.as_deref()),
            (303, Some("/")),
            "{next}"
        );
    }
}

#[tokio::test]
async fn a_form_of_another_site_is_refused() {
    let system = System::start().await;
    let mut browser = Browser::signed_in(&system, "breeder").await;
    for headers in [
        ("origin", "https://elsewhere.example"),
        ("sec-fetch-site", "cross-site"),
    ] {
        assert_eq!(
            browser.post("/sign-out", &[], &[headers]).await.status,
            403,
            "{headers:?}"
        );
    }
    browser.page("/").await;
}

#[tokio::test]
async fn every_reply_carries_the_shield() {
    let system = System::start().await;
    let mut browser = Browser::signed_in(&system, "manager").await;
    for path in [
        "/",
        "/sign-in",
        "/docs",
        "/style.css",
        "/no-such-candidate",
        "/candidates/none",
    ] {
        let seen = browser.get(path).await;
        if path == "/no-such-candidate" {
            assert_eq!(seen.status, 404);
            continue;
        }
        let policy = seen.headers["content-security-policy"].to_str().unwrap();
        assert!(
            policy.starts_with("default-src 'none'") && !policy.contains("unsafe"),
            "{path}: {policy}"
        );
        assert_eq!(seen.headers["x-frame-options"], "DENY", "{path}");
        assert_eq!(seen.headers["x-content-type-options"], "nosniff", "{path}");
        assert!(seen.headers.contains_key("referrer-policy"), "{path}");
        assert!(
            !seen.text.contains("<script") && !seen.text.contains(" style=\""),
            "{path}"
        );
    }
    assert_eq!(browser.get("/").await.headers["cache-control"], "no-store");
    let style = browser.get("/style.css").await;
    assert_eq!(style.headers["cache-control"], "public, max-age=86400");
}

const BROWSER_TAKES: &str =
    "text/html,application/xhtml+xml,application/xml;q=0.9,image/avif,image/webp,*/*;q=0.8";

#[tokio::test]
async fn where_there_is_nothing_a_browser_gets_a_page_and_a_program_a_problem() {
    let system = System::start().await;
    let mut nobody = Browser::new(&system);
    let mut manager = Browser::signed_in(&system, "manager").await;
    for path in ["/nothing", "/nothing/at/all", "/api/crossing/v1/nothing"] {
        for browser in [&mut nobody, &mut manager] {
            let seen = browser.ask_for(path, BROWSER_TAKES).await;
            assert_eq!(seen.status, 404, "{path}");
            let kind = seen.headers["content-type"].to_str().unwrap();
            assert!(kind.starts_with("text/html"), "{path}: {kind}");
            for wanted in ["<main", "Not found", "href=\"/\"", path] {
                assert!(seen.text.contains(wanted), "{wanted} in {}", seen.text);
            }
        }
        for accept in ["*/*", "application/json", "application/problem+json"] {
            let seen = nobody.ask_for(path, accept).await;
            let kind = seen.headers["content-type"].to_str().unwrap();
            assert_eq!(
                (seen.status, kind),
                (404, "application/problem+json"),
                "{path} as {accept}: {}",
                seen.text
            );
        }
    }
    // What one may not see, and what was sent from elsewhere, are pages too.
    let mut partner = Browser::signed_in(&system, "partner_a").await;
    let hidden = partner.ask_for("/winter", BROWSER_TAKES).await;
    assert_eq!(hidden.status, 403);
    assert!(hidden.text.contains("<main") && hidden.text.contains("Your roles do not allow this"));
    let foreign = partner
        .post("/sign-out", &[], &[("origin", "https://elsewhere.example")])
        .await;
    assert_eq!(foreign.status, 403);
    assert!(foreign.text.contains("<main") && foreign.text.contains("was not taken"));
}

#[tokio::test]
async fn a_page_shows_no_more_than_a_role_may_see() {
    let system = System::start().await;
    let mut partner = Browser::signed_in(&system, "partner_a").await;
    for path in [
        "/pipeline",
        "/candidates",
        "/germplasm",
        "/trials",
        "/days/2026-02-14",
    ] {
        let seen = partner.get(path).await;
        assert_eq!(seen.status, 403, "{path}: {}", seen.text);
        assert!(
            seen.text.contains("Your roles do not allow this"),
            "{}",
            seen.text
        );
    }
    let own = partner.page("/partner").await;
    assert!(
        own.contains("Release status") && own.contains("Caution"),
        "{own}"
    );
    let start = partner.page("/").await;
    assert!(
        start.contains("/partner") && !start.contains("/pipeline"),
        "{start}"
    );

    let mut manager = Browser::signed_in(&system, "manager").await;
    manager.page("/pipeline").await;
    assert_eq!(manager.get("/partner").await.status, 403);
}

#[tokio::test]
async fn what_was_entered_over_the_api_is_seen_on_the_pages() {
    let system = System::start().await;
    let trials = system.sign_in("trials").await;
    let site =
        json!({"name": "North <b>field</b>", "country": "US", "time_zone": "America/Los_Angeles"});
    let site = id(trials.post("/api/evaluation/v1/sites", &site).await);
    let trial =
        json!({"name": "Early & late", "stage": "own_root", "season": 2026, "site_ids": [site]});
    let trial = id(trials.post("/api/evaluation/v1/trials", &trial).await);

    let mut browser = Browser::signed_in(&system, "breeder").await;
    let list = browser.page("/trials").await;
    assert!(
        list.contains("Early &amp; late") && list.contains("own-root"),
        "{list}"
    );
    assert!(
        !browser
            .page("/trials?season=2025")
            .await
            .contains("Early &amp; late")
    );
    let page = browser.page(&format!("/trials/{trial}")).await;
    assert!(page.contains("North &lt;b&gt;field&lt;/b&gt;"), "{page}");

    let mut other = Browser::signed_in(&system.other_programme().await, "breeder").await;
    assert!(!other.page("/trials").await.contains("Early &amp; late"));
    let hidden = other.get(&format!("/trials/{trial}")).await;
    assert_eq!(hidden.status, 404);
    assert!(hidden.text.contains("Not found"), "{}", hidden.text);
}

#[tokio::test]
async fn lists_are_paged_by_their_cursor() {
    let system = System::start().await;
    let trials = system.sign_in("trials").await;
    let site = json!({"name": "North", "country": "US", "time_zone": "America/Los_Angeles"});
    let site = id(trials.post("/api/evaluation/v1/sites", &site).await);
    for n in 0..53 {
        let trial = json!({"name": format!("Trial no {n}."), "stage": "own_root", "season": 2026, "site_ids": [site]});
        id(trials.post("/api/evaluation/v1/trials", &trial).await);
    }
    let mut browser = Browser::signed_in(&system, "trials").await;
    let first = browser.page("/trials?season=2026").await;
    let next = first
        .split("rel=\"next\" href=\"")
        .nth(1)
        .expect("a next page")
        .split('"')
        .next()
        .unwrap();
    let next = next.replace("&amp;", "&");
    assert!(
        next.contains("season=2026") && next.contains("cursor="),
        "{next}"
    );
    let second = browser.page(&format!("/trials{next}")).await;
    assert!(!second.contains("rel=\"next\"") && second.contains("From the beginning"));
    let shown = |page: &str, n: usize| page.contains(&format!("Trial no {n}."));
    for n in 0..53 {
        assert!(
            shown(&first, n) != shown(&second, n),
            "trial {n} is on one of the two pages"
        );
    }
}

#[tokio::test]
async fn an_ended_access_token_is_renewed_behind_the_page() {
    // Identity's clock stands an hour back at first, so what it signs then has ended by now.
    let now = jiff::Timestamp::now();
    let clock = Clock::standing_at(now - jiff::SignedDuration::from_hours(1));
    let system = System::start_at(clock.clone()).await;
    let mut browser = Browser::signed_in(&system, "manager").await;
    let ended = browser.cookie.clone().expect("a cookie");
    clock.set(now);

    // Two pages asked for at the same moment share one exchange of the refresh token.
    let mut twin = Browser::new(&system);
    twin.cookie = Some(ended.clone());
    let (one, two) = tokio::join!(browser.get("/pipeline"), twin.get("/candidates"));
    assert_eq!(
        (one.status, two.status),
        (200, 200),
        "{} {}",
        one.text,
        two.text
    );
    assert_ne!(browser.cookie.as_deref(), Some(ended.as_str()));
    assert_eq!(browser.cookie, twin.cookie);
    browser.page("/pipeline").await;

    let mut forger = Browser::new(&system);
    forger.cookie = Some("drupeline_session=a.b.c~not-a-refresh-token".into());
    let sent = forger.get("/pipeline").await;
    assert_eq!(
        (sent.status, sent.location.as_deref()),
        (303, Some("/sign-in?next=%2Fpipeline"))
    );
    assert_eq!(
        forger.cookie, None,
        "a cookie that does not hold is taken away"
    );
}

#[tokio::test]
async fn the_api_is_explained_to_people() {
    let system = System::start().await;
    let mut browser = Browser::new(&system);
    let docs = browser.page("/docs").await;
    for entry in drupeline::assembly::catalogue() {
        let operation = entry.operation;
        let named = format!("id=\"{}.{}\"", operation.service, operation.name);
        assert!(docs.contains(&named), "{named} is missing");
    }
    for kind in platform::fault::FaultKind::ALL {
        let (_, slug, title) = kind.http();
        let page = browser.page(&format!("/problems/{slug}")).await;
        assert!(
            page.contains(title) && page.contains("What mends it"),
            "{slug}"
        );
    }
    assert_eq!(browser.get("/problems/no-such").await.status, 404);
}

/// The value of a hidden field of a form.
fn hidden(page: &str, name: &str) -> String {
    let field = format!("name=\"{name}\" value=\"");
    let at = page
        .find(&field)
        .unwrap_or_else(|| panic!("{name} in {page}"))
        + field.len();
    page[at..].split('"').next().unwrap_or_default().to_owned()
}

#[tokio::test]
async fn the_sign_in_page_asks_for_a_password_of_ones_own_and_for_the_second_factor() {
    let system = System::start().await;
    let admin = system.sign_in("admin").await;
    let person = json!({"login": "new.hand", "name": "New Hand",
        "password": "given by an administrator", "roles": ["field"]});
    admin
        .post("/api/identity/v1/people", &person)
        .await
        .expect(201);
    let mut browser = Browser::new(&system);
    let asked = browser
        .sign_in("new.hand", "given by an administrator", "/days")
        .await;
    assert_eq!((asked.status, browser.cookie.is_some()), (200, false));
    let (step, token) = (
        hidden(&asked.text, "step"),
        hidden(&asked.text, "step_token"),
    );
    assert_eq!(step, "new_password");
    let own = "plum orchard at dusk 7";
    for (new, again, why) in [
        (own, "something else here", "do not agree"),
        ("password1234", "password1234", "easily guessed"),
    ] {
        let form = [
            ("step", step.as_str()),
            ("step_token", &token),
            ("new_password", new),
            ("again", again),
        ];
        let seen = browser.post("/sign-in/step", &form, &[]).await;
        assert_eq!(seen.status, 422);
        assert!(seen.text.contains(why), "{}", seen.text);
        assert_eq!(hidden(&seen.text, "step_token"), token);
    }
    let form = [
        ("step", step.as_str()),
        ("step_token", &token),
        ("new_password", own),
        ("again", own),
        ("next", "/days"),
    ];
    let seen = browser.post("/sign-in/step", &form, &[]).await;
    assert_eq!(
        (seen.status, seen.location.as_deref()),
        (303, Some("/days"))
    );

    // An app, from the page of one's own account.
    let account = browser.page("/account").await;
    assert!(
        account.contains("this one") && account.contains("Begin to use an app"),
        "{account}"
    );
    let begun = browser
        .post("/account/codes", &[("current_password", own)], &[])
        .await;
    assert!(begun.text.contains("<svg"), "{}", begun.text);
    let secret = begun
        .text
        .split("<code>")
        .nth(1)
        .unwrap()
        .split('<')
        .next()
        .unwrap()
        .to_owned();
    let code = |ahead_s: i64| {
        let secret = totp_rs::Secret::try_from_base32(&secret).unwrap();
        let codes = totp_rs::Builder::new().with_secret(secret).build().unwrap();
        let at = jiff::Timestamp::now().as_second() + ahead_s;
        codes.generate(at.unsigned_abs()).to_string()
    };
    let made = browser
        .post("/account/codes/confirm", &[("code", &code(0))], &[])
        .await;
    let recovery = made
        .text
        .split("<code>")
        .nth(1)
        .unwrap()
        .split('<')
        .next()
        .unwrap()
        .to_owned();
    let mut other = Browser::new(&system);
    let asked = other.sign_in("new.hand", own, "/").await;
    let token = hidden(&asked.text, "step_token");
    assert_eq!(hidden(&asked.text, "step"), "second_factor");
    let form = |code: &str| {
        vec![
            ("step", "second_factor".to_owned()),
            ("step_token", token.clone()),
            ("code", code.to_owned()),
        ]
    };
    let send = async |browser: &mut Browser, code: &str| {
        let form = form(code);
        let form: Vec<(&str, &str)> = form.iter().map(|(n, v)| (*n, v.as_str())).collect();
        browser.post("/sign-in/step", &form, &[]).await
    };
    assert_eq!(send(&mut other, "000000").await.status, 422);
    assert_eq!(send(&mut other, &recovery).await.status, 303);
    // A session is ended from the other one's page.
    let account = browser.page("/account").await;
    let ending = account
        .split("/account/sessions/")
        .nth(1)
        .unwrap()
        .split('"')
        .next()
        .unwrap()
        .to_owned();
    let ended = browser
        .post(&format!("/account/sessions/{ending}"), &[], &[])
        .await;
    assert_eq!(ended.status, 303);
    let account = browser.page("/account").await;
    assert!(!account.contains("/account/sessions/"), "{account}");
}

//! Who may use the page, and what it shows.
#![allow(clippy::unwrap_used)]

use std::path::Path;
use std::sync::Arc;

use axum::body::{Body, to_bytes};
use axum::http::{HeaderMap, Request, StatusCode};
use overspill_rules::commission::procedure::{Ask, Procedure, Question, Read, Standing, StepResult};
use overspill_rules::time::WallTime;
use tower::ServiceExt;

use super::serve::{Parts, Shared, router, site};
use crate::commission::board::Board;
use crate::config;
use crate::daemon::HomeClock;

const HOST: &str = "127.0.0.1:8181";
const CHANGES: [&str; 5] = ["/answer", "/leave", "/turn", "/apply", "/issue"];
const LOOKS: [&str; 8] =
    ["/", "/steps", "/correction", "/sheet", "/live", "/api/sitting", "/api/openapi.json", "/code"];

fn shared(here_alone: bool) -> Shared {
    let parts = Parts {
        board: Arc::new(Board::new()),
        home: "Wren <Cottage>".to_owned(),
        zone: jiff::tz::TimeZone::UTC,
        clock: HomeClock::made_up(WallTime(0), 0.0),
        file: "home.toml".to_owned(),
        sheet: "nowhere.html".into(),
    };
    site(parts, here_alone).unwrap()
}

struct Got {
    status: StatusCode,
    headers: HeaderMap,
    body: String,
}

async fn send(site: &Shared, request: Request<Body>) -> Got {
    let response = router(Shared::clone(site)).oneshot(request).await.unwrap();
    let (parts, body) = response.into_parts();
    let is_stream = parts.headers.get("content-type").is_some_and(|kind| kind == "text/event-stream");
    let body = if is_stream { Vec::new() } else { to_bytes(body, 1 << 20).await.unwrap().to_vec() };
    Got { status: parts.status, headers: parts.headers, body: String::from_utf8(body).unwrap() }
}

fn get(path: &str, cookie: &str) -> Request<Body> {
    Request::get(path).header("host", HOST).header("cookie", cookie).body(Body::empty()).unwrap()
}

fn post(path: &str, origin: &str, cookie: &str, body: &str) -> Request<Body> {
    let request = Request::post(path)
        .header("host", HOST)
        .header("cookie", cookie)
        .header("content-type", "application/x-www-form-urlencoded");
    let request = if origin.is_empty() { request } else { request.header("origin", origin) };
    request.body(Body::from(body.to_owned())).unwrap()
}

const OURS: &str = "http://127.0.0.1:8181";

/// Lets a phone in, and gives its cookie.
async fn phone(site: &Shared) -> String {
    let code = site.guard.code().unwrap().replace(' ', "");
    let got = send(site, post("/code", OURS, "", &format!("code={code}"))).await;
    assert_eq!(got.status, StatusCode::SEE_OTHER, "{}", got.body);
    let cookie = got.headers.get("set-cookie").unwrap().to_str().unwrap();
    assert!(cookie.contains("HttpOnly") && cookie.contains("SameSite=Strict"), "{cookie}");
    cookie.split(';').next().unwrap().to_owned()
}

async fn proof(site: &Shared, cookie: &str) -> String {
    let page = send(site, get("/steps", cookie)).await;
    assert_eq!(page.status, StatusCode::OK);
    site.board.begins(1, 2, Procedure::new(&home(), Vec::new()).steps().first().unwrap());
    site.board.asks(&Question { key: "a.b".to_owned(), words: "?".to_owned(), ask: Ask::YesNo });
    let page = send(site, get("/", cookie)).await.body;
    page.split("name=\"proof\" value=\"").nth(1).unwrap().split('"').next().unwrap().to_owned()
}

fn home() -> overspill_rules::home::Home {
    let text = include_str!("../../../../examples/wren/home.toml");
    config::parse(text, Path::new("home.toml")).unwrap().home
}

#[tokio::test]
async fn a_stranger_sees_nothing_and_changes_nothing() {
    let site = shared(false);
    for path in LOOKS {
        let got = send(&site, get(path, "overspill-commissioning=guessed")).await;
        let turned_away = match path {
            "/code" => got.status == StatusCode::OK,
            "/live" | "/api/sitting" | "/api/openapi.json" => got.status == StatusCode::UNAUTHORIZED,
            _ => got.status == StatusCode::SEE_OTHER && got.headers.get("location").unwrap() == "/code",
        };
        assert!(turned_away, "{path}: {}", got.status);
    }
    for path in CHANGES {
        let got = send(&site, post(path, OURS, "", "proof=&turn=1&words=yes")).await;
        assert_eq!(got.status, StatusCode::UNAUTHORIZED, "{path}");
        assert!(got.body.contains("code that the terminal shows"), "{}", got.body);
    }
}

#[tokio::test]
async fn the_code_opens_for_one_phone_and_then_there_is_another() {
    let site = shared(false);
    let first = site.guard.code().unwrap().replace(' ', "");
    let wrong = send(&site, post("/code", OURS, "", "code=1")).await;
    assert_eq!(wrong.status, StatusCode::FORBIDDEN);
    assert!(wrong.body.contains("aria-invalid"), "{}", wrong.body);
    let cookie = phone(&site).await;
    assert_eq!(send(&site, get("/", &cookie)).await.status, StatusCode::OK);
    let again = send(&site, post("/code", OURS, "", &format!("code={first}"))).await;
    assert_eq!(again.status, StatusCode::FORBIDDEN);
    for _ in 0..4 {
        send(&site, post("/code", OURS, "", "code=2")).await;
    }
    let waits = send(&site, post("/code", OURS, "", "code=2")).await;
    assert_eq!(waits.status, StatusCode::TOO_MANY_REQUESTS);
    assert!(waits.headers.contains_key("retry-after") && waits.body.contains("Wait "));
}

#[tokio::test]
async fn every_change_brings_its_proof_and_comes_from_our_own_page() {
    for here_alone in [true, false] {
        let site = shared(here_alone);
        let cookie = if here_alone { String::new() } else { phone(&site).await };
        let proof = proof(&site, &cookie).await;
        for path in CHANGES {
            let body = format!("proof={proof}&turn=99&step=watch&words=skip");
            for origin in ["http://evil.example", "null", "", "http://127.0.0.1:8180"] {
                let got = send(&site, post(path, origin, &cookie, &body)).await;
                assert_eq!(got.status, StatusCode::FORBIDDEN, "{path} from `{origin}`");
            }
            for wrong in ["proof=&words=skip&step=watch", "proof=00&words=skip&step=watch", "words=skip"] {
                let got = send(&site, post(path, OURS, &cookie, wrong)).await;
                assert_eq!(got.status, StatusCode::FORBIDDEN, "{path} with `{wrong}`");
                assert!(got.body.contains("Nothing was taken"), "{}", got.body);
            }
        }
        let stale =
            send(&site, post("/answer", OURS, &cookie, &format!("proof={proof}&turn=99&words=yes"))).await;
        assert_eq!(stale.status, StatusCode::CONFLICT, "its proof is right, and that turn is no more");
    }
}

#[tokio::test]
async fn another_name_for_this_computer_is_turned_away() {
    let site = shared(true);
    for path in LOOKS {
        let request = Request::get(path).header("host", "evil.example:8181").body(Body::empty()).unwrap();
        assert_eq!(send(&site, request).await.status, StatusCode::MISDIRECTED_REQUEST, "{path}");
    }
    let request = Request::get("/").header("host", "localhost:8181").body(Body::empty()).unwrap();
    assert_eq!(send(&site, request).await.status, StatusCode::OK);
}

#[tokio::test]
async fn every_answer_tells_the_browser_how_little_it_may_do() {
    let site = shared(true);
    for path in LOOKS.into_iter().chain(["/nowhere", crate::web::assets::style_path(), "/icon.svg"]) {
        let got = send(&site, get(path, "")).await;
        let header =
            |name: &str| got.headers.get(name).map(|v| v.to_str().unwrap().to_owned()).unwrap_or_default();
        assert!(header("content-security-policy").starts_with("default-src 'none'"), "{path}");
        assert_eq!(
            (header("x-content-type-options").as_str(), header("server").as_str()),
            ("nosniff", ""),
            "{path}"
        );
        assert!(!got.body.contains("style=") && !got.body.contains("<script>"), "{path}: {}", got.body);
    }
}

#[tokio::test]
async fn a_caution_stands_first_and_alone() {
    let site = shared(true);
    let procedure = Procedure::new(&home(), Vec::new());
    let (place, roof) = procedure.steps().iter().enumerate().find(|(_, step)| step.id == "roof").unwrap();
    site.board.begins(place + 1, procedure.steps().len(), roof);
    let question = |key: &str, ask| Question { key: key.to_owned(), words: "Press Enter.".to_owned(), ask };
    site.board.asks(&question("caution", Ask::Done));
    let page = send(&site, get("/", "")).await.body;
    let (caution, button) = (page.find("Caution first").unwrap(), page.find("I have read this").unwrap());
    assert!(caution < button && page.contains(roof.cautions.first().unwrap().split('\'').next().unwrap()));
    assert!(!page.contains("<details class=\"caution\""));
    site.board
        .asks(&question("roof.display-w", Ask::Number { unit: "W", low: 0.0, high: 9.0, optional: true }));
    let page = send(&site, get("/", "")).await.body;
    assert!(
        page.contains("<details class=\"caution\"")
            && page.contains("Leave it out")
            && page.contains("inputmode=\"decimal\"")
    );
    assert!(page.contains("Wren &#60;Cottage&#62;") && !page.contains("<Cottage>"));
}

#[tokio::test]
async fn a_step_that_was_not_good_says_why_and_how_to_mend_it() {
    let site = shared(true);
    let procedure = Procedure::new(&home(), Vec::new());
    let step = procedure.steps().iter().find(|step| step.id == "point.grid").unwrap();
    site.board.begins(12, 30, step);
    let result = StepResult {
        id: step.id.clone(),
        title: step.title.clone(),
        at: WallTime(0),
        standing: Standing::Wrong,
        words: "It is the wrong way round.".to_owned(),
        next: "Turn it round.".to_owned(),
        readings: vec![Read { name: "x".to_owned(), value: 1.0, unit: "W" }],
        proves: Vec::new(),
        facts: Vec::new(),
    };
    let record = crate::commission::record::Record::new(
        crate::commission::record::Of {
            id: "wren".to_owned(),
            name: "Wren".to_owned(),
            address: None,
            timezone: "UTC".to_owned(),
        },
        "0".repeat(64),
        jiff::Timestamp::UNIX_EPOCH,
    );
    site.board.result(&result, &record);
    site.board.asks(&Procedure::go_on());
    let page = send(&site, get("/", "")).await.body;
    let main = page.split("<main id=\"main\">").nth(1).unwrap();
    let proof = main.split("name=\"proof\" value=\"").nth(1).unwrap().split('"').next().unwrap();
    insta::assert_snapshot!("a_verdict", main.replace(proof, "PROOF"));
}

#[tokio::test]
async fn the_sitting_is_described_as_it_is() {
    let site = shared(true);
    let told: serde_json::Value =
        serde_json::from_str(&send(&site, get("/api/sitting", "")).await.body).unwrap();
    let document: serde_json::Value =
        serde_json::from_str(&send(&site, get("/api/openapi.json", "")).await.body).unwrap();
    assert!(document["paths"]["/api/sitting"]["get"].is_object(), "{document:#}");
    let described = document["components"]["schemas"]["Sitting"]["properties"].as_object().unwrap();
    let names = |keys: &serde_json::Map<String, serde_json::Value>| keys.keys().cloned().collect::<Vec<_>>();
    let (mut said, mut known) = (names(told.as_object().unwrap()), names(described));
    said.sort();
    known.sort();
    assert_eq!(said, known);
}

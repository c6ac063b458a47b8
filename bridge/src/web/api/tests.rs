//! The document against the routes, and what the present says as JSON.
#![allow(clippy::unwrap_used)]

use std::collections::BTreeSet;

use axum::body::Body;
use axum::http::{Method, Request, StatusCode};
use overspill_rules::output::{BalanceReport, BalanceValues, Notice, Severity};
use overspill_rules::time::WallTime;
use serde_json::Value;

use crate::web::testing::{Stage, home_with_users, open_home, stage, table};

async fn json(stage: &Stage, path: &str) -> Value {
    let request = Request::get(path).header("host", "localhost").body(Body::empty()).unwrap();
    let answer = stage.send(request).await;
    assert_eq!(answer.status, StatusCode::OK, "{path}: {}", answer.body);
    assert_eq!(answer.header("content-type"), "application/json", "{path}");
    serde_json::from_str(&answer.body).unwrap()
}

#[tokio::test]
async fn the_document_tells_every_route_below_api_and_no_other() {
    let stage = stage(&open_home());
    let document = json(&stage, "/api/openapi.json").await;
    assert_eq!(document["openapi"], "3.1.0");
    let told: BTreeSet<(String, String)> = document["paths"]
        .as_object()
        .unwrap()
        .iter()
        .flat_map(|(path, methods)| {
            methods.as_object().unwrap().keys().map(|method| (path.clone(), method.to_uppercase()))
        })
        .collect();
    let there: BTreeSet<(String, String)> = table(&stage.site)
        .await
        .into_iter()
        .filter(|route| route.path.starts_with("/api"))
        .flat_map(|route| {
            let methods = route.methods.into_iter().filter(|method| *method != Method::HEAD);
            methods.map(move |method| (route.path.clone(), method.to_string())).collect::<Vec<_>>()
        })
        .collect();
    assert_eq!(told, there);
    for (path, methods) in document["paths"].as_object().unwrap() {
        for (method, operation) in methods.as_object().unwrap() {
            assert!(operation["summary"].as_str().is_some_and(|text| !text.is_empty()), "{method} {path}");
        }
    }
}

#[tokio::test]
async fn the_document_names_the_ways_to_show_a_right() {
    let document = json(&stage(&open_home()), "/api/openapi.json").await;
    let schemes = &document["components"]["securitySchemes"];
    assert_eq!(schemes["token"]["scheme"], "bearer");
    assert_eq!((&schemes["cookie"]["in"], &schemes["cookie"]["type"]), (&"cookie".into(), &"apiKey".into()));
    assert!(schemes["token"]["description"].is_string() && schemes["cookie"]["description"].is_string());
    assert_eq!(document["security"].as_array().unwrap().len(), 2);
}

/// A home that bought 300 W when it was asked.
fn known(stage: &Stage) {
    stage.facts.send_modify(|facts| {
        facts.wall = Some(WallTime(1_766_000_000_000));
        facts.connected = true;
        facts.decided = Some(std::time::Instant::now());
        let total =
            BalanceValues { grid_w: Some(300.004), import_w: Some(300.004), ..BalanceValues::default() };
        facts.balance = Some(BalanceReport { at: facts.wall, total, ..BalanceReport::default() });
        facts.take_notice(Notice {
            at: facts.wall,
            severity: Severity::Problem,
            code: "grid_stale".to_owned(),
            text: "no grid reading".to_owned(),
            about: overspill_rules::input::About::Home,
        });
    });
}

#[tokio::test]
async fn the_present_is_what_the_daemon_knows_and_null_is_not_known() {
    let stage = stage(&open_home());
    let before = json(&stage, "/api/now").await;
    assert_eq!((&before["at"], &before["balance"]["grid_w"]), (&Value::Null, &Value::Null));
    assert_eq!(before["loads"][0]["does"], Value::Null);
    known(&stage);
    let now = json(&stage, "/api/now").await;
    assert_eq!(
        (&now["home"], &now["name"], &now["connected"]),
        (&"wren".into(), &"Wren Cottage".into(), &true.into())
    );
    assert_eq!((&now["balance"]["grid_w"], &now["balance"]["solar_w"]), (&300.0.into(), &Value::Null));
    assert_eq!(now["at"], "2025-12-17T19:33:20.000Z");
    assert_eq!(now["notices"][0]["severity"], "problem");
    assert_eq!(json(&stage, "/api/health").await["meters"][0]["id"], "grid");
}

#[tokio::test]
async fn what_watches_the_program_reads_metrics_and_health() {
    let stage = stage(&home_with_users());
    let plain = |path: &str| Request::get(path).header("host", "home.lan").body(Body::empty()).unwrap();
    let ill = stage.send(plain("/healthz")).await;
    assert_eq!(ill.status, StatusCode::SERVICE_UNAVAILABLE);
    assert_eq!(ill.body, "nothing was decided for more than 30 s\n");
    known(&stage);
    let well = stage.send(plain("/healthz")).await;
    assert_eq!((well.status, well.body.as_str()), (StatusCode::OK, "at work\n"));

    assert_eq!(stage.send(plain("/metrics")).await.status, StatusCode::UNAUTHORIZED);
    let mut by_token = plain("/metrics");
    let token = format!("Bearer {}", crate::web::testing::TOKENS[0].1);
    by_token.headers_mut().insert("authorization", token.parse().unwrap());
    let answer = stage.send(by_token).await;
    assert_eq!(answer.header("content-type"), "text/plain; version=0.0.4; charset=utf-8");
    for line in [
        "overspill_at_work 1",
        "overspill_power_watts{flow=\"grid\",phase=\"all\"} 300.004",
        "overspill_notices_total{severity=\"problem\"} 1",
        "overspill_notices_total{severity=\"info\"} 0",
        "# TYPE overspill_notices_total counter",
    ] {
        assert!(answer.body.lines().any(|l| l == line), "{line} is not in\n{}", answer.body);
    }
    assert!(!answer.body.contains("flow=\"solar\""), "what is not known is left out");
    well_formed(&answer.body);
}

/// The text format 0.0.4 as its documentation has it: each family once, its TYPE before its samples, counters in
/// `_total`, names and values as they have to be.
fn well_formed(text: &str) {
    let mut families = BTreeSet::new();
    let mut family = String::new();
    for line in text.lines() {
        if let Some(rest) = line.strip_prefix("# HELP ") {
            let name = rest.split(' ').next().unwrap();
            assert!(families.insert(name.to_owned()), "{name} twice");
        } else if let Some(rest) = line.strip_prefix("# TYPE ") {
            let (name, kind) = rest.split_once(' ').unwrap();
            assert!(families.contains(name), "{name} without help");
            assert_eq!(kind == "counter", name.ends_with("_total"), "{name}");
            name.clone_into(&mut family);
        } else {
            let (series, value) = line.rsplit_once(' ').unwrap();
            let name = series.split('{').next().unwrap();
            assert_eq!(name, family, "{line}");
            assert!(
                name.bytes().all(|b| b.is_ascii_lowercase() || b.is_ascii_digit() || b == b'_'),
                "{line}"
            );
            assert!(value.parse::<f64>().is_ok(), "{line}");
        }
    }
    assert!(text.ends_with('\n') && families.len() > 10);
}

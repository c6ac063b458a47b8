//! Every route, tried by everybody.

use axum::body::Body;
use axum::http::{Method, Request, StatusCode};

use crate::web::access::Role;
use crate::web::testing::{
    Answer, Browser, HOST, Route, Stage, TOKENS, home_with_users, open_home, stage, table,
};

/// The changing routes that take a proof: all but the login, where there is no sitting yet that could have one.
fn changing(table: &[Route]) -> Vec<Route> {
    let changes = |route: &&Route| route.methods.iter().any(|method| !method.is_safe());
    table.iter().filter(changes).filter(|route| route.path != "/login").cloned().collect()
}

fn refused(answer: &Answer, route: &Route, why: &str) {
    let refused = matches!(answer.status, StatusCode::FORBIDDEN | StatusCode::UNAUTHORIZED);
    assert!(refused, "{} {why}: {} {}", route.path, answer.status, answer.body);
}

/// Whether a request got past the doors: what is asked for may be missing, but nobody was turned away.
fn let_in(answer: &Answer) -> bool {
    !matches!(answer.status, StatusCode::FORBIDDEN | StatusCode::UNAUTHORIZED)
}

async fn by_token(stage: &Stage, method: &Method, path: &str, token: &str) -> Answer {
    let request = Request::builder().method(method).uri(path).header("host", HOST);
    let request = request.header("authorization", format!("Bearer {token}"));
    stage.send(request.body(Body::empty()).unwrap()).await
}

#[tokio::test]
async fn nothing_is_seen_without_a_login() {
    let stage = stage(&home_with_users());
    for route in table(&stage.site).await.into_iter().filter(|route| route.role > Role::Nobody) {
        if !route.methods.contains(&Method::GET) {
            continue;
        }
        let answer = stage.send(Browser::stranger().get(&route.example())).await;
        let to_login =
            answer.status == StatusCode::SEE_OTHER && answer.header("location").starts_with("/login");
        assert!(to_login || answer.status == StatusCode::UNAUTHORIZED, "{} {}", route.path, answer.status);
        assert!(!answer.body.contains("Wren"), "{}", route.path);
        let wrong = by_token(&stage, &Method::GET, &route.example(), &"0".repeat(40)).await;
        assert_eq!(wrong.status, StatusCode::UNAUTHORIZED, "{}", route.path);
        assert!(!wrong.body.contains("Wren"), "{}", route.path);
    }
    let nowhere = stage.send(Browser::stranger().get("/nowhere")).await;
    assert!(nowhere.status == StatusCode::NOT_FOUND && !nowhere.body.contains("Wren"));
}

#[tokio::test]
async fn every_changing_route_refuses_without_role_without_proof_and_from_elsewhere() {
    let stage = stage(&home_with_users());
    let all = table(&stage.site).await;
    let users = [
        (Role::View, stage.log_in("vera").await),
        (Role::Operate, stage.log_in("otto").await),
        (Role::Configure, stage.log_in("anna").await),
    ];
    let routes = changing(&all);
    assert!(!routes.is_empty());
    for route in &routes {
        assert_eq!(
            route.methods.iter().filter(|method| !method.is_safe()).collect::<Vec<_>>(),
            [Method::POST],
            "what changes something is a POST: {}",
            route.path
        );
        assert!(route.role > Role::Nobody, "{} stands with what everybody may", route.path);
        let path = route.example();
        refused(&stage.send(Browser::stranger().post(&path, "")).await, route, "without a login");
        let ours = format!("http://{HOST}");
        for (role, browser) in &users {
            let with_proof = format!("proof={}", browser.proof);
            if *role < route.role {
                refused(&stage.send(browser.post(&path, "")).await, route, "without its role");
                continue;
            }
            refused(&stage.send(browser.form(&path, &ours, "")).await, route, "without proof");
            refused(&stage.send(browser.form(&path, &ours, "proof=")).await, route, "with an empty proof");
            let others = &users.iter().find(|(other, _)| other != role).unwrap().1.proof;
            let stolen = stage.send(browser.form(&path, &ours, &format!("proof={others}"))).await;
            refused(&stolen, route, "with another sitting's proof");
            for origin in ["http://evil.example", "null", "http://home.lan:9999", "https://home.lan"] {
                let answer = stage.send(browser.form(&path, origin, &with_proof)).await;
                refused(&answer, route, origin);
            }
            let mut silent = browser.post(&path, "");
            silent.headers_mut().remove("origin");
            refused(&stage.send(silent).await, route, "that does not say where it is from");
            let mut embedded = browser.post(&path, "");
            embedded.headers_mut().insert("sec-fetch-site", "cross-site".parse().unwrap());
            refused(&stage.send(embedded).await, route, "sent by another site");
        }
        for (word, token) in TOKENS {
            let role = Role::of(word).unwrap();
            let answer = by_token(&stage, &Method::POST, &path, token).await;
            assert_eq!(
                let_in(&answer),
                role >= route.role,
                "{} by the token of {word}: {answer:?}",
                route.path
            );
        }
    }
}

#[tokio::test]
async fn who_has_role_and_proof_gets_through_and_an_ended_sitting_does_not() {
    let stage = stage(&home_with_users());
    for route in changing(&table(&stage.site).await) {
        let path = route.example();
        let browser = stage.log_in("anna").await;
        let answer = stage.send(browser.post(&path, "")).await;
        assert!(let_in(&answer), "{path}: {answer:?}");
        let browser = stage.log_in("anna").await;
        let mut by_header = browser.form(&path, &format!("http://{HOST}"), "");
        by_header.headers_mut().insert("x-overspill-proof", browser.proof.parse().unwrap());
        let answer = stage.send(by_header).await;
        assert!(let_in(&answer), "{path}: {answer:?}");

        let browser = stage.log_in("anna").await;
        stage.send(browser.post("/logout", "")).await;
        refused(&stage.send(browser.post(&path, "")).await, &route, "after the logout");
    }
}

#[tokio::test]
async fn a_home_without_users_is_shown_on_its_computer_alone() {
    let stage = stage(&open_home());
    let at = |host: &str, path: &str| Request::get(path).header("host", host).body(Body::empty()).unwrap();
    for host in ["localhost:8180", "127.0.0.1:8180", "[::1]:8180"] {
        assert_eq!(stage.send(at(host, "/")).await.status, StatusCode::OK, "{host}");
    }
    for route in table(&stage.site).await {
        for host in [HOST, "evil.example", "192.168.1.5:8180"] {
            let answer = stage.send(at(host, &route.example())).await;
            assert_eq!(answer.status, StatusCode::MISDIRECTED_REQUEST, "{host}{}", route.path);
            assert!(!answer.body.contains("Wren"));
        }
    }
    let visitor = stage.send(at("localhost:8180", "/api/visitor")).await.body;
    let visitor: serde_json::Value = serde_json::from_str(&visitor).unwrap();
    assert_eq!(visitor["role"], "configure");
    let post = |origin: &str, proof: &str| {
        let request =
            Request::post("/logout").header("host", "localhost:8180").header("origin", origin.to_owned());
        let request = request.header("content-type", "application/x-www-form-urlencoded");
        request.body(Body::from(format!("proof={proof}"))).unwrap()
    };
    let proof = visitor["proof"].as_str().unwrap();
    let ours = "http://localhost:8180";
    assert_eq!(stage.send(post(ours, proof)).await.status, StatusCode::SEE_OTHER);
    assert_eq!(stage.send(post(ours, "x")).await.status, StatusCode::FORBIDDEN);
    assert_eq!(stage.send(post("http://localhost:3000", proof)).await.status, StatusCode::FORBIDDEN);
}

#[tokio::test]
async fn every_answer_tells_the_browser_how_little_it_may_do() {
    let stage = stage(&home_with_users());
    let browser = stage.log_in("vera").await;
    for route in table(&stage.site).await {
        for asking in [&browser, &Browser::stranger()] {
            let answer = stage.send(asking.get(&route.example())).await;
            let policy = answer.header("content-security-policy");
            assert!(
                policy.starts_with("default-src 'none'; ") && !policy.contains("unsafe"),
                "{}",
                route.path
            );
            assert_eq!(answer.header("x-content-type-options"), "nosniff", "{}", route.path);
            assert_eq!(answer.header("cross-origin-opener-policy"), "same-origin", "{}", route.path);
            assert!(!answer.header("cache-control").is_empty(), "{}", route.path);
            assert!(!answer.headers.contains_key("server"), "{}", route.path);
            let page = answer.header("content-type").starts_with("text/html");
            assert!(!page || answer.header("cache-control") == "no-store", "{}", route.path);
        }
    }
}

#[tokio::test]
async fn too_large_and_too_slow_requests_are_refused() {
    let stage = stage(&home_with_users());
    let browser = stage.log_in("anna").await;
    for route in changing(&table(&stage.site).await) {
        let large = "x".repeat(300 * 1024);
        let answer = stage.send(browser.post(&route.example(), &large)).await;
        assert_eq!(answer.status, StatusCode::PAYLOAD_TOO_LARGE, "{}", route.path);

        let mut never = browser.post(&route.example(), "");
        *never.body_mut() =
            Body::from_stream(tokio_stream::pending::<Result<&'static str, std::io::Error>>());
        assert_eq!(stage.send(never).await.status, StatusCode::REQUEST_TIMEOUT, "{}", route.path);

        let endless = tokio_stream::iter((0..100).map(|_| Ok::<_, std::io::Error>("x".repeat(4096))));
        let mut unannounced = browser.post(&route.example(), "");
        *unannounced.body_mut() = Body::from_stream(endless);
        assert_eq!(stage.send(unannounced).await.status, StatusCode::PAYLOAD_TOO_LARGE, "{}", route.path);
    }
}

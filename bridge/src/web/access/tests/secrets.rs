//! Nothing secret comes out, whoever asks and whatever goes wrong.

use std::io::Write;
use std::sync::{Arc, Mutex};

use axum::body::Body;
use axum::http::{Method, Request};
use tracing_subscriber::fmt::MakeWriter;

use crate::web::testing::{
    Browser, HOST, PASSWORD, SECRETS, Stage, TOKENS, hash, home_with_users, login, stage, table,
};

/// A log that is kept.
#[derive(Debug, Clone, Default)]
struct Kept(Arc<Mutex<Vec<u8>>>);

impl Write for Kept {
    fn write(&mut self, bytes: &[u8]) -> std::io::Result<usize> {
        self.0.lock().unwrap().extend_from_slice(bytes);
        Ok(bytes.len())
    }

    fn flush(&mut self) -> std::io::Result<()> {
        Ok(())
    }
}

impl<'w> MakeWriter<'w> for Kept {
    type Writer = Kept;

    fn make_writer(&'w self) -> Kept {
        self.clone()
    }
}

/// Whatever `stage` must not tell.
fn secrets() -> Vec<String> {
    let tokens = TOKENS.iter().map(|(_, token)| (*token).to_owned());
    SECRETS
        .iter()
        .map(|secret| (*secret).to_owned())
        .chain(tokens)
        .chain([hash(), "argon2id".to_owned()])
        .collect()
}

async fn everything(stage: &Stage) -> Vec<(String, String)> {
    let mut said = Vec::new();
    let users = [
        Browser::stranger(),
        stage.log_in("vera").await,
        stage.log_in("otto").await,
        stage.log_in("anna").await,
    ];
    for route in table(&stage.site).await {
        let path = route.example();
        for browser in &users {
            for query in ["", "?from=x&to=%00", "?next=//x"] {
                let answer = stage.send(browser.get(&format!("{path}{query}"))).await;
                said.push((path.clone(), format!("{:?}{}", answer.headers, answer.body)));
            }
            if path != "/logout" {
                let answer = stage.send(browser.post(&path, "text=%ff&name=x&want=on")).await;
                said.push((path.clone(), answer.body));
            }
        }
        for (_, token) in TOKENS {
            for method in [Method::GET, Method::PUT, Method::DELETE] {
                let request = Request::builder().method(method).uri(&path).header("host", HOST);
                let request = request.header("authorization", format!("Bearer {token}"));
                let answer = stage.send(request.body(Body::empty()).unwrap()).await;
                said.push((path.clone(), answer.body));
            }
        }
    }
    for (name, password) in [("anna", "wrong"), (PASSWORD, "wrong"), ("nobody", PASSWORD), ("anna", PASSWORD)]
    {
        let answer = stage.send(login(name, password)).await;
        // What somebody typed as a name is shown again to the same.
        let typed = name.replace(' ', "+");
        said.push(("/login".to_owned(), answer.body.replace(name, "").replace(&typed, "")));
    }
    said
}

#[tokio::test]
async fn no_answer_and_no_line_of_the_log_holds_a_secret() {
    let log = Kept::default();
    let subscriber = tracing_subscriber::fmt()
        .with_ansi(false)
        .with_max_level(tracing::Level::TRACE)
        .with_writer(log.clone())
        .finish();
    let logging = tracing::subscriber::set_default(subscriber);
    let stage = stage(&home_with_users());
    let mut said = everything(&stage).await;
    std::fs::write(stage.folder.path().join("anna.hash"), "not-a-hash-but-secret").unwrap();
    std::fs::write(stage.folder.path().join("view.token"), "short-secret").unwrap();
    stage.site.access.book.forget().await;
    let ask = Request::get("/api/now").header("host", HOST).header("authorization", "Bearer short-secret");
    said.push(("/api/now".to_owned(), stage.send(ask.body(Body::empty()).unwrap()).await.body));
    drop(logging);
    let log = String::from_utf8(log.0.lock().unwrap().clone()).unwrap();
    assert!(log.contains("logged in to the page") && log.contains("[user.anna] can't be used"), "{log}");
    for secret in secrets().iter().map(String::as_str).chain(["not-a-hash-but-secret", "short-secret"]) {
        for (path, text) in &said {
            assert!(!text.contains(secret), "{path} tells {secret}");
        }
        assert!(!log.contains(secret), "the log tells {secret}:\n{log}");
    }
}

#[test]
fn a_configuration_printed_for_debugging_tells_nothing_either() {
    let (parts, ..) = crate::web::testing::parts(&home_with_users());
    let printed = format!("{:?}", parts.config);
    for secret in secrets() {
        assert!(!printed.contains(&secret), "{secret}");
    }
}

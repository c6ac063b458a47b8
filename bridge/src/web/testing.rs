//! What tests of the page share: a home with users and tokens, requests as a browser sends them, and every route.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use std::sync::Arc;
use std::time::Duration;

use axum::Router;
use axum::body::{Body, to_bytes};
use axum::http::{HeaderMap, Method, Request, StatusCode};
use tempfile::TempDir;
use tokio::sync::{mpsc, watch};
use tower::ServiceExt;

use super::access::Role;
use super::routes;
use super::serve::{Limits, Parts};
use super::site::{Shared, Site};
use crate::config::{self, Config};
use crate::daemon::{Ask, Facts, HomeClock, asks};
use crate::store::StoreHandle;

/// Where the page of the tests is.
pub(crate) const HOST: &str = "home.lan:8180";

/// The password of all users: "correct horse battery", hashed with little, so that tests are quick.
pub(crate) const PASSWORD: &str = "correct horse battery";

/// The tokens of the programs, by their role.
pub(crate) const TOKENS: [(&str, &str); 3] = [
    ("view", "token-of-viewer-0123456789abcdef0123456789"),
    ("operate", "token-of-operator-0123456789abcdef012345"),
    ("configure", "token-of-tinkerer-0123456789abcdef012345"),
];

/// Some words that must never come out.
pub(crate) const SECRETS: [&str; 3] = ["mqtt-secret-7f3a", "influx-secret-9c1d", PASSWORD];

const HOME: &str = r#"
[home]
id = "wren"
name = "Wren Cottage"
timezone = "Europe/London"

[supply]
rating_a = 60

[mqtt]
url = "mqtt://127.0.0.1:1883"
user = "overspill"
password_file = "mqtt.password"

[influxdb]
url = "http://127.0.0.1:8086"
org = "home"
bucket = "power"
token_file = "influx.token"

[point.grid]
measures = "grid"
topic = "house/grid"
unit = "W"
positive = "import"

[load.water]
kind = "modulated"
topic = "tank/heater/wanted"
send = "watts"
ceiling_w = 3000
fallback = "off"
device_timeout = "2m"
"#;

/// A home for a test.
pub(crate) struct Stage {
    pub(crate) site: Shared,
    pub(crate) router: Router,
    pub(crate) facts: watch::Sender<Facts>,
    pub(crate) folder: TempDir,
}

/// An answer.
#[derive(Debug)]
pub(crate) struct Answer {
    pub(crate) status: StatusCode,
    pub(crate) headers: HeaderMap,
    pub(crate) body: String,
}

impl Answer {
    pub(crate) fn header(&self, name: &str) -> &str {
        self.headers.get(name).map_or("", |value| value.to_str().unwrap())
    }
}

/// The hash of the tests' password.
pub(crate) fn hash() -> String {
    hash_of(PASSWORD)
}

/// A hash of `password`.
pub(crate) fn hash_of(password: &str) -> String {
    use argon2::password_hash::{PasswordHasher, SaltString};
    let salt = SaltString::encode_b64(b"salt of a test").unwrap();
    let quick = argon2::Params::new(64, 1, 1, None).unwrap();
    argon2::Argon2::from(quick).hash_password(password.as_bytes(), &salt).unwrap().to_string()
}

/// The parts of a page for a home file, which finds its secrets and rules beside it.
pub(crate) fn parts(home: &str) -> (Parts, watch::Sender<Facts>, mpsc::Receiver<Ask>, TempDir) {
    let folder = tempfile::tempdir().unwrap();
    let write = |name: &str, text: &str| std::fs::write(folder.path().join(name), text).unwrap();
    write("mqtt.password", SECRETS[0]);
    write("influx.token", SECRETS[1]);
    write("anna.hash", &hash());
    for (role, token) in TOKENS {
        write(&format!("{role}.token"), token);
    }
    std::fs::create_dir(folder.path().join("rules")).unwrap();
    write("rules/water.rhai", "fn decide(home) { home.load(\"water\").take_spare(\"spare solar\"); }\n");
    let file = folder.path().join("home.toml");
    std::fs::write(&file, home).unwrap();
    let config: Config = config::read(&file).unwrap();
    let (facts, seen) = watch::channel(Facts::new(&config.home));
    let (asker, asked) = asks();
    let parts = Parts {
        config: Arc::new(config),
        facts: seen,
        asker,
        clock: HomeClock::real(),
        store: StoreHandle::none(),
        forwarding: None,
    };
    (parts, facts, asked, folder)
}

/// A home on loopback without users.
pub(crate) fn open_home() -> String {
    HOME.to_owned()
}

/// A home with the users vera (view), otto (operate) and anna (configure, her hash in a file), and a token for each role.
pub(crate) fn home_with_users() -> String {
    let (mut home, hash) = (HOME.to_owned(), hash());
    home.push_str(&format!("\n[user.vera]\nrole = \"view\"\npassword_hash = \"{hash}\"\n"));
    home.push_str(&format!("\n[user.otto]\nrole = \"operate\"\npassword_hash = \"{hash}\"\n"));
    home.push_str("\n[user.anna]\nrole = \"configure\"\npassword_hash_file = \"anna.hash\"\n");
    for (role, _) in TOKENS {
        home.push_str(&format!("\n[token.{role}]\nrole = \"{role}\"\ntoken_file = \"{role}.token\"\n"));
    }
    home
}

/// A page for the home file `home`, whose daemon refuses whatever it is asked.
pub(crate) fn stage(home: &str) -> Stage {
    let (parts, facts, mut asked, folder) = parts(home);
    tokio::spawn(async move {
        while let Some(ask) = asked.recv().await {
            ask.answer(Err("nothing is commanded in this test".to_owned()));
        }
    });
    let limits = Limits { body_within: Duration::from_millis(200), ..Limits::default() };
    let site = Site::new(parts, limits).unwrap();
    Stage { router: routes::all(&site), site, facts, folder }
}

impl Stage {
    /// Sends a request and reads the whole answer, or the first of one that goes on.
    pub(crate) async fn send(&self, request: Request<Body>) -> Answer {
        let response = self.router.clone().oneshot(request).await.unwrap();
        let (parts, body) = response.into_parts();
        let endless = parts.headers.get("content-type").is_some_and(|kind| kind == "text/event-stream");
        let body = if endless { Vec::new() } else { to_bytes(body, 1 << 22).await.unwrap().to_vec() };
        Answer { status: parts.status, headers: parts.headers, body: String::from_utf8(body).unwrap() }
    }

    /// Logs a user in and gives the browser.
    pub(crate) async fn log_in(&self, name: &str) -> Browser {
        let answer = self.send(login(name, PASSWORD)).await;
        assert_eq!(answer.status, StatusCode::SEE_OTHER, "{}", answer.body);
        let cookie = answer.header("set-cookie").split(';').next().unwrap().to_owned();
        let mut browser = Browser { cookie, proof: String::new() };
        let told = self.send(browser.get("/api/visitor")).await.body;
        let told: serde_json::Value = serde_json::from_str(&told).unwrap();
        told["proof"].as_str().unwrap().clone_into(&mut browser.proof);
        browser
    }
}

/// A browser that is logged in.
#[derive(Debug, Clone)]
pub(crate) struct Browser {
    pub(crate) cookie: String,
    pub(crate) proof: String,
}

impl Browser {
    /// A browser that is not.
    pub(crate) fn stranger() -> Browser {
        Browser { cookie: "x=y".to_owned(), proof: String::new() }
    }

    pub(crate) fn get(&self, path: &str) -> Request<Body> {
        let request = Request::get(path).header("host", HOST).header("cookie", &self.cookie);
        request.body(Body::empty()).unwrap()
    }

    /// A form as one of our pages sends it: with its origin, and the proof beside `fields`.
    pub(crate) fn post(&self, path: &str, fields: &str) -> Request<Body> {
        self.form(path, &format!("http://{HOST}"), &format!("proof={}&{fields}", self.proof))
    }

    /// A form with any origin, without proof unless `fields` has it.
    pub(crate) fn form(&self, path: &str, origin: &str, fields: &str) -> Request<Body> {
        let request = Request::post(path).header("host", HOST).header("cookie", &self.cookie);
        let request = request.header("content-type", "application/x-www-form-urlencoded");
        request.header("origin", origin).body(Body::from(fields.to_owned())).unwrap()
    }
}

/// What the form of the login sends.
pub(crate) fn login(name: &str, password: &str) -> Request<Body> {
    let fields = format!("name={name}&password={}&next=/", password.replace(' ', "+"));
    Browser::stranger().form("/login", &format!("http://{HOST}"), &fields)
}

/// A route as it stands in the table.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Route {
    pub(crate) role: Role,
    /// As axum writes it, `/loads/{id}`.
    pub(crate) path: String,
    pub(crate) methods: Vec<Method>,
}

impl Route {
    /// A path that leads there.
    pub(crate) fn example(&self) -> String {
        let parts = self.path.split('/').map(|part| if part.starts_with('{') { "water" } else { part });
        parts.collect::<Vec<_>>().join("/")
    }
}

/// Every route of the groups in `routes.rs`. axum tells the paths of a router when it is printed for debugging, and a
/// path's methods when it is asked for one that it does not have.
pub(crate) async fn table(site: &Shared) -> Vec<Route> {
    let mut table = Vec::new();
    for (role, group) in routes::groups() {
        let printed = format!("{group:?}");
        let own = printed.split("fallback_router").next().unwrap();
        let paths = own.split("RouteId(").filter_map(|rest| {
            let (number, rest) = rest.split_once("): \"")?;
            number.parse::<u32>().ok()?;
            Some(rest.split('"').next()?.to_owned())
        });
        let router: Router = group.with_state(Shared::clone(site));
        for path in paths.collect::<Vec<_>>() {
            let mut route = Route { role, path, methods: Vec::new() };
            let probe = Request::builder().method("PROBE").uri(route.example()).body(Body::empty()).unwrap();
            let answer = router.clone().oneshot(probe).await.unwrap();
            assert_eq!(answer.status(), StatusCode::METHOD_NOT_ALLOWED, "{}", route.path);
            let allowed = answer.headers()["allow"].to_str().unwrap();
            route.methods = allowed.split(',').map(|method| method.parse().unwrap()).collect();
            table.push(route);
        }
    }
    assert!(table.len() > 10, "axum prints routers in another way now: {table:?}");
    table
}

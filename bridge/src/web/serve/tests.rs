//! Viewers that behave badly, over real sockets, with short limits.
#![allow(clippy::unwrap_used, clippy::expect_used)]

use std::net::{Ipv4Addr, SocketAddr};
use std::time::Instant;

use axum::body::Body;
use axum::routing::get;
use overspill_rules::time::WallTime;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::time::{sleep, timeout};

use super::*;
use crate::daemon::Facts;
use crate::web::testing::{home_with_users, open_home, parts};

const ANYWHERE: SocketAddr = SocketAddr::new(std::net::IpAddr::V4(Ipv4Addr::LOCALHOST), 0);

const SHORT: Limits = Limits {
    takes_within: Duration::from_millis(300),
    head_within: Duration::from_millis(300),
    body_within: Duration::from_millis(300),
    connections: 4,
    each_address: 2,
};

/// Whatever is waited for comes within this.
const SOON: Duration = Duration::from_secs(2);

struct Served {
    page: Page,
    facts: watch::Sender<Facts>,
    // The home's files and the daemon's end of the asking, for as long as it is served.
    _kept: Box<dyn std::any::Any>,
}

async fn served(home: &str) -> Served {
    let (parts, facts, asked, folder) = parts(home);
    let page = Page::start_within(parts, ANYWHERE, SHORT).await.unwrap();
    Served { page, facts, _kept: Box::new((asked, folder)) }
}

async fn connect(address: SocketAddr) -> TcpStream {
    TcpStream::connect(address).await.unwrap()
}

/// What comes until the other end closes.
async fn rest(stream: &mut TcpStream) -> String {
    let mut all = Vec::new();
    let _ = timeout(SOON, stream.read_to_end(&mut all)).await.expect("it is closed soon");
    String::from_utf8(all).unwrap()
}

/// What is answered to these bytes.
async fn answer(address: SocketAddr, bytes: &[u8]) -> String {
    let mut stream = connect(address).await;
    // The answer may come, and the connection be closed, before all is sent.
    let _ = stream.write_all(bytes).await;
    rest(&mut stream).await
}

fn status(answer: &str) -> &str {
    answer.split(' ').nth(1).unwrap_or(answer)
}

#[tokio::test]
async fn malformed_requests_are_answered_with_4xx() {
    let served = served(&open_home()).await;
    let address = served.page.address();
    let host = "Host: localhost\r\nConnection: close\r\n";
    for (bytes, expected) in [
        ("\u{16}\u{3}\u{1}\r\n\r\n".to_owned(), "400"),
        ("nonsense\r\n\r\n".to_owned(), "400"),
        (format!("GET\r\n{host}\r\n"), "400"),
        (format!("GET / HTTP/9.9\r\n{host}\r\n"), "400"),
        (format!("GET / HTTP/1.1\r\n{host}bad header\r\n\r\n"), "400"),
        (format!("POST /logout HTTP/1.1\r\n{host}Content-Length: -1\r\n\r\n"), "400"),
        (format!("POST /logout HTTP/1.1\r\n{host}Content-Length: 1\r\nContent-Length: 2\r\n\r\nab"), "400"),
        ("GET / HTTP/1.1\r\nConnection: close\r\n\r\n".to_owned(), "421"),
        (format!("GET / HTTP/1.1\r\nHost: localhost\r\n{host}\r\n"), "421"),
        (format!("GET /nowhere HTTP/1.1\r\n{host}\r\n"), "404"),
        (format!("GET /%ff%00/../x HTTP/1.1\r\n{host}\r\n"), "404"),
        // Whatever does not only read takes a proof, also what is not there.
        (format!("DELETE / HTTP/1.1\r\n{host}\r\n"), "403"),
        (format!("GET / HTTP/1.1\r\n{host}\r\n"), "200"),
    ] {
        let answer = answer(address, bytes.as_bytes()).await;
        assert_eq!(status(&answer), expected, "{bytes:?}: {answer}");
        assert!(!answer.to_lowercase().contains("\r\nserver:"), "{answer}");
    }
}

#[tokio::test]
async fn oversized_heads_and_bodies_are_refused() {
    let served = served(&open_home()).await;
    let address = served.page.address();
    let long = format!("GET / HTTP/1.1\r\nHost: localhost\r\nX: {}\r\n\r\n", "x".repeat(2 * HEAD_BYTES));
    assert_eq!(status(&answer(address, long.as_bytes()).await), "431");
    let many = format!("GET / HTTP/1.1\r\nHost: localhost\r\n{}\r\n", "X: y\r\n".repeat(200));
    assert_eq!(status(&answer(address, many.as_bytes()).await), "431");
    let path = format!("GET /{} HTTP/1.1\r\nHost: localhost\r\n\r\n", "x".repeat(2 * HEAD_BYTES));
    assert!(matches!(status(&answer(address, path.as_bytes()).await), "431" | "414"));
    let body = "POST /logout HTTP/1.1\r\nHost: localhost\r\nOrigin: http://localhost\r\nConnection: close\r\n\
                Content-Length: 99999999\r\n\r\n";
    assert_eq!(status(&answer(address, body.as_bytes()).await), "413");
}

#[tokio::test]
async fn requests_that_never_end_are_ended() {
    let served = served(&open_home()).await;
    let address = served.page.address();
    let began = Instant::now();
    let mut never = connect(address).await;
    never.write_all(b"GET / HTTP/1.1\r\nHost: local").await.unwrap();
    let mut trickle = connect(address).await;
    let drops = async {
        // One header after the other, each in time, the whole never.
        while trickle.write_all(b"X: y\r\n").await.is_ok() {
            sleep(Duration::from_millis(50)).await;
        }
    };
    timeout(SOON, drops).await.expect("it is closed soon");
    rest(&mut never).await;
    let mut idle = connect(address).await;
    rest(&mut idle).await;
    let body =
        b"POST /logout HTTP/1.1\r\nHost: localhost\r\nOrigin: http://localhost\r\nConnection: close\r\n\
                 Content-Length: 10\r\n\r\nproof";
    assert_eq!(status(&answer(address, body).await), "408");
    assert!(began.elapsed() < 2 * SOON);
}

#[tokio::test]
async fn a_viewer_that_stops_reading_is_dropped() {
    let listener = TcpListener::bind(ANYWHERE).await.unwrap();
    let address = listener.local_addr().unwrap();
    let endless = || async {
        let pieces = std::iter::repeat_with(|| Ok::<_, std::io::Error>("x".repeat(64 * 1024)));
        Body::from_stream(tokio_stream::iter(pieces))
    };
    let router = Router::new().route("/endless", get(endless));
    let (_end, ended) = watch::channel(false);
    let crowd = Crowd::default();
    tokio::spawn(serve(listener, router, (SHORT, crowd.clone()), ended));
    let ask = b"GET /endless HTTP/1.1\r\nHost: localhost\r\n\r\n";

    let mut reads = connect(address).await;
    reads.write_all(ask).await.unwrap();
    let mut stops = connect(address).await;
    stops.write_all(ask).await.unwrap();
    // One goes on reading for longer than the other is waited for.
    let (began, mut piece) = (Instant::now(), vec![0; 64 * 1024]);
    while began.elapsed() < Duration::from_millis(100) || crowd.size() > 1 {
        assert!(reads.read(&mut piece).await.unwrap() > 0);
        assert!(began.elapsed() < SOON, "nobody was dropped");
    }
    assert!(reads.read(&mut piece).await.unwrap() > 0, "who reads stays");
    assert_eq!(crowd.size(), 1);
}

#[tokio::test]
async fn a_live_page_stays_however_long_it_says_nothing() {
    let served = served(&open_home()).await;
    let mut viewer = connect(served.page.address()).await;
    viewer.write_all(b"GET /live HTTP/1.1\r\nHost: localhost\r\n\r\n").await.unwrap();
    let mut piece = vec![0; 64 * 1024];
    let mut seen = String::new();
    while !seen.contains("event: present") {
        let got = timeout(SOON, viewer.read(&mut piece)).await.unwrap().unwrap();
        assert!(got > 0, "{seen}");
        seen.push_str(&String::from_utf8_lossy(&piece[..got]));
    }
    sleep(3 * SHORT.head_within).await;
    served.facts.send_modify(|facts| {
        facts.connected = true;
        facts.wall = Some(WallTime(1_766_000_000_000));
    });
    let mut later = String::new();
    while !later.contains("event: present") {
        let got = timeout(SOON, viewer.read(&mut piece)).await.unwrap().unwrap();
        assert!(got > 0, "it was cut: {later}");
        later.push_str(&String::from_utf8_lossy(&piece[..got]));
    }
    // A page that somebody looks at does not hold up the end.
    let began = Instant::now();
    served.page.end().await;
    assert!(began.elapsed() < SOON);
    rest(&mut viewer).await;
}

#[tokio::test]
async fn connections_are_bounded_and_one_too_many_is_told() {
    let served = served(&home_with_users()).await;
    let address = served.page.address();
    let mut all = Vec::new();
    for _ in 0..SHORT.connections {
        all.push(connect(address).await);
    }
    let told = rest(&mut connect(address).await).await;
    assert!(told.starts_with("HTTP/1.1 503 ") && told.contains("Retry-After: 10"), "{told}");
    let (head, body) = told.split_once("\r\n\r\n").unwrap();
    assert!(head.contains(&format!("Content-Length: {}", body.len())), "{told}");
    drop(all);
    let began = Instant::now();
    loop {
        let answer = answer(address, b"GET /login HTTP/1.1\r\nHost: x\r\nConnection: close\r\n\r\n").await;
        if status(&answer) == "200" {
            break;
        }
        assert!(began.elapsed() < SOON, "{answer}");
    }
}

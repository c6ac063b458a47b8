//! Every answer of a database is handled as documented, and no point is lost or wrongly dropped.

use std::sync::Arc;
use std::time::Duration;

use overspill::config::SecretSource;
use overspill::store::outbox::Outbox;
use overspill_tests::writes::{Reply, Writes};
use rusqlite::Connection;

use crate::record::{Record, parsed};

/// Everything of `record` arrives although the database begins as in `script`; gives the server.
fn all_arrives(script: Vec<Reply>) -> Writes {
    let server = Writes::start(script);
    let mut record = Record::new(server.port());
    record.seconds(0, 600);
    record.energy(record.start, 0.25);
    record.end(3_700_000);
    let forwarder = record.forward();
    let lines = server.until_lines(record.lines());
    assert_eq!(parsed(&lines), record.expected);
    assert!(forwarder.stop(Duration::from_secs(5)));
    assert_eq!(set_aside(&record), Vec::<(String, String)>::new());
    server
}

fn set_aside(record: &Record) -> Vec<(String, String)> {
    let conn = Connection::open(record.path()).unwrap();
    let mut query = conn.prepare("SELECT line, reason FROM set_aside ORDER BY id").unwrap();
    query.query_map([], |r| Ok((r.get(0)?, r.get(1)?))).unwrap().map(Result::unwrap).collect()
}

#[test]
fn a_good_database_gets_everything_once_and_as_documented() {
    let server = all_arrives(Vec::new());
    let held = server.held();
    let all: usize = held.requests.iter().map(|r| r.lines.len()).sum();
    assert_eq!(all, held.lines.len(), "nothing is sent twice without need");
    let head = &held.requests[0].head;
    assert_eq!(head, "POST /api/v2/write?bucket=power%2F1&org=the+home+%26+garden&precision=ms HTTP/1.1");
    assert!(held.requests[0].authorization.is_none());
}

#[test]
fn failures_that_pass_lose_nothing() {
    let server = all_arrives(vec![
        Reply::Status(500, "", "oh"),
        Reply::Fair,
        Reply::Status(503, "", ""),
        Reply::CutRequest,
        Reply::CutAnswer,
        Reply::Status(408, "", ""),
        Reply::Fair,
    ]);
    assert!(server.held().requests.len() >= 7);
}

#[test]
fn a_slow_database_is_given_up_and_asked_again() {
    let server = all_arrives(vec![Reply::Slow(Duration::from_secs(6)), Reply::Fair]);
    let held = server.held();
    assert_eq!(held.requests[0].lines, held.requests[1].lines);
    let waited = held.requests[1].at - held.requests[0].at;
    assert!(waited >= Duration::from_secs(2) && waited < Duration::from_secs(5), "{waited:?}");
}

#[test]
fn retry_after_is_kept_to() {
    let wait = Reply::Status(429, "Retry-After: 2\r\n", "slowly");
    let server = all_arrives(vec![wait.clone(), wait, Reply::Fair]);
    let held = server.held();
    // The first answer came through the client that drops the header: our own pause.
    let own = held.requests[1].at - held.requests[0].at;
    let asked = held.requests[2].at - held.requests[1].at;
    assert!(own >= Duration::from_secs(5), "{own:?}");
    assert!(asked >= Duration::from_secs(2) && asked < Duration::from_secs(5), "{asked:?}");
}

#[test]
fn batches_that_are_too_large_are_halved() {
    let server = Writes::start([]);
    server.held().most_lines = Some(70);
    let mut record = Record::new(server.port());
    record.seconds(0, 600);
    record.end(700_000);
    let _forwarder = record.forward();
    assert_eq!(parsed(&server.until_lines(record.lines())), record.expected);
}

#[test]
fn the_offending_point_is_set_aside_and_all_others_go_on() {
    let server = Writes::start([]);
    let mut record = Record::new(server.port());
    let bad_at = (record.start + overspill_rules::time::Span::seconds(123)).0;
    let bad = format!("power_w=4625 {bad_at}");
    server.held().bad = Some(bad.clone());
    record.seconds(0, 600);
    record.end(700_000);
    let mut forwarder = record.forward();
    let lines = server.until_lines(record.lines() - 1);
    let mut expected = record.expected.clone();
    let gone = expected.get_mut("grid,home=wren,point=grid power_w").unwrap().remove(&bad_at);
    assert_eq!(gone, Some(4625.0));
    assert_eq!(parsed(&lines), expected);
    let notice = block_on(forwarder.notice()).unwrap();
    assert_eq!(notice.code, "influxdb_set_aside");
    assert!(notice.text.contains(&bad), "{}", notice.text);
    assert!(forwarder.stop(Duration::from_secs(5)));
    let aside = set_aside(&record);
    assert_eq!(aside.len(), 1);
    assert!(aside[0].0.ends_with(&bad) && aside[0].1.contains("unable to parse"), "{aside:?}");
}

#[test]
fn what_a_person_must_mend_keeps_everything_and_says_how() {
    for (status, word, mend) in [
        (401, "denied", "token"),
        (403, "denied", "token"),
        (404, "not_found", "bucket"),
        (200, "no_database", "url"),
    ] {
        let server = Writes::start([Reply::Status(status, "", r#"{"message":"no"}"#)]);
        let mut record = Record::new(server.port());
        record.seconds(0, 100);
        record.end(700_000);
        let mut forwarder = record.forward();
        let notice = block_on(forwarder.notice()).unwrap();
        assert_eq!(notice.code, "influxdb_trouble");
        assert!(notice.text.contains(mend) && notice.text.contains(&status.to_string()), "{}", notice.text);
        assert_eq!(forwarder.lag().borrow().trouble.as_ref().map(|t| t.0), Some(word));
        assert!(forwarder.stop(Duration::from_secs(5)));
        assert!(server.held().lines.is_empty());
        // It is mended; the next start goes on where nothing was taken.
        let _forwarder = record.forward();
        assert_eq!(parsed(&server.until_lines(record.lines())), record.expected);
    }
}

#[test]
fn the_token_is_sent_and_never_told() {
    let server = Writes::start([Reply::Fair, Reply::Status(401, "", "")]);
    let mut record = Record::new(server.port());
    let file = record.path().with_file_name("token");
    std::fs::write(&file, "hunter2\n").unwrap();
    record.influx().token = Some(SecretSource::File(file.clone()));
    record.seconds(0, 100);
    record.end(700_000);
    let mut forwarder = record.forward();
    server.until_lines(record.lines());
    assert_eq!(server.held().requests[0].authorization.as_deref(), Some("Token hunter2"));
    record.seconds(701, 702);
    record.end(800_000);
    let notice = block_on(forwarder.notice()).unwrap();
    assert!(!format!("{notice:?} {:?} {forwarder:?}", record.config).contains("hunter2"));
    // A token that can't be had is told by its file, and nothing is sent.
    assert!(forwarder.stop(Duration::from_secs(5)));
    std::fs::remove_file(&file).unwrap();
    let before = server.held().requests.len();
    let mut forwarder = record.forward();
    let notice = block_on(forwarder.notice()).unwrap();
    assert!(notice.text.contains("token") && notice.text.contains("it is not there"), "{}", notice.text);
    assert_eq!(server.held().requests.len(), before);
}

#[test]
fn https_goes_through_the_one_crypto_library() {
    use tokio_rustls::rustls::ServerConfig;
    use tokio_rustls::rustls::crypto::ring;
    use tokio_rustls::rustls::pki_types::PrivateKeyDer;
    let made = rcgen::generate_simple_self_signed(["127.0.0.1".to_owned()]).unwrap();
    let key = PrivateKeyDer::try_from(made.signing_key.serialize_der()).unwrap();
    let config = ServerConfig::builder_with_provider(Arc::new(ring::default_provider()))
        .with_safe_default_protocol_versions()
        .unwrap()
        .with_no_client_auth()
        .with_single_cert(vec![made.cert.der().clone()], key)
        .unwrap();
    let wait = Reply::Status(429, "Retry-After: 1\r\n", "");
    let server = Writes::start_with_tls([wait, Reply::CutAnswer, Reply::Fair], Arc::new(config));
    let mut record = Record::new(server.port());
    record.influx().url.tls = true;
    record.seconds(0, 300);
    record.end(700_000);
    // Nobody vouches for it yet.
    let mut forwarder = record.forward();
    let mut lag = forwarder.lag();
    let told = block_on(async { lag.wait_for(|l| l.trouble.is_some()).await.map(|l| l.trouble.clone()) });
    assert_eq!(told.unwrap().unwrap().0, "away");
    assert!(forwarder.stop(Duration::from_secs(5)));
    assert!(server.held().requests.is_empty());
    let ca_file = record.path().with_file_name("ca.pem");
    std::fs::write(&ca_file, made.cert.pem()).unwrap();
    record.influx().ca_file = Some(ca_file);
    forwarder = record.forward();
    assert_eq!(parsed(&server.until_lines(record.lines())), record.expected);
    let held = server.held();
    assert!(held.requests[1].at - held.requests[0].at >= Duration::from_millis(900));
    assert!(held.requests[0].head.contains("org=the%20home%20%26%20garden&bucket=power%2F1&precision=ms"));
    drop(forwarder);
}

#[test]
fn a_kill_sends_some_again_and_skips_nothing() {
    let server = Writes::start([]);
    let mut record = Record::new(server.port());
    record.seconds(0, 300);
    record.end(700_000);
    let target = format!("http://127.0.0.1:{} org=the home & garden bucket=power/1", server.port());
    let (outbox, begin) = Outbox::open(&record.path(), &target).unwrap();
    // As if killed before anything was saved.
    let page = outbox.page(begin).unwrap();
    assert!(!page.entries.is_empty() && page.then != begin);
    drop(outbox);
    let forwarder = record.forward();
    record.until_arrived(&forwarder, 299);
    assert!(forwarder.stop(Duration::from_secs(5)));
    let sent = server.held().requests.len();
    let (outbox, place) = Outbox::open(&record.path(), &target).unwrap();
    assert!(place.at().is_some());
    assert!(outbox.page(place).unwrap().entries.is_empty(), "it was saved at the end");
    assert_eq!(server.held().requests.len(), sent);
}

fn block_on<T>(future: impl Future<Output = T>) -> T {
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
    runtime.block_on(async { tokio::time::timeout(Duration::from_secs(30), future).await }).expect("in time")
}

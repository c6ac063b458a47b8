//! A real database: what was sent is what is found.

use std::collections::BTreeMap;
use std::io::{Read, Write};
use std::net::TcpStream;
use std::time::{Duration, Instant};

use overspill_tests::servers::VictoriaMetrics;

use crate::record::{Record, Series};

/// Everything the database holds, named as in [`Series`].
fn held(port: u16) -> Series {
    let mut stream = TcpStream::connect(("127.0.0.1", port)).unwrap();
    let query = "GET /api/v1/export?match%5B%5D=%7Bhome%3D%22wren%22%7D HTTP/1.0\r\n\r\n";
    stream.write_all(query.as_bytes()).unwrap();
    let mut answer = String::new();
    stream.read_to_string(&mut answer).unwrap();
    let body = answer.split_once("\r\n\r\n").unwrap().1;
    let mut series = Series::new();
    for line in body.lines() {
        let json: serde_json::Value = serde_json::from_str(line).unwrap();
        let values = json["values"].as_array().unwrap().iter().map(|v| v.as_f64().unwrap());
        let times = json["timestamps"].as_array().unwrap().iter().map(|t| t.as_i64().unwrap());
        let numbers: BTreeMap<i64, f64> = times.zip(values).collect();
        assert_eq!(numbers.len(), json["values"].as_array().unwrap().len(), "each time once");
        series.insert(named(&json["metric"]), numbers);
    }
    series
}

/// `__name__` is measurement, underscore, field.
fn named(metric: &serde_json::Value) -> String {
    let tag = |key: &str| metric[key].as_str();
    let name = tag("__name__").unwrap();
    let (measurement, field) = name.split_once('_').unwrap();
    let mut series = measurement.to_owned();
    for key in ["home", "point", "input", "load", "flow", "phase"] {
        series += &tag(key).map_or(String::new(), |value| format!(",{key}={value}"));
    }
    format!("{series} {field}")
}

fn until_equal(port: u16, expected: &Series) {
    let start = Instant::now();
    loop {
        let found = held(port);
        if found == *expected {
            return;
        }
        let counts = |s: &Series| s.iter().map(|(n, v)| format!("{n}: {}", v.len())).collect::<Vec<_>>();
        if start.elapsed() > Duration::from_secs(40) {
            panic!("found {:#?}\nexpected {:#?}", counts(&found), counts(expected));
        }
        std::thread::sleep(Duration::from_millis(200));
    }
}

#[test]
fn everything_is_found_again_also_after_the_database_was_away() {
    let mut database = VictoriaMetrics::start();
    let mut record = Record::new(database.port());
    record.seconds(0, 1200);
    record.end(1_200_000);
    let forwarder = record.forward();
    until_equal(database.port(), &record.expected);
    database.stop();
    record.seconds(1201, 3000);
    record.energy(record.start, 0.375);
    record.end(3_700_000);
    let away = Instant::now();
    while forwarder.lag().borrow().trouble.is_none() {
        assert!(away.elapsed() < Duration::from_secs(20), "nobody noticed");
        std::thread::sleep(Duration::from_millis(20));
    }
    database.start_again();
    until_equal(database.port(), &record.expected);
    assert!(forwarder.stop(Duration::from_secs(5)));
}

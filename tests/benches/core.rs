//! How long the program itself takes: from a reading to the command, to read a payload, to decide.
//!
//! `cargo bench -p overspill-tests` on a quiet machine; the way over the network is not in it.
#![allow(missing_docs, clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use std::hint::black_box;
use std::path::Path;
use std::sync::Arc;
use std::time::Duration;

use criterion::{BatchSize, Criterion, criterion_group, criterion_main};
use overspill::config::{self, Config};
use overspill::daemon::{Core, Importance, read_rules};
use overspill_rules::Controller;
use overspill_rules::home::PointId;
use overspill_rules::input::{Input, Reading};
use overspill_rules::kept::Kept;
use overspill_rules::output::Output;
use overspill_rules::payload::{Decoder, Extract, Parsed};
use overspill_rules::time::Moment;

/// Noon in London on 2026-06-01.
const NOON_MS: i64 = 1_780_311_600_000;

/// The example home with its three rules, without delays.
fn example() -> Config {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("../examples/wren");
    let mut text = std::fs::read_to_string(folder.join("home.toml")).unwrap();
    for (key, value) in [
        ("start_after", "60s"),
        ("stop_after", "3m"),
        ("raise_after", "30s"),
        ("min_on", "5m"),
        ("min_off", "5m"),
    ] {
        text = text.replace(&format!("{key} = \"{value}\""), &format!("{key} = \"0s\""));
    }
    text = text.replace("timezone =", "restart_gap = \"0s\"\ntimezone =");
    config::parse(&text, &folder.join("home.toml")).unwrap()
}

fn begin(config: &Config) -> [Input; 2] {
    [Input::ClockSet { offset_ms: NOON_MS, believed: true }, Input::Rules(read_rules(&config.rules).unwrap())]
}

/// A home at work in which the next reading of `grid_w` below -1,400 switches the car on.
fn waiting_core(config: &Config) -> Core {
    let mut core = Core::new(config, Kept::default()).unwrap();
    begin(config).into_iter().for_each(|input| core.handle(Moment(0), input));
    core.drain();
    for (topic, payload) in [("house/solar", "3000"), ("house/grid", r#"{"power": 300, "volts": 231.5}"#)] {
        for input in core.inputs(topic, payload.as_bytes(), false) {
            core.handle(Moment(1000), input);
        }
    }
    core.drain();
    core
}

fn reading_to_command(c: &mut Criterion) {
    let config = example();
    let answer = |mut core: Core| {
        for input in core.inputs("house/grid", br#"{"power": -1500, "volts": 231.5}"#, false) {
            core.handle(Moment(11_000), input);
        }
        (core.drain(), core)
    };
    let (drained, _) = answer(waiting_core(&config));
    let commands = |i: &Importance| matches!(i, Importance::Command { .. });
    assert!(drained.publications.iter().any(|p| p.topic == "garage/car/wanted" && commands(&p.importance)));
    c.bench_function("reading to command", |b| {
        b.iter_batched(|| waiting_core(&config), answer, BatchSize::SmallInput);
    });
}

fn payloads(c: &mut Criterion) {
    let five: &[u8] =
        br#"{"power": -1532.4, "volts": 231.5, "amps": 6.62, "import_kwh": 10234.5, "export_kwh": 4321.0}"#;
    let pointers = ["/power", "/volts", "/amps", "/import_kwh", "/export_kwh"];
    let decoder = |extract: Extract| Decoder::new(&extract, None).unwrap();
    let number = decoder(Extract::Number);
    c.bench_function("payload: bare number", |b| {
        b.iter(|| number.decode_parsed(&Parsed::new(black_box(b"-1532.4"))).unwrap());
    });
    let fields: Vec<Decoder> = pointers.iter().map(|p| decoder(Extract::Pointer((*p).to_owned()))).collect();
    c.bench_function("payload: five JSON pointers of one message", |b| {
        b.iter(|| {
            let parsed = Parsed::new(black_box(five));
            fields.iter().map(|d| d.decode_parsed(&parsed).unwrap().value).sum::<f64>()
        });
    });
    let script = decoder(Extract::Script("json.volts * json.amps".to_owned()));
    c.bench_function("payload: script over JSON", |b| {
        b.iter(|| script.decode_parsed(&Parsed::new(black_box(five))).unwrap());
    });
}

/// One decision of the example home: three rules, two loads, a new grid reading that changes nothing.
fn decision(c: &mut Criterion) {
    let config = example();
    let mut controller = Controller::new(Arc::new(config.home.clone()), Kept::default());
    begin(&config).into_iter().for_each(|input| controller.handle(Moment(0), input));
    let mut now = 0;
    let grid = config.home.points.iter().position(|p| p.id == "grid").unwrap();
    let mut decide = move || {
        now += 10_000;
        let point = PointId(u16::try_from(grid).unwrap());
        let reading = Reading { point, extra: None, value: 300.0, device_time: None, retained: false };
        controller.handle(Moment(now), Input::Reading(reading));
        let mut outputs = 0;
        while let Some(output) = controller.poll_output() {
            outputs += usize::from(!matches!(output, Output::WaitUntil(_)));
        }
        outputs
    };
    decide();
    c.bench_function("one decision with three rules", |b| b.iter(|| black_box(decide())));
}

criterion_group! {
    name = benches;
    config = Criterion::default().measurement_time(Duration::from_secs(3)).warm_up_time(Duration::from_secs(1));
    targets = reading_to_command, payloads, decision
}
criterion_main!(benches);

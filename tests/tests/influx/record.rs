//! A record with known numbers, and a forwarder for it.

use std::collections::BTreeMap;
use std::path::PathBuf;
use std::time::Duration;

use overspill::config::{self, Config, InfluxConfig};
use overspill::influx::{Forwarder, Pace};
use overspill::mqtt::Retry;
use overspill::store::{Options, Stamp, Store};
use overspill_rules::home::{ExtraKind, InputId, LoadId, PointId};
use overspill_rules::input::{Input, OtherReading, Reading};
use overspill_rules::output::{BalanceReport, BalanceValues, EnergyRow, Flow, Output, Record as Kept};
use overspill_rules::time::{Moment, Span, WallTime};
use overspill_tests::servers::Folder;

const HOME: &str = r#"
[home]
id = "wren"
timezone = "Europe/London"
[supply]
rating_a = 60
[mqtt]
url = "mqtt://127.0.0.1:1883"
[store]
path = "wren.db"
[influxdb]
url = "http://127.0.0.1:PORT"
org = "the home & garden"
bucket = "power/1"
every = "1s"
[point.grid]
measures = "grid"
topic = "house/grid"
pointer = "/power"
unit = "kW"
positive = "export"
stale_after = "30s"
volts = { pointer = "/volts" }
[input.tank_c]
topic = "tank"
[load.water]
kind = "modulated"
topic = "tank/wanted"
send = "watts"
ceiling_w = 3000
fallback = "off"
"#;

/// All stamps lie in the hours before this, which is in the past whatever the date: the last full half hour.
pub fn noon() -> WallTime {
    let now = std::time::SystemTime::now().duration_since(std::time::UNIX_EPOCH).unwrap().as_millis();
    WallTime(i64::try_from(now).unwrap() / 1_800_000 * 1_800_000 - 86_400_000)
}

/// Series by measurement, tags and field: its numbers by time.
pub type Series = BTreeMap<String, BTreeMap<i64, f64>>;

/// A store that is written by hand.
pub struct Record {
    folder: Folder,
    pub config: Config,
    pub start: WallTime,
    store: Option<Store>,
    batch: u64,
    /// Everything that ought to be in the database.
    pub expected: Series,
}

impl Record {
    pub fn new(port: u16) -> Record {
        let folder = Folder::new("record");
        let text = HOME.replace("PORT", &port.to_string());
        let config = config::parse(&text, &folder.path().join("home.toml")).unwrap();
        let mut record =
            Record { folder, config, start: noon(), store: None, batch: 0, expected: Series::new() };
        record.open();
        record
    }

    pub fn path(&self) -> PathBuf {
        self.folder.path().join("wren.db")
    }

    pub fn influx(&mut self) -> &mut InfluxConfig {
        self.config.influx.as_mut().unwrap()
    }

    pub fn open(&mut self) {
        let (store, _) = Store::open(&self.path(), &self.config.home, Options::default()).unwrap();
        self.store = Some(store);
    }

    /// Ends this run of the store.
    pub fn close(&mut self) {
        assert!(self.store.take().unwrap().close(Duration::from_secs(10)));
    }

    pub fn flush(&self) {
        self.store.as_ref().unwrap().flush(Duration::from_secs(10)).unwrap();
    }

    /// A stamp at so many milliseconds after the start.
    pub fn stamp(&mut self, ms: i64) -> Stamp {
        self.batch += 1;
        Stamp { moment: Moment(ms), batch: self.batch, wall: Some(self.start + Span(ms)) }
    }

    pub fn input(&self, stamp: Stamp, input: Input) {
        self.store.as_ref().unwrap().handle().input(stamp, &input);
    }

    pub fn output(&self, stamp: Stamp, output: Output) {
        self.store.as_ref().unwrap().handle().output(stamp, &output);
    }

    pub fn expect(&mut self, series: &str, at_ms: i64, value: f64) {
        self.expected.entry(series.to_owned()).or_default().insert(at_ms, value);
    }

    /// Seconds `from..to` of a home: a reading of two quantities and a balance each, now and then more.
    pub fn seconds(&mut self, from: i64, to: i64) {
        for second in from..to {
            let stamp = self.stamp(second * 1000);
            let at = (self.start + Span(second * 1000)).0;
            let kw = (second % 700) as f64 / 8.0 - 20.0;
            self.input(stamp, reading(None, kw));
            self.expect("grid,home=wren,point=grid power_w", at, -kw * 1000.0);
            let volts = 230.0 + (second % 16) as f64 / 4.0;
            self.input(stamp, reading(Some(ExtraKind::Volts), volts));
            self.expect("grid,home=wren,point=grid voltage_v", at, volts);
            let total = BalanceValues { grid_w: Some(-kw * 1000.0), ..BalanceValues::default() };
            let report = BalanceReport { at: stamp.wall, total, phases: Vec::new(), flows: None };
            self.output(stamp, Output::Balance(report));
            self.expect("balance,home=wren,phase=all grid_w", at, -kw * 1000.0);
            if second % 10 == 0 {
                self.input(stamp, tank(45.5));
                self.expect("input,home=wren,input=tank_c value", at, 45.5);
                let watts = (second % 300) as f64 * 10.0;
                self.output(stamp, Output::Record(Kept::Setpoint { load: LoadId(0), watts }));
                self.expect("load,home=wren,load=water setpoint_w", at, watts);
            }
            if second % 1000 == 999 {
                self.flush();
            }
        }
        self.flush();
    }

    pub fn energy(&mut self, start: WallTime, kwh: f64) {
        let stamp = self.stamp(3_600_000);
        let row =
            EnergyRow { flow: Flow::Import, start, kwh, covered_s: 1800.0, provisional: false, peak: None };
        self.input(stamp, Input::Wake);
        self.output(stamp, Output::Record(Kept::Energy(row)));
        self.expect("energy,home=wren,flow=import kwh", start.0, kwh);
        self.expect("energy,home=wren,flow=import covered_s", start.0, 1800.0);
        self.flush();
    }

    /// A stamp without numbers, behind which everything before is complete.
    pub fn end(&mut self, ms: i64) {
        let stamp = self.stamp(ms);
        self.input(stamp, Input::Wake);
        self.flush();
    }

    pub fn forward(&self) -> Forwarder {
        let influx = self.config.influx.clone().unwrap();
        let retry = Retry { first: Duration::from_millis(100), longest: Duration::from_millis(400), seed: 3 };
        let pace =
            Pace { retry, save_every: Duration::from_millis(500), answered_within: Duration::from_secs(2) };
        Forwarder::start(influx, self.path(), self.config.home.id.clone(), pace).unwrap()
    }

    /// Waits until the database has answered that it has everything up to this second.
    pub fn until_arrived(&self, forwarder: &Forwarder, second: i64) {
        let (last, start) = (self.start + Span::seconds(second), std::time::Instant::now());
        while forwarder.lag().borrow().until.is_none_or(|until| until < last) {
            assert!(start.elapsed() < Duration::from_secs(30), "never arrived");
            std::thread::sleep(Duration::from_millis(10));
        }
    }

    pub fn lines(&self) -> usize {
        let twice = self.expected.get("energy,home=wren,flow=import kwh").map_or(0, BTreeMap::len);
        self.expected.values().map(BTreeMap::len).sum::<usize>() - twice
    }
}

pub fn reading(extra: Option<ExtraKind>, value: f64) -> Input {
    Input::Reading(Reading { point: PointId(0), extra, value, device_time: None, retained: false })
}

fn tank(value: f64) -> Input {
    Input::Other(OtherReading { input: InputId(0), value, device_time: None, retained: false })
}

/// Lines into series, by a parser that is not ours.
pub fn parsed<'a>(lines: impl IntoIterator<Item = &'a String>) -> Series {
    let mut series = Series::new();
    for line in lines {
        for parsed in influxdb_line_protocol::parse_lines(line) {
            let parsed = parsed.unwrap();
            let mut name = parsed.series.measurement.to_string();
            for (key, value) in parsed.series.tag_set.iter().flatten() {
                name += &format!(",{key}={value}");
            }
            for (field, value) in &parsed.field_set {
                let influxdb_line_protocol::FieldValue::F64(number) = value else {
                    panic!("{field} is no float: {line}")
                };
                let at = parsed.timestamp.unwrap();
                series.entry(format!("{name} {field}")).or_default().insert(at, *number);
            }
        }
    }
    series
}

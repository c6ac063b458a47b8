//! Days of real one-minute data, played as messages in virtual time into the daemon's core: the energies must be those
//! of the data sets' own arithmetic, in which every row stands for 60 s.
//!
//! A reading stands until the next one, so the last row stands until a reading that closes its minute: one more message
//! a minute later, which adds nothing itself. Then the daemon is told to stop, which closes the running half hour.
#![allow(missing_docs, clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use std::collections::BTreeMap;
use std::path::Path;

use overspill::config;
use overspill::daemon::Core;
use overspill_rules::input::Input;
use overspill_rules::kept::Kept;
use overspill_rules::output::{Flow, Output, Record};
use overspill_rules::time::{Moment, WallTime};

const MINUTE_MS: i64 = 60_000;
const HALF_HOUR_MS: i64 = 1_800_000;

const FLOWS: [Flow; 4] = [Flow::Import, Flow::Export, Flow::Solar, Flow::House];

const HOME: &str = r#"
[home]
id = "played"
name = "A played home"
timezone = "Europe/Paris"

[supply]
phases = 1
volts = 230
rating_a = 60

[mqtt]
url = "mqtt://127.0.0.1:1883"

[point.grid]
measures = "grid"
topic = "meter"
pointer = "/grid/power"
unit = "W"
positive = "import"
interval = "60s"
stale_after = "150s"
volts = { pointer = "/grid/volts" }

[point.solar]
measures = "solar"
topic = "roof/kilowatts"
unit = "kW"
positive = "generation"
interval = "60s"
stale_after = "150s"
"#;

struct Row {
    at: i64,
    load_w: f64,
    pv_w: f64,
    grid_w: f64,
    import_w: f64,
    export_w: f64,
    volts: String,
    grid: String,
}

fn rows(file: &str) -> Vec<Row> {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("data").join(file);
    let text = std::fs::read_to_string(path).unwrap();
    let mut lines = text.lines();
    assert_eq!(lines.next(), Some("timestamp_utc,load_w,pv_w,grid_w,import_w,export_w,voltage_v"));
    lines.map(row).collect()
}

fn row(line: &str) -> Row {
    let cells: Vec<&str> = line.split(',').collect();
    let [at, load, pv, grid, import, export, volts] = cells[..] else { panic!("{line}") };
    let watts = |cell: &str| cell.parse::<f64>().unwrap();
    Row {
        at: at.parse::<jiff::Timestamp>().unwrap().as_millisecond(),
        load_w: watts(load),
        pv_w: watts(pv),
        grid_w: watts(grid),
        import_w: watts(import),
        export_w: watts(export),
        volts: volts.to_owned(),
        grid: grid.to_owned(),
    }
}

/// Energy of each flow and half hour, with the seconds it covers.
type Energies = BTreeMap<(Flow, i64), (f64, f64)>;

/// Plays the rows as messages and gathers what is recorded.
fn play(rows: &[Row]) -> Energies {
    let home = config::parse(HOME, Path::new("home.toml")).unwrap_or_else(|why| panic!("{why:?}"));
    let mut core = Core::new(&home, Kept::default()).unwrap();
    let begin = rows[0].at;
    let mut energies = Energies::new();
    core.handle(Moment(0), Input::ClockSet { offset_ms: begin, believed: true });
    let mut wake = gather(&mut core, &mut energies);
    for row in rows {
        let now = Moment(row.at - begin);
        wake = wake_until(&mut core, now, wake, &mut energies);
        say(&mut core, now, "roof/kilowatts", &format!("{}", row.pv_w / 1000.0));
        say(
            &mut core,
            now,
            "meter",
            &format!(r#"{{"grid": {{"power": {}, "volts": {}}}}}"#, row.grid, row.volts),
        );
        wake = wake.min(gather(&mut core, &mut energies)).max(now);
    }
    // The reading that closes the last minute.
    let (last, end) = (rows.last().unwrap(), Moment(rows.last().unwrap().at + MINUTE_MS - begin));
    wake_until(&mut core, end, wake, &mut energies);
    say(&mut core, end, "roof/kilowatts", &format!("{}", last.pv_w / 1000.0));
    say(&mut core, end, "meter", &format!(r#"{{"grid": {{"power": {}, "volts": 230}}}}"#, last.grid));
    core.handle(end, Input::Stopping);
    gather(&mut core, &mut energies);
    energies
}

fn say(core: &mut Core, now: Moment, topic: &str, payload: &str) {
    let inputs = core.inputs(topic, payload.as_bytes(), false);
    assert!(inputs.iter().all(|i| matches!(i, Input::Reading(_))), "{payload}: {inputs:?}");
    inputs.into_iter().for_each(|input| core.handle(now, input));
}

/// Wakes the core whenever it asked to be, as the daemon does.
fn wake_until(core: &mut Core, until: Moment, mut wake: Moment, energies: &mut Energies) -> Moment {
    while wake < until {
        core.handle(wake, Input::Wake);
        wake = gather(core, energies);
    }
    wake
}

fn gather(core: &mut Core, energies: &mut Energies) -> Moment {
    let drained = core.drain();
    for output in &drained.outputs {
        if let Output::Record(Record::Energy(row)) = output {
            assert!(!row.provisional);
            let sum = energies.entry((row.flow, row.start.0)).or_default();
            sum.0 += row.kwh;
            sum.1 += row.covered_s;
        }
    }
    drained.wake
}

fn total(energies: &Energies, flow: Flow) -> f64 {
    energies.iter().filter(|((f, _), _)| *f == flow).map(|(_, (kwh, _))| kwh).sum()
}

fn watts(row: &Row, flow: Flow) -> f64 {
    match flow {
        Flow::Import => row.import_w,
        Flow::Export => row.export_w,
        Flow::Solar => row.pv_w,
        _ => row.load_w,
    }
}

fn near(got: f64, wanted: f64, what: &str) {
    let off = (got - wanted).abs();
    assert!(off <= 1e-6 * wanted.abs().max(1e-3), "{what}: {got} kWh, the data set says {wanted}");
}

/// Each half hour, worked out from the file alone.
fn half_hours_agree(rows: &[Row], energies: &Energies) {
    let mut wanted = Energies::new();
    for row in rows {
        for flow in FLOWS {
            let sum = wanted.entry((flow, row.at.div_euclid(HALF_HOUR_MS) * HALF_HOUR_MS)).or_default();
            sum.0 += watts(row, flow) / 60_000.0;
            sum.1 += 60.0;
        }
    }
    assert_eq!(energies.keys().collect::<Vec<_>>(), wanted.keys().collect::<Vec<_>>());
    for (at, (kwh, covered_s)) in &wanted {
        let what = format!("{:?} of {}", at.0, WallTime(at.1).to_rfc3339());
        near(energies[at].0, *kwh, &what);
        assert_eq!(energies[at].1, *covered_s, "{what}: seconds covered");
    }
}

fn agrees(file: &str, count: usize, totals: [f64; 4]) {
    let rows = rows(file);
    assert_eq!(rows.len(), count);
    assert!(rows.windows(2).all(|w| w[1].at - w[0].at == MINUTE_MS), "no hole in the data");
    assert!(rows.iter().all(|r| (r.load_w - r.pv_w - r.grid_w).abs() < 0.011));
    let energies = play(&rows);
    for (flow, wanted) in FLOWS.into_iter().zip(totals) {
        near(total(&energies, flow), wanted, &format!("{flow:?}"));
    }
    half_hours_agree(&rows, &energies);
}

#[test]
fn a_day_under_broken_cloud_gives_the_energies_of_the_data_set() {
    agrees("broken_cloud_day_1min.csv", 1440, [18.2312, 4.338017, 12.924417, 26.8176]);
}

#[test]
fn two_spring_days_give_the_energies_of_the_data_set() {
    agrees("spring_43h_1min.csv", 2607, [15.900892, 43.147925, 69.2247, 41.977667]);
}

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]
//! A made-up commissioning for tests.

use jiff::Timestamp;

use super::record::*;

pub(super) fn at(text: &str) -> Timestamp {
    text.parse().unwrap()
}

pub(super) fn of() -> Of {
    Of {
        id: "dunnock".to_owned(),
        name: "Dunnock House".to_owned(),
        address: Some("4 Hedge Lane, Bradwell".to_owned()),
        timezone: "Europe/London".to_owned(),
    }
}

fn test(id: &str, title: &str, proves: &[&str], words: &str, readings: &[(&str, f64, &str)]) -> Test {
    let reading = |(name, value, unit): &(&str, f64, &str)| Reading {
        name: (*name).to_owned(),
        value: *value,
        unit: (*unit).to_owned(),
    };
    Test {
        id: id.to_owned(),
        title: title.to_owned(),
        at: Some(at("2027-04-12T09:10:00Z")),
        by: Some("Ada Birch".to_owned()),
        readings: readings.iter().map(reading).collect(),
        verdict: Standing::Good,
        words: words.to_owned(),
        next: None,
        proves: proves.iter().map(|p| (*p).to_owned()).collect(),
        home_file: fingerprint(b"home"),
        before: None,
        earlier: Vec::new(),
    }
}

fn point(id: &str, measures: &str, direction: &str, as_found: &str) -> PointHeld {
    PointHeld {
        id: id.to_owned(),
        measures: measures.to_owned(),
        conductor: Some(Which::Line),
        direction: direction.to_owned(),
        ratio: Some("100 A : 50 mA".to_owned()),
        phase: None,
        as_found: Some(as_found.to_owned()),
        as_left: Some("as stated".to_owned()),
        label: format!("{id}: {measures}. Do not move or turn."),
        photograph: None,
        not_provable: None,
    }
}

fn load(id: &str, name: &str, rating: &str, fallback: &str, timed_s: f64) -> LoadHeld {
    LoadHeld {
        id: id.to_owned(),
        name: name.to_owned(),
        rating: rating.to_owned(),
        local_switch: Some("switch on the device".to_owned()),
        fallback: fallback.to_owned(),
        declared_s: Some(300.0),
        timed_s: None,
        trials: vec![
            Trial { at: at("2027-04-12T10:02:00Z"), way: "the daemon stopped".to_owned(), seconds: 4.2 },
            Trial { at: at("2027-04-12T10:09:00Z"), way: "its network gone".to_owned(), seconds: timed_s },
        ],
    }
}

/// Everything proved.
pub(super) fn record() -> Record {
    let home_file = fingerprint(b"home");
    let text = str::to_owned;
    let both = ["point.grid", "point.solar"];
    Record {
        program: "0.1.0".to_owned(),
        who: Some(Who {
            name: text("Ada Birch"),
            company: Some(text("Birch Electrical")),
            registration: Some(text("EC 10482")),
            telephone: Some(text("01632 960 114")),
        }),
        acknowledged: vec![Acknowledged {
            what: text("The five cautions before all steps"),
            name: text("Ada Birch"),
            at: at("2027-04-12T08:02:00Z"),
        }],
        sources: vec![
            Source { name: text("Grid"), isolation: text("main switch, hall cupboard") },
            Source {
                name: text("Roof"),
                isolation: text("AC isolator beside the inverter, loft; DC stays live in daylight"),
            },
        ],
        fuse: Some(Fuse { rating_a: 80.0, known_by: text("printed on the carrier; not opened") }),
        instruments: vec![Instrument {
            kind: text("clamp meter"),
            make: text("Made-up"),
            model: text("CM 3"),
            serial: text("20417"),
            calibrated: Some(jiff::civil::date(2026, 9, 1)),
        }],
        registers: vec![
            Register {
                meter: text("supply meter 21E 004"),
                register: text("import"),
                value: 48_211.0,
                unit: text("kWh"),
                at: at("2027-04-12T08:20:00Z"),
            },
            Register {
                meter: text("supply meter 21E 004"),
                register: text("export"),
                value: 1_904.0,
                unit: text("kWh"),
                at: at("2027-04-12T08:20:00Z"),
            },
        ],
        points: vec![
            point("grid", "supply tail", "positive when the home imports", "the wrong way round"),
            point("solar", "solar circuit", "positive when the roof generates", "as stated"),
        ],
        tests: vec![
            test("cautions", "Cautions read", &[], "Acknowledged.", &[]),
            test("voltage", "Voltage", &[], "Within 230 V +10/-6 %.", &[("voltage", 238.4, "V")]),
            test(
                "test-load",
                "Known load on and off",
                &["point.grid"],
                "The supply tail's point rose by what the heater takes.",
                &[("expected", 2148.0, "W"), ("grid", 2131.0, "W")],
            ),
            test(
                "solar-off",
                "Solar source off",
                &both,
                "The roof fell to nothing, and the grid rose by as much.",
                &[("solar", -1804.0, "W"), ("grid", 1799.0, "W")],
            ),
            test(
                "flashes",
                "Flashes of the supply meter",
                &["point.grid"],
                "30 flashes in 48.2 s.",
                &[("meter", 2241.0, "W"), ("grid", 2236.0, "W")],
            ),
            test(
                "load-car",
                "Car on and off",
                &["load.car"],
                "It obeyed within 12 s.",
                &[("draw", 1390.0, "W")],
            ),
            test(
                "load-dryer",
                "Cellar dehumidifier on and off",
                &["load.dryer"],
                "It obeyed within 2 s.",
                &[("draw", 322.0, "W")],
            ),
            test(
                "fallbacks",
                "Nobody commands",
                &["load.car", "load.dryer"],
                "Both reached their fallback in time.",
                &[],
            ),
        ],
        loads: vec![
            load("car", "Car", "6 to 32 A", "charges as set at the device", 118.0),
            load("dryer", "Cellar dehumidifier", "350 W", "off", 296.0),
        ],
        contacts: vec![
            Contact {
                role: text("installer"),
                name: text("Birch Electrical"),
                telephone: text("01632 960 114"),
            },
            Contact { role: text("power cut"), name: text("network operator"), telephone: text("105") },
        ],
        ..Record::new(of(), home_file, at("2027-04-12T08:00:00Z"))
    }
}

/// A wet afternoon: the solar step waits.
pub(super) fn open() -> Record {
    let mut record = record();
    let solar = record.tests.iter_mut().find(|t| t.id == "solar-off").unwrap();
    solar.verdict = Standing::Open;
    solar.words = "The roof made 40 W, too little to tell from the house.".to_owned();
    solar.next = Some("above 500 W of sun: repeat, or let recorded history prove it".to_owned());
    solar.readings.clear();
    record
}

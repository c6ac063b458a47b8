//! What good home files come to.
#![allow(clippy::unwrap_used, clippy::panic)]

use std::path::{Path, PathBuf};

use overspill::config::{
    self, Config, Extract, Look, MqttVersion, PriceFile, Route, SecretSource, Summary, Target, TimeSource,
};
use overspill_rules::home::{
    Battery, CircuitId, CountedBy, ExtraKind, Fallback, InputId, Kind, LoadId, Measures, Netting, OnMove,
    PointId, Positive, SendAs, SettingValue, Side as Of, Takes, TooHot, Unit,
};
use overspill_rules::tariff::{Prices, Side};
use overspill_rules::time::{Span, WallTime};

const WREN: &str = include_str!("../../examples/wren/home.toml");

fn good(text: &str) -> Config {
    config::parse(text, Path::new("homes/here/home.toml"))
        .unwrap_or_else(|e| panic!("{}", e.render(Look::PLAIN)))
}

fn warned(config: &Config) -> Vec<&'static str> {
    config.warnings.list().iter().map(|d| d.code).collect()
}

/// `WREN` with the line that starts with `key` in `section` replaced by `with`.
fn wren_with(section: &str, key: &str, with: &str) -> String {
    let mut inside = false;
    let mut lines = Vec::new();
    for line in WREN.lines() {
        if line.starts_with('[') {
            inside = line == section;
        }
        let replaced = inside && line.starts_with(key);
        lines.push(if replaced { with } else { line });
    }
    lines.join("\n")
}

#[test]
fn the_example_home_is_good_and_needs_no_warning() {
    let config = config::read(Path::new("../examples/wren/home.toml")).unwrap();
    assert_eq!(config.warnings.list(), []);
    let home = &config.home;
    assert_eq!((home.id.as_str(), home.name.as_str()), ("wren", "Wren Cottage"));
    assert_eq!(home.timezone.iana_name(), Some("Europe/London"));
    let car = home.load(LoadId(0));
    assert_eq!(car.kind, Kind::ChargePoint { floor_a: 6.0, ceiling_a: 32.0 });
    assert_eq!((car.circuit, car.counted_by), (Some(CircuitId(0)), CountedBy::Main));
    assert_eq!((car.fallback, car.device_timeout), (Fallback::Release, Some(Span::minutes(2))));
    assert_eq!((car.settle, home.load(LoadId(1)).settle), (Span::seconds(30), Span::seconds(5)));
    assert_eq!(home.load(LoadId(1)).kind, Kind::Modulated { floor_w: 0.0, ceiling_w: 3000.0 });
    assert_eq!(config.rules.folder, Path::new("../examples/wren/rules"));
    assert_eq!(config.store.path, Path::new("../examples/wren/wren.db"));
    assert_eq!(
        (config.mqtt.prefix.as_str(), config.mqtt.client_id.as_str()),
        ("overspill/wren", "overspill-wren")
    );
    assert_eq!(config.mqtt.version, MqttVersion::V5);
}

#[test]
fn every_value_of_the_example_has_its_route() {
    let route = |topic: &str, target, extract| Route {
        topic: topic.to_owned(),
        target,
        extract,
        time: None,
        yes_words: vec![],
    };
    let config = good(WREN);
    assert_eq!(
        config.routes,
        [
            route("tank/temperature", Target::Input(InputId(0)), Extract::Number),
            route("house/grid", Target::Point(PointId(0)), Extract::Pointer("/power".to_owned())),
            route(
                "house/grid",
                Target::Extra(PointId(0), ExtraKind::Volts),
                Extract::Pointer("/volts".to_owned())
            ),
            route("house/solar", Target::Point(PointId(1)), Extract::Number),
        ]
    );
    let topics: Vec<&str> = config.commands.iter().map(|c| c.topic.as_str()).collect();
    assert_eq!(topics, ["garage/car/wanted", "tank/heater/wanted"]);
    assert!(config.commands.iter().all(|c| !c.retain));
}

#[test]
fn defaults_are_those_of_the_table() {
    let text = WREN
        .lines()
        .filter(|l| {
            !["start_after", "stop_after", "raise_after", "min_on", "min_off", "refresh"]
                .iter()
                .any(|k| l.starts_with(k))
        })
        .collect::<Vec<_>>()
        .join("\n");
    let car = &good(&text).home.loads[0];
    assert_eq!((car.start_after, car.stop_after), (Span::seconds(60), Span::minutes(3)));
    assert_eq!((car.raise_after, car.refresh), (Span::seconds(30), Span::seconds(30)));
    assert_eq!((car.min_on, car.min_off), (Span::minutes(5), Span::minutes(5)));
}

#[test]
fn waits_of_no_time_at_all_are_allowed() {
    let text = wren_with("[load.car]", "start_after", "start_after = \"0s\"");
    assert_eq!(good(&text).home.loads[0].start_after, Span::ZERO);
}

#[test]
fn stale_after_follows_a_declared_interval_where_it_is_not_written() {
    let text = wren_with("[point.solar]", "interval", "interval = \"1m\"\nlag = \"5s\"");
    assert_eq!(good(&text).home.points[1].stale_after, Span::seconds(155));
    assert_eq!(good(WREN).home.points[1].stale_after, Span::seconds(30));
}

#[test]
fn the_file_order_is_kept_although_names_sort_otherwise() {
    let text = "
[home]
id = 'x'
timezone = 'UTC'
[supply]
rating_a = 60
[mqtt]
url = 'mqtt://localhost'
[point.z]
measures = 'grid'
topic = 'z'
unit = 'W'
positive = 'export'
[point.a]
measures = 'solar'
topic = 'a'
unit = 'kW'
";
    let config = good(text);
    let ids: Vec<&str> = config.home.points.iter().map(|p| p.id.as_str()).collect();
    assert_eq!(ids, ["z", "a"]);
    assert_eq!(config.home.points[0].positive, Positive::Export);
    assert_eq!(
        (config.home.points[1].unit, config.home.points[1].positive),
        (Unit::Kw, Positive::Generation)
    );
    assert_eq!(config.mqtt.broker.to_string(), "mqtt://localhost:1883");
}

const THREE_PHASES: &str = r##"
[home]
id = "robin"
timezone = "Europe/Berlin"
latitude = 52.5
longitude = 13.4
blind_a = 10
restart_gap = "20s"

[supply]
phases = 3
netting = "phase"
rating_a = 35
island = { topic = "house/supply", pointer = "/mode", yes = ["Island", "OFF-GRID"] }

[circuit.yard]
rating_a = 32

[circuit.barn]
rating_a = 20
within = "yard"

[battery]
served = "last"
charge_limit_w = 2500
charge = "soc"

[mqtt]
embedded = "0.0.0.0:1884"
version = "3.1.1"
prefix = "power/robin/"

[mqtt.users.garage]
password_file = "secrets/garage"

[rules]
order = ["cheap", "car"]

[point.l1]
measures = "grid"
topic = "meter"
pointer = "/l1/w"
time_pointer = "/at"
unit = "W"
positive = "import"
phase = 1
volts = { pointer = "/l1/v", scale = 0.1 }

[point.l2]
measures = "grid"
topic = "meter"
pointer = "/l2/w"
unit = "W"
positive = "import"
phase = 2

[point.l3]
measures = "grid"
topic = "meter"
script = "message.l3.w"
unit = "W"
positive = "import"
phase = 3

[point.battery]
measures = "battery"
topic = "battery/power"
unit = "kW"
positive = "charge"
phase = 1
power_factor = { topic = "battery/pf" }

[point.roof]
measures = "solar"
topic = "roof/meter"
unit = "count"
per_kwh = 1000
positive = "use"

[input.soc]
topic = "battery/charge"
unit = "%"

[input.tank_c]
topic = "tank/c"

[load.car]
kind = "charge-point"
topic = "car/wanted"
send = "script"
send_script = "#{ a: amps }"
ceiling_a = 16
phases = 3
circuit = "barn"
device_timeout = "1m"
fallback = { amps = 6 }
when_moved = "yield"
feedback = { draw = { topic = "car/power", unit = "kW" }, plugged = { topic = "car/plug", yes = ["In"] }, ready = { topic = "car/state", pointer = "/ready" } }

[load.heater]
name = "Immersion heater"
kind = "switch"
topic = "heater/wanted"
send = "on-off"
on_word = "ON"
off_word = "OFF"
rating_w = 3000
phase = 2
unattended = true
device_timeout = "5m"
counted_by = "l2"
fallback = "off"
too_hot = { input = "tank_c", above = 70 }
"##;

#[test]
fn a_home_with_everything_comes_out_whole() {
    let config = good(THREE_PHASES);
    assert_eq!(warned(&config), [""; 0]);
    let home = &config.home;
    assert_eq!((home.supply.phases, home.supply.netting), (3, Netting::Phase));
    assert_eq!((home.coordinates, home.blind_a), (Some((52.5, 13.4)), Some(10.0)));
    assert_eq!(home.restart_gap, Span::seconds(20));
    assert_eq!(home.circuits[1].within, Some(CircuitId(0)));
    let battery =
        Battery { first: false, charge_limit_w: 2500.0, charge_input: Some(InputId(0)), full_above: 95.0 };
    assert_eq!(home.battery, Some(battery));
    let phases: Vec<Option<u8>> = home.points.iter().map(|p| p.phase).collect();
    assert_eq!(phases, [Some(1), Some(2), Some(3), Some(1), None, None]);
    assert_eq!(home.points[0].extras[0].scale, 0.1);
    assert!(home.points[3].has_extra(ExtraKind::PowerFactor));
    assert_eq!(home.points[4].unit, Unit::PulseCount { per_kwh: 1000.0 });
    let heater = home.load(LoadId(1));
    assert_eq!((heater.phases, heater.phase), (1, 2));
    assert_eq!(heater.counted_by, CountedBy::Point(PointId(1)));
    assert_eq!(heater.too_hot, Some(TooHot { input: InputId(1), above: 70.0 }));
    assert_eq!(heater.send, SendAs::OnOff { on_word: "ON".to_owned(), off_word: "OFF".to_owned() });
}

#[test]
fn a_loads_own_meter_becomes_a_point_after_the_others() {
    let config = good(THREE_PHASES);
    let meter = config.home.meter_of(LoadId(0)).unwrap();
    assert_eq!(meter, PointId(5));
    let point = config.home.point(meter);
    assert_eq!((point.id.as_str(), point.unit), ("car-draw", Unit::Kw));
    assert_eq!((point.measures, point.positive), (Measures::Load(LoadId(0)), Positive::Use));
    let car = config.home.load(LoadId(0));
    assert_eq!((car.phases, car.phase), (3, 1));
    assert_eq!((car.fallback, car.on_move), (Fallback::Amps { amps: 6.0 }, OnMove::Yield));
    assert!(car.reports_plugged && car.reports_ready);
}

#[test]
fn yes_and_no_values_carry_their_words() {
    let config = good(THREE_PHASES);
    let words = |target| config.routes.iter().find(|r| r.target == target).unwrap().yes_words.clone();
    assert_eq!(words(Target::Island), ["island", "off-grid"]);
    assert_eq!(words(Target::Plugged(LoadId(0))), ["in"]);
    assert_eq!(words(Target::Ready(LoadId(0))), ["true", "1", "on", "yes"]);
    assert_eq!(words(Target::Point(PointId(0))), [""; 0]);
}

#[test]
fn a_time_pointer_holds_for_all_values_of_its_message() {
    let config = good(THREE_PHASES);
    let time = |target| config.routes.iter().find(|r| r.target == target).unwrap().time.clone();
    let at = Some(TimeSource { pointer: "/at".to_owned() });
    assert_eq!(time(Target::Point(PointId(0))), at);
    assert_eq!(time(Target::Extra(PointId(0), ExtraKind::Volts)), at);
    assert_eq!(time(Target::Point(PointId(1))), None);
    let pf = config.routes.iter().find(|r| r.target == Target::Extra(PointId(3), ExtraKind::PowerFactor));
    assert_eq!(pf.unwrap().topic, "battery/pf");
}

#[test]
fn generation_counted_as_negative_use_is_turned_once() {
    let config = good(THREE_PHASES);
    let roof = &config.home.points[4];
    assert_eq!(roof.scale * roof.positive.sign(), -1.0);
}

#[test]
fn expressions_are_listed_with_their_place() {
    let config = good(THREE_PHASES);
    let about: Vec<&str> = config.expressions.iter().map(|e| e.about.as_str()).collect();
    assert_eq!(about, ["point.l3.script", "load.car.send_script"]);
    for expression in &config.expressions {
        assert_eq!(THREE_PHASES[expression.span.clone()], format!("\"{}\"", expression.source));
    }
}

#[test]
fn the_embedded_broker_is_the_one_to_connect_to() {
    let config = good(THREE_PHASES);
    assert_eq!(config.mqtt.broker.to_string(), "mqtt://127.0.0.1:1884");
    assert_eq!(config.mqtt.version, MqttVersion::V311);
    assert_eq!(config.mqtt.prefix, "power/robin");
    let embedded = config.mqtt.embedded.unwrap();
    assert_eq!(embedded.users[0].name, "garage");
    assert_eq!(embedded.users[0].password, SecretSource::File("homes/here/secrets/garage".into()));
}

#[test]
fn import_and_export_apart_tell_the_grid() {
    let text = wren_with("[point.grid]", "measures", "measures = \"grid.import\"")
        + "\n[point.out]\nmeasures = \"grid.export\"\ntopic = \"house/out\"\nunit = \"W\"\n";
    let config = good(&text);
    assert_eq!(warned(&config), [""; 0]);
    assert_eq!(config.home.points[2].measures, Measures::Grid(Of::Export));
    assert_eq!(Summary::of(&config, vec![]).no_spare, None);
    assert_eq!(grid_w(&config, &[(0, 300.0), (2, 0.0)]), Some(300.0));
    assert_eq!(grid_w(&config, &[(0, 0.0), (2, 1200.0)]), Some(-1200.0));
}

/// What the controller makes of these readings, each of the point with that place.
fn grid_w(config: &Config, readings: &[(u16, f64)]) -> Option<f64> {
    use overspill_rules::input::{Input, Reading};
    use overspill_rules::output::Output;
    let mut controller = overspill_rules::Controller::new(config.home.clone().into(), Default::default());
    for (point, value) in readings {
        let point = overspill_rules::home::PointId(*point);
        let reading = Reading { point, extra: None, value: *value, device_time: None, retained: false };
        controller.handle(overspill_rules::time::Moment(0), Input::Reading(reading));
    }
    let outputs = std::iter::from_fn(|| controller.poll_output());
    let balances =
        outputs.filter_map(|o| if let Output::Balance(b) = o { Some(b.total.grid_w) } else { None });
    balances.last().flatten()
}

#[test]
fn solar_and_house_give_the_grid() {
    let text = wren_with("[point.grid]", "measures", "measures = \"house\"");
    let text = text.replace("positive = \"import\"\n", "");
    let summary = Summary::of(&good(&text), vec![]);
    assert_eq!((summary.derived, summary.no_spare), (vec!["grid".to_owned()], None));
}

#[test]
fn timeouts_not_told_are_warned_of_and_taken_as_none() {
    let text = wren_with("[load.water]", "device_timeout", "");
    let config = good(&text);
    assert_eq!(warned(&config), ["no-device-timeout"]);
    assert_eq!(config.home.loads[1].device_timeout, None);
}

#[test]
fn the_summary_says_what_happens_when() {
    let config = good(THREE_PHASES);
    insta::assert_snapshot!(Summary::of(&config, vec!["cheap".to_owned(), "car".to_owned()]).to_text(80));
}

#[test]
fn how_long_a_house_load_can_exceed_the_rating_is_the_readings_age_and_the_loads_obeying() {
    let text = wren_with("[point.grid]", "interval", "interval = \"10s\"\nlag = \"2s\"");
    let loads = Summary::of(&good(&text), vec![]).loads;
    let car = loads[0].exposure;
    assert_eq!((car.reading_s, car.stale_s, car.obey_s), (Some(12.0), 30.0, 30.0));
    assert_eq!(loads[1].exposure.obey_s, 5.0);
    let text = wren_with("[point.grid]", "interval", "");
    assert_eq!(Summary::of(&good(&text), vec![]).loads[0].exposure.reading_s, None);
}

#[test]
fn a_load_that_no_clamp_counts_needs_its_own_meter() {
    let uncounted = wren_with("[load.water]", "turn", "counted_by = \"none\"");
    assert_eq!(warned(&good(&uncounted)), ["unseen-load"]);
    let metered = uncounted + "\nfeedback = { draw = { topic = \"tank/heater/power\" } }\n";
    assert_eq!(warned(&good(&metered)), [""; 0]);
}

#[test]
fn a_home_holds_so_many_loads_and_no_more() {
    let loads = |n: usize| {
        let one = |i| {
            format!(
                "\n[load.l{i}]\nkind = \"modulated\"\ntopic = \"l/{i}\"\nsend = \"watts\"\nceiling_w = 100\ndevice_timeout = \"2m\"\nfallback = \"off\"\n"
            )
        };
        format!("{WREN}{}", (0..n).map(one).collect::<String>())
    };
    assert_eq!(good(&loads(62)).home.loads.len(), 64);
    let found = config::parse(&loads(63), Path::new("home.toml")).unwrap_err();
    assert_eq!(found.list().iter().map(|d| d.code).collect::<Vec<_>>(), ["too-many"]);
}

#[test]
fn a_database_to_forward_to_comes_out_whole() {
    assert_eq!(good(WREN).influx, None);
    let section = "[influxdb]\nurl = \"http://[::1]:8086\"\norg = \"home\"\nbucket = \"power\"\ntoken_file = \"token\"\n";
    let influx = good(&format!("{WREN}\n{section}")).influx.unwrap();
    assert_eq!(influx.url.to_string(), "http://[::1]:8086");
    assert_eq!((influx.org.as_str(), influx.bucket.as_str()), ("home", "power"));
    assert_eq!(influx.token, Some(SecretSource::File(PathBuf::from("homes/here/token"))));
    assert_eq!((influx.every.as_secs(), influx.ca_file), (10, None));
}

#[test]
fn how_often_to_commit_and_how_long_to_keep_come_out_whole() {
    let store = good(WREN).store;
    assert_eq!((store.commit_every, store.keep), (Span::seconds(10), Vec::new()));
    let text = WREN
        .replace("[point.solar]", "[point.solar]\nkeep = \"400d\"")
        .replace("[store]", "[store]\ncommit_every = \"1m\"");
    let store = good(&text).store;
    assert_eq!(store.commit_every, Span::minutes(1));
    assert_eq!(store.keep, [("point.solar".to_owned(), Span::hours(24 * 400))]);
}

#[test]
fn a_tariff_says_what_a_kilowatt_hour_costs_and_pays() {
    let text = format!(
        "{WREN}\n{}",
        r#"
[tariff]
currency = "GBP"
vat_percent = 5
import = 0.2734
zone = "winter"
export = 0.15

[tariff.window.night]
from = "00:30"
to = "07:30"
price = 0.1

[[tariff.change]]
from = "2026-07-01"
import_prices = { topic = "market/import" }
export_prices = { file = "export.csv" }
"#
    );
    let config = good(&text);
    let tariff = config.home.tariff.as_ref().unwrap();
    let wall = |text: &str| WallTime(text.parse::<jiff::Timestamp>().unwrap().as_millisecond());
    let import = |at: &str| tariff.import_at(wall(at), &Prices::default()).map(|p| p.normalize().to_string());
    assert_eq!(import("2026-06-01T12:00:00Z").as_deref(), Some("0.28707"), "exactly 0.2734 and 5 percent");
    assert_eq!(
        import("2026-06-01T07:00:00Z").as_deref(),
        Some("0.105"),
        "08:00 in summer, 07:00 for the meter"
    );
    // 1 July begins in London an hour before it does in UTC.
    assert_eq!(import("2026-06-30T22:59:00Z").as_deref(), Some("0.28707"));
    assert_eq!(import("2026-06-30T23:00:00Z"), None, "not yet published");
    assert_eq!(config.price_files, [PriceFile { side: Side::Export, path: "homes/here/export.csv".into() }]);
    assert!(
        config.routes.iter().any(|r| r.topic == "market/import" && r.target == Target::Prices(Side::Import))
    );
}

#[test]
fn a_setting_takes_what_its_default_is() {
    let text = format!(
        "{WREN}\n[setting.ready_by]\ndefault = \"07:00\"\n[setting.mode]\ndefault = \"home\"\nchoices = [\"home\", \"away\"]\n\
         [setting.kwh]\ndefault = 12\nlow = 0\nhigh = 60\nunit = \"kWh\"\n[setting.guests]\ndefault = false\nexpires_after = \"1d\"\n"
    );
    let settings = good(&text).home.settings;
    let takes: Vec<&Takes> = settings.iter().map(|s| &s.takes).collect();
    let choice = Takes::Choice(vec!["home".into(), "away".into()]);
    let number = Takes::Number { unit: "kWh".into(), low: 0.0, high: 60.0, step: None };
    assert_eq!(takes, [&Takes::Time, &choice, &number, &Takes::Flag]);
    assert_eq!(settings[2].default, SettingValue::Number(12.0));
    assert_eq!((settings[3].expires_after, settings[0].expires_after), (Some(Span::hours(24)), None));
}

#[test]
fn every_example_and_its_rules_are_without_mistake() {
    let mut read = 0;
    for folder in std::fs::read_dir("../examples").unwrap() {
        let config =
            config::read(&folder.unwrap().path().join("home.toml")).unwrap_or_else(|why| panic!("{why}"));
        let code = config::check_code(&config);
        assert_eq!(code.mistakes(), 0, "{}: {:?}", config.home.id, code.rules);
        assert_eq!(warned(&config), [""; 0], "{}", config.home.id);
        read += 1;
    }
    assert!(read >= 2);
}

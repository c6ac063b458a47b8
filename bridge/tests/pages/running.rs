//! The program as it serves the page of a home, with nobody at its broker's address.

use std::net::TcpListener;
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use serde_json::Value;

use crate::support::Place;

/// How long the program may take until it serves.
const STARTS_WITHIN: Duration = Duration::from_secs(30);

pub(crate) struct Running {
    child: Child,
    host: String,
    agent: ureq::Agent,
}

/// An answer.
#[derive(Debug)]
pub(crate) struct Answer {
    pub(crate) status: u16,
    pub(crate) policy: String,
    pub(crate) text: String,
}

impl Running {
    /// Serves the page of this home, whose home file must not have a `[web]` of its own.
    pub(crate) fn of(place: &Place) -> Running {
        let port = TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap().port();
        let host = format!("127.0.0.1:{port}");
        let home = std::fs::read_to_string(place.path("home.toml")).unwrap();
        let home = home.replace("mqtt://127.0.0.1:1883", "mqtt://127.0.0.1:9");
        place.write("served.toml", &format!("{home}\n[web]\nlisten = \"{host}\"\n"));
        let child = Command::new(env!("CARGO_BIN_EXE_overspill"))
            .args(["run", "served.toml"])
            .current_dir(place.path(""))
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        let agent = ureq::Agent::config_builder()
            .http_status_as_error(false)
            .timeout_global(Some(Duration::from_secs(60)))
            .build();
        let running = Running { child, host, agent: agent.into() };
        let begun = Instant::now();
        while running.try_get("/").is_none() {
            assert!(begun.elapsed() < STARTS_WITHIN, "the program does not serve");
            std::thread::sleep(Duration::from_millis(50));
        }
        running
    }

    fn try_get(&self, path: &str) -> Option<Answer> {
        let mut answer = self.agent.get(format!("http://{}{path}", self.host)).call().ok()?;
        let policy = answer.headers().get("content-security-policy");
        let policy = policy.map_or("", |value| value.to_str().unwrap()).to_owned();
        let status = answer.status().as_u16();
        Some(Answer { status, policy, text: answer.body_mut().read_to_string().unwrap() })
    }

    pub(crate) fn get(&self, path: &str) -> Answer {
        self.try_get(path).expect(path)
    }

    /// A page or file that is there.
    pub(crate) fn page(&self, path: &str) -> String {
        let answer = self.get(path);
        assert_eq!(answer.status, 200, "{path}: {}", answer.text);
        answer.text
    }

    pub(crate) fn json(&self, path: &str) -> Value {
        serde_json::from_str(&self.page(path)).expect(path)
    }
}

impl Drop for Running {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// A number of an answer; `None` where it is null.
pub(crate) fn number(value: &Value, key: &str) -> Option<f64> {
    value.get(key).unwrap_or_else(|| panic!("no {key} in {value}")).as_f64()
}

/// A home with a grid and a roof, read once a minute, and a tank.
pub(crate) const HOME: &str = r#"
[point.grid]
measures = "grid"
topic = "meter/grid"
unit = "W"
positive = "import"
interval = "60s"

[point.solar]
measures = "solar"
topic = "meter/solar"
unit = "W"
positive = "generation"
interval = "60s"

[load.water]
name = "Water <tank>"
kind = "modulated"
topic = "tank/wanted"
send = "watts"
ceiling_w = 3000
turn = 1
fallback = "off"
feedback = { draw = { topic = "tank/draw" } }

[tariff]
currency = "GBP"
vat_percent = 5
standing_per_day = 0.50
import = 0.26
export = 0.15
"#;

/// One minute of a made-up day, by the hour of UTC: grid, roof, tank in watts.
pub(crate) fn minute(n: i64) -> (f64, f64, f64) {
    let hour = n.rem_euclid(1440) as f64 / 60.0;
    let sun = if (8.0..16.0).contains(&hour) { 3000.0 - (hour - 12.0).abs() * 500.0 } else { 0.0 };
    let water = if (11.0..13.0).contains(&hour) || (2.0..3.0).contains(&hour) { 1800.0 } else { 0.0 };
    let house = 200.0 + (n * 37 % 101) as f64 + water;
    (house - sun, sun, water)
}

/// Imports minutes `from` to before `to` of this moment's day, but those that are left out.
pub(crate) fn import(
    place: &Place,
    day: &str,
    minutes: std::ops::Range<i64>,
    left_out: std::ops::Range<i64>,
) {
    let start: jiff::Timestamp = format!("{day}T00:00:00Z").parse().unwrap();
    let mut text = "time,grid_w,solar_w,water-draw_w\n".to_owned();
    for n in minutes.filter(|n| !left_out.contains(n)) {
        let (grid, sun, water) = minute(n);
        let at = start + jiff::SignedDuration::from_mins(n);
        text.push_str(&format!("{at},{grid},{sun},{water}\n"));
    }
    place.write("days.csv", &text);
    place.done(&["import", "home.toml", "days.csv"]);
}

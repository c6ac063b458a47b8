//! The simulated home under a clear sky, with a test load, an isolator at the roof, a network that can be pulled, and a
//! grid clamp that may be the wrong way round. Its devices talk MQTT and know nothing of the program.

use std::sync::{Arc, Mutex};
use std::time::Duration;

use overspill::daemon::HomeClock;
use overspill::mqtt::{Link, LinkConfig, LinkEvent, LinkHandle, Qos, Subscription};
use overspill_rules::house::SimulatedHome;
use overspill_rules::time::WallTime;
use serde_json::json;
use tokio::sync::mpsc;
use tokio::time::{MissedTickBehavior, interval};

/// How often the devices publish, in seconds of the home's time.
const EVERY_S: i64 = 2;
const TICK: Duration = Duration::from_millis(5);

/// The roof in the sun, in watts.
const SUN_W: f64 = 3200.0;

/// The test load at 230 V, in watts.
pub const TEST_W: f64 = 2400.0;

/// An inverter is back after this many seconds, and ramps for [`RAMP_S`].
const BACK_S: i64 = 60;
const RAMP_S: f64 = 20.0;

/// The plant as hands reach it.
pub struct Plant {
    home: SimulatedHome,
    lived_s: i64,
    pub dark: bool,
    pub test_on: bool,
    roof_on_since: Option<i64>,
    /// Whether the heater's device is on the network.
    pub online: bool,
    /// -1 where the grid clamp is the wrong way round.
    pub grid_sign: f64,
    /// The last true grid and roof power, and volts.
    pub now: (f64, f64, f64),
    sums: Vec<f64>,
}

pub type Shared = Arc<Mutex<Plant>>;

impl Plant {
    pub fn new(seed: u64, begins: WallTime) -> Shared {
        Arc::new(Mutex::new(Plant {
            home: SimulatedHome::new(seed, begins),
            lived_s: 0,
            dark: false,
            test_on: false,
            roof_on_since: Some(-1000),
            online: true,
            grid_sign: 1.0,
            now: (0.0, 0.0, 230.0),
            sums: Vec::new(),
        }))
    }

    pub fn roof(&mut self, on: bool) {
        self.roof_on_since = on.then_some(self.lived_s);
    }

    /// The heater's device loses its power for a moment, and what it was told.
    pub fn power_cycle(&mut self) {
        self.home.command_heater_w(0.0);
    }

    /// Seconds in which the supply meter flashed `count` times just now, with a thousand for each kilowatt-hour.
    pub fn seconds_of_flashes(&self, count: f64) -> f64 {
        let last = &self.sums[self.sums.len() - 10..];
        let mean = last.iter().sum::<f64>() / last.len() as f64;
        3.6e6 * count / (1000.0 * mean.abs())
    }

    fn second(&mut self) {
        self.home.advance(1);
        self.lived_s += 1;
        let r = self.home.readings();
        let on_for = self.roof_on_since.map_or(0.0, |since| (self.lived_s - since - BACK_S) as f64);
        let share = (on_for / RAMP_S).clamp(0.0, 1.0);
        let wobble = 1.0 + 0.002 * ((self.lived_s * 7919 % 13) as f64 - 6.0) / 6.0;
        let roof_w = if self.dark { 0.0 } else { SUN_W * share * wobble };
        let test_w = if self.test_on { TEST_W * (r.volts / 230.0).powi(2) } else { 0.0 };
        // What the simulated home's own roof gives under its clouds is taken out again.
        let grid_w = r.grid_w + r.solar_w - roof_w + test_w;
        self.now = (grid_w, roof_w, r.volts);
        self.sums.push(grid_w);
    }
}

/// Lives and talks for ever.
pub async fn live(plant: Shared, clock: HomeClock, port: u16) {
    let mut config = LinkConfig::new("127.0.0.1", port, "plant");
    config.subscriptions = vec![Subscription::new("tank/heater/wanted")];
    let (link, mut events) = Link::start(config).unwrap();
    let mut tick = interval(TICK);
    tick.set_missed_tick_behavior(MissedTickBehavior::Skip);
    loop {
        tokio::select! {
            _ = tick.tick() => {}
            event = events.recv() => hear(&plant, event),
        }
        catch_up(&plant, clock, &link, &mut events);
    }
}

fn catch_up(plant: &Shared, clock: HomeClock, link: &LinkHandle, events: &mut mpsc::Receiver<LinkEvent>) {
    let now_s = clock.exact().0.div_euclid(1000);
    loop {
        while let Ok(event) = events.try_recv() {
            hear(plant, Some(event));
        }
        let mut plant = plant.lock().unwrap();
        if plant.lived_s >= now_s {
            return;
        }
        plant.second();
        if plant.lived_s % EVERY_S == 0 {
            let r = plant.home.readings();
            let at = r.at.to_rfc3339();
            let grid = json!({ "at": at, "power": plant.grid_sign * plant.now.0, "volts": plant.now.2 });
            let roof = json!({ "at": at, "power": plant.now.1 });
            let tank = json!({ "at": at, "power": r.heater_w });
            for (topic, body) in [("house/grid", grid), ("house/solar", roof), ("tank/state", tank)] {
                let _ = link.publish(topic, body.to_string(), Qos::AtMostOnce, false, None);
            }
        }
    }
}

fn hear(plant: &Shared, event: Option<LinkEvent>) {
    let Some(LinkEvent::Message { payload, .. }) = event else { return };
    let mut plant = plant.lock().unwrap();
    if plant.online
        && let Ok(watts) = String::from_utf8_lossy(&payload).parse::<f64>()
    {
        plant.home.command_heater_w(watts);
    }
}

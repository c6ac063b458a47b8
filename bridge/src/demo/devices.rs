//! The simulated home's devices: they publish what they measure and obey what they hear, over a connection of their own.

use std::time::Duration;

use overspill_rules::house::{Ledger, Readings, SimulatedHome};
use overspill_rules::time::WallTime;
use serde_json::{Value, json};
use tokio::sync::{mpsc, watch};
use tokio::task::JoinHandle;
use tokio::time::{MissedTickBehavior, interval};

use crate::daemon::HomeClock;
use crate::mqtt::{Link, LinkConfig, LinkError, LinkEvent, LinkHandle, Qos, Subscription};

/// How often the devices publish, in seconds of the home's time.
const EVERY_S: i64 = 5;

/// How often the home catches up with its clock, in real time.
const TICK: Duration = Duration::from_millis(10);

const CAR: &str = "garage/car/wanted";
const HEATER: &str = "tank/heater/wanted";
const PUMP: &str = "pond/pump/wanted";

/// What the home's own meter says at the end, and when that was.
pub(super) type Told = (Ledger, WallTime);

struct Devices {
    home: SimulatedHome,
    clock: HomeClock,
    link: LinkHandle,
    /// Seconds that the home has lived.
    lived_s: i64,
}

/// Connects the devices; they live until the other end of `end` is dropped. Needs a tokio runtime.
pub(super) fn start(
    home: SimulatedHome,
    clock: HomeClock,
    port: u16,
    end: watch::Receiver<()>,
) -> Result<JoinHandle<Told>, LinkError> {
    let mut config = LinkConfig::new("127.0.0.1", port, "overspill-demo-home");
    config.subscriptions = [CAR, HEATER, PUMP].into_iter().map(Subscription::new).collect();
    let (link, events) = Link::start(config)?;
    let devices = Devices { home, clock, link, lived_s: 0 };
    Ok(tokio::spawn(devices.live(events, end)))
}

impl Devices {
    async fn live(mut self, mut events: mpsc::Receiver<LinkEvent>, mut end: watch::Receiver<()>) -> Told {
        let mut tick = interval(TICK);
        tick.set_missed_tick_behavior(MissedTickBehavior::Skip);
        loop {
            tokio::select! {
                changed = end.changed() => if changed.is_err() { break },
                Some(event) = events.recv() => self.hear(event),
                _ = tick.tick() => self.catch_up(),
            }
        }
        self.catch_up();
        // Nothing is lost if the broker does not take leave in time: the demo is over.
        let _ = self.link.shutdown(Vec::new()).await;
        (self.home.ledger(), self.home.wall())
    }

    /// Lives every second up to now, and publishes at its own pace with its own time.
    fn catch_up(&mut self) {
        let now_s = self.clock.exact().0.div_euclid(1000);
        while self.lived_s < now_s {
            self.home.advance(1);
            self.lived_s += 1;
            if self.lived_s % EVERY_S == 0 {
                self.publish(&self.home.readings());
            }
        }
    }

    fn publish(&self, readings: &Readings) {
        for (topic, body) in messages(readings) {
            // Between connections a reading is lost, as with any device.
            let _ = self.link.publish(topic, body.to_string(), Qos::AtMostOnce, false, None);
        }
    }

    fn hear(&mut self, event: LinkEvent) {
        let LinkEvent::Message { topic, payload, .. } = event else { return };
        let Ok(text) = std::str::from_utf8(&payload) else { return };
        self.catch_up();
        match (topic.as_str(), text.parse::<f64>()) {
            (CAR, Ok(amps)) => self.home.command_car_amps(amps),
            (HEATER, Ok(watts)) => self.home.command_heater_w(watts),
            (PUMP, _) => self.home.command_pump(text == "on"),
            // A device ignores what it does not understand.
            _ => {}
        }
    }
}

/// What the devices send, by topic.
fn messages(readings: &Readings) -> [(&'static str, Value); 5] {
    let at = readings.at.to_rfc3339();
    let tenths = |value: f64| (value * 10.0).round() / 10.0;
    [
        ("house/solar", json!({ "at": at, "power": tenths(readings.solar_w) })),
        (
            "garage/car/state",
            json!({ "at": at, "power": tenths(readings.car_w), "plugged": readings.car_plugged }),
        ),
        (
            "tank/state",
            json!({ "at": at, "power": tenths(readings.heater_w), "celsius": tenths(readings.tank_c) }),
        ),
        ("pond/pump/state", json!({ "at": at, "power": readings.pump_w })),
        (
            "house/grid",
            json!({ "at": at, "power": tenths(readings.grid_w), "volts": tenths(readings.volts) }),
        ),
    ]
}

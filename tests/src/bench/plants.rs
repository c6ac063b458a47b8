//! Loads that answer a command as real ones do: late, in steps or ramps, and not always with what was asked.

use std::collections::VecDeque;

/// Nominal volts of the bench.
pub const VOLTS: f64 = 230.0;

/// Watts drawn for each volt-ampere offered: what a car's charger takes of what it is offered.
pub const CAR_TAKES: f64 = 0.97;

/// What kind of load it is.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Kind {
    /// Whole amps, nothing below 6 A.
    Car {
        /// Phases that the car draws from.
        phases: f64,
        /// The car takes at most this many amps.
        at_most_a: f64,
    },
    /// Any power.
    Heater,
}

/// One load.
#[derive(Debug, Clone)]
pub struct Plant {
    kind: Kind,
    /// Seconds from a command to the beginning of its effect.
    obeys_after_s: i64,
    /// Seconds from the beginning to the end of the effect; 0 steps.
    ramp_s: f64,
    /// Watt-hours after which it takes no more.
    room_wh: f64,
    /// Seconds of each two hours during which its thermostat is open.
    thermostat_open_s: i64,
    queue: VecDeque<(i64, f64)>,
    level: f64,
    target: f64,
    rate: f64,
    /// Energy taken, in watt-hours.
    pub taken_wh: f64,
    /// Draw now, in watts.
    pub draw_w: f64,
}

impl Plant {
    /// A load that obeys after `obeys_after_s` seconds, over `ramp_s` seconds.
    pub fn new(kind: Kind, obeys_after_s: i64, ramp_s: f64) -> Plant {
        Plant {
            kind,
            obeys_after_s,
            ramp_s,
            room_wh: f64::INFINITY,
            thermostat_open_s: 0,
            queue: VecDeque::new(),
            level: 0.0,
            target: 0.0,
            rate: f64::INFINITY,
            taken_wh: 0.0,
            draw_w: 0.0,
        }
    }

    /// The same with room for so many watt-hours.
    pub fn with_room_wh(mut self, room_wh: f64) -> Plant {
        self.room_wh = room_wh;
        self
    }

    /// The same with a thermostat that is open for so many seconds of each two hours.
    pub fn with_thermostat(mut self, open_s: i64) -> Plant {
        self.thermostat_open_s = open_s;
        self
    }

    /// A command at second `now`: amps for a car, watts for a heater.
    pub fn command(&mut self, now: i64, amount: f64) {
        let amount = match self.kind {
            Kind::Car { .. } if amount < 6.0 => 0.0,
            _ => amount,
        };
        self.queue.push_back((now + self.obeys_after_s, amount));
    }

    /// One second passes; gives the draw in watts.
    pub fn second(&mut self, now: i64) -> f64 {
        while self.queue.front().is_some_and(|(at, _)| *at <= now) {
            if let Some((_, amount)) = self.queue.pop_front() {
                self.target = amount;
                let whole = (amount - self.level).abs();
                self.rate = if self.ramp_s > 0.0 { whole / self.ramp_s } else { f64::INFINITY };
            }
        }
        self.level = if self.level < self.target {
            (self.level + self.rate).min(self.target)
        } else {
            (self.level - self.rate).max(self.target)
        };
        let full = self.taken_wh >= self.room_wh;
        let open = now % 7200 < self.thermostat_open_s;
        self.draw_w = if full || open { 0.0 } else { self.wanted_w() };
        self.taken_wh += self.draw_w / 3600.0;
        self.draw_w
    }

    fn wanted_w(&self) -> f64 {
        match self.kind {
            Kind::Heater => self.level,
            Kind::Car { phases, at_most_a } => {
                let amps = self.level.min(at_most_a);
                if amps > 0.5 { amps * VOLTS * phases * CAR_TAKES } else { 0.0 }
            }
        }
    }
}

/// A battery that holds the grid at zero by itself, a few seconds late.
#[derive(Debug, Clone)]
pub struct Battery {
    /// Usable size in watt-hours.
    pub size_wh: f64,
    /// Greatest power in watts.
    pub power_w: f64,
    /// Seconds by which it follows.
    pub delay_s: usize,
    /// Charge now, in watt-hours.
    pub charge_wh: f64,
    /// Power now, in watts; negative is charging.
    pub power_now_w: f64,
}

impl Battery {
    /// One second passes with `rest_w`, the grid without the battery as it was `delay_s` ago.
    pub fn second(&mut self, rest_w: f64) -> f64 {
        let mut power = rest_w.clamp(-self.power_w, self.power_w);
        if (self.charge_wh >= self.size_wh && power < 0.0) || (self.charge_wh <= 0.0 && power > 0.0) {
            power = 0.0;
        }
        self.charge_wh = (self.charge_wh - power / 3600.0).clamp(0.0, self.size_wh);
        self.power_now_w = power;
        power
    }

    /// Whether it would take more.
    pub fn is_full(&self) -> bool {
        self.charge_wh >= self.size_wh * 0.995
    }
}

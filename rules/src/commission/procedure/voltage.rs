//! The voltage.

use crate::time::{Span, WallTime};

use super::machine::{Machine, Move};
use super::question::{Answer, Ask, Question};
use super::result::Made;
use super::world::World;

/// The voltage: measured, or typed from an instrument.
pub(super) struct Voltage {
    until: Option<WallTime>,
    typed: Option<f64>,
    low: f64,
    high: f64,
    rule: &'static str,
}

impl Voltage {
    /// The band of the country: in Great Britain 230 V -6 to +10 % (Electricity Safety, Quality and Continuity
    /// Regulations 2002, regulation 27), elsewhere 10 % each way (EN 50160; IEC 60038).
    pub(super) fn new(nominal: f64, british: bool) -> Voltage {
        let (low, rule) = if british {
            (0.94, "-6 to +10 % (ESQCR 2002, regulation 27)")
        } else {
            (0.90, "10 % each way (EN 50160)")
        };
        Voltage { until: None, typed: None, low: nominal * low, high: nominal * 1.10, rule }
    }

    fn verdict(&self, volts: f64, by: &str) -> Made {
        let (low, high, rule) = (self.low, self.high, self.rule);
        let made = if (low..=high).contains(&volts) {
            Made::good(format!("{volts:.1} V {by}, within {low:.1} to {high:.1} V: {rule}."))
        } else {
            Made::wrong(
                format!("{volts:.1} V {by} is outside {low:.1} to {high:.1} V: {rule}."),
                "Measure again with a second instrument; if it holds, tell the network operator before anything else.",
            )
        };
        made.read("voltage", volts, "V")
    }
}

impl Machine for Voltage {
    fn next(&mut self, world: &mut World) -> Move {
        if let Some(volts) = self.typed {
            return Move::Finish(self.verdict(volts, "by the instrument"));
        }
        if let Some((point, volts)) = world.volts() {
            let by = format!("by `{}`", world.name(point));
            return Move::Finish(self.verdict(volts, &by));
        }
        let measured = world.home.points.iter().any(|p| p.has_extra(crate::home::ExtraKind::Volts));
        let until = *self.until.get_or_insert(world.now + Span::seconds(30));
        if measured && world.now < until {
            return Move::Wait(until, "a reading of the voltage".to_owned());
        }
        Move::Ask(Question::new(
            "voltage.volts",
            "No point measures volts. What does your instrument read, line to neutral?",
            Ask::Number { unit: "V", low: 50.0, high: 500.0, optional: false },
        ))
    }

    fn answer(&mut self, _: &mut World, answer: Answer) {
        self.typed = answer.number();
    }
}

//! How the demo closes: what was caught, by the simulated home's own meter.

use overspill_rules::house::{Ledger, ZONE};
use overspill_rules::time::WallTime;
use serde_json::{Value, json};

/// What the demo came to.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Closing {
    /// When it began, at the simulated home.
    pub began: WallTime,
    /// When it ended there.
    pub ended: WallTime,
    /// How many times as fast as real time.
    pub speed: u16,
    /// The simulated home's own account; the controller has no part in it.
    pub ledger: Ledger,
}

impl Closing {
    /// For people, at most 80 columns wide.
    pub fn to_text(&self) -> String {
        let l = &self.ledger;
        let lasted = self.ended - self.began;
        let row = |words: &str, kwh: f64, more: &str| {
            format!("  {words:<34}{kwh:>7.2} kWh  {more}").trim_end().to_owned()
        };
        let share = match l.spare_kwh > 0.0 {
            true => format!("{:.0} % of it", 100.0 * l.caught_kwh / l.spare_kwh),
            false => String::new(),
        };
        let for_loads = format!("{:.2} kWh of it for the loads", l.bought_for_loads_kwh);
        [
            format!(
                "The simulated home's own meter, {} to {} ({lasted}):",
                minute(self.began),
                minute(self.ended)
            ),
            row("the roof made", l.solar_kwh, ""),
            row("of that the house did not need", l.spare_kwh, "this was spare"),
            row("the loads caught", l.caught_kwh, &share),
            row("the street got", l.export_kwh, ""),
            row("the street gave", l.import_kwh, &for_loads),
            String::new(),
            row("into the car", l.car_kwh, ""),
            row("into the hot water", l.heater_kwh, ""),
            row("into the pond pump", l.pump_kwh, ""),
            String::new(),
            "Caught is what the loads took that would have gone to the street without".to_owned(),
            "them. The home counted it second by second; the controller did not. Nothing".to_owned(),
            "real was switched.".to_owned(),
        ]
        .join("\n")
    }

    /// For programs; whole watt-hours, as a meter would show.
    pub fn to_json(&self) -> Value {
        let l = &self.ledger;
        let wh = |kwh: f64| (kwh * 1000.0).round() / 1000.0;
        json!({
            "from": self.began.to_rfc3339(),
            "to": self.ended.to_rfc3339(),
            "speed": self.speed,
            "solar_kwh": wh(l.solar_kwh),
            "house_kwh": wh(l.used_kwh),
            "import_kwh": wh(l.import_kwh),
            "export_kwh": wh(l.export_kwh),
            "spare_kwh": wh(l.spare_kwh),
            "caught_kwh": wh(l.caught_kwh),
            "bought_for_loads_kwh": wh(l.bought_for_loads_kwh),
            "car_kwh": wh(l.car_kwh),
            "water_kwh": wh(l.heater_kwh),
            "pond_kwh": wh(l.pump_kwh),
        })
    }
}

/// Local time at the simulated home.
fn minute(wall: WallTime) -> String {
    let zone = jiff::tz::TimeZoneDatabase::bundled().get(ZONE).unwrap_or(jiff::tz::TimeZone::UTC);
    wall.in_zone(&zone)
        .map_or_else(|| "an unknown time".to_owned(), |time| time.strftime("%H:%M").to_string())
}

#[cfg(test)]
mod tests {
    use overspill_rules::time::Span;

    use super::*;

    #[test]
    fn it_closes_in_plain_words_with_units() {
        let ledger = Ledger {
            solar_kwh: 4.21,
            used_kwh: 4.35,
            import_kwh: 0.31,
            export_kwh: 0.17,
            spare_kwh: 3.6,
            caught_kwh: 3.43,
            bought_for_loads_kwh: 0.09,
            car_kwh: 2.9,
            heater_kwh: 0.26,
            pump_kwh: 0.36,
        };
        let began = super::super::BEGINS;
        let closing = Closing { began, ended: began + Span::minutes(60), speed: 60, ledger };
        let text = closing.to_text();
        assert!(text.lines().all(|line| line.chars().count() <= 80));
        insta::assert_snapshot!(text);
    }
}

//! What a stream of numbers may be, by its name and by its range. A guess, and called one.

use super::heard::Place;
use overspill_rules::commission::Seen;

/// What a number may be.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// Power in watts.
    Watts,
    /// Power in kilowatts.
    Kilowatts,
    /// Current.
    Amps,
    /// Voltage.
    Volts,
    /// Register of energy in watt-hours.
    WattHours,
    /// Register of energy in kilowatt-hours.
    KilowattHours,
    /// Frequency.
    Hertz,
    /// A share, such as a state of charge.
    Percent,
    /// Temperature.
    Degrees,
    /// A time.
    Time,
    /// Anything.
    Unknown,
}

/// What a point may measure.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Role {
    /// The supply tail.
    Grid,
    /// The roof.
    Solar,
    /// The whole house.
    House,
    /// The battery.
    Battery,
}

impl Kind {
    /// As people read it.
    pub(super) fn words(self) -> &'static str {
        match self {
            Kind::Watts => "W",
            Kind::Kilowatts => "kW",
            Kind::Amps => "A",
            Kind::Volts => "V",
            Kind::WattHours => "Wh",
            Kind::KilowattHours => "kWh",
            Kind::Hertz => "Hz",
            Kind::Percent => "%",
            Kind::Degrees => "degrees",
            Kind::Time => "a time",
            Kind::Unknown => "anything",
        }
    }

    /// What the home file writes for a point of this kind.
    pub(super) fn unit(self) -> Option<&'static str> {
        match self {
            Kind::Watts => Some("W"),
            Kind::Kilowatts => Some("kW"),
            Kind::Amps => Some("A"),
            Kind::WattHours => Some("Wh"),
            Kind::KilowattHours => Some("kWh"),
            _ => None,
        }
    }
}

impl Role {
    /// As people read it.
    pub(super) fn spoken(self) -> &'static str {
        match self {
            Role::Grid => "the grid",
            Role::Solar => "the roof",
            Role::House => "the house",
            Role::Battery => "the battery",
        }
    }

    /// As the home file calls it.
    pub(super) fn word(self) -> &'static str {
        match self {
            Role::Grid => "grid",
            Role::Solar => "solar",
            Role::House => "house",
            Role::Battery => "battery",
        }
    }
}

/// The words of a name: parted at signs and at capitals, in small letters.
fn words(name: &str) -> Vec<String> {
    let mut all = vec![String::new()];
    let mut small = false;
    for c in name.chars() {
        let parts = !c.is_alphanumeric() || (c.is_uppercase() && small);
        if parts && all.last().is_some_and(|w| !w.is_empty()) {
            all.push(String::new());
        }
        small = c.is_lowercase();
        if let Some(word) = all.last_mut().filter(|_| c.is_alphanumeric()) {
            word.extend(c.to_lowercase());
        }
    }
    all.retain(|w| !w.is_empty());
    all
}

const NAMES: [(&[&str], Kind); 10] = [
    (&["kwh"], Kind::KilowattHours),
    (&["wh"], Kind::WattHours),
    (&["kw", "kilowatt", "kilowatts"], Kind::Kilowatts),
    (&["volt", "volts", "voltage", "v"], Kind::Volts),
    (&["amp", "amps", "current", "ampere"], Kind::Amps),
    (&["hz", "hertz", "frequency"], Kind::Hertz),
    (&["soc", "percent", "humidity", "pct"], Kind::Percent),
    (&["temp", "temperature", "celsius", "degrees"], Kind::Degrees),
    (&["time", "timestamp", "ts", "uptime"], Kind::Time),
    (&["w", "watt", "watts", "power", "draw"], Kind::Watts),
];

/// What the number at `place` may be. The last word that says something counts: `meter/power/voltage` is a voltage.
pub(super) fn kind(place: &Place, seen: Seen) -> Kind {
    let words = words(&format!("{}/{}", place.topic, place.pointer));
    match words.iter().rev().find_map(|word| named(word, seen)) {
        Some(Kind::Watts) if may_be_kilowatts(seen) => Kind::Kilowatts,
        Some(kind) => kind,
        None if role(place).is_some() && may_be_kilowatts(seen) => Kind::Kilowatts,
        None => by_range(seen),
    }
}

/// What a word says; many are written in one with others, such as "apower".
fn named(word: &str, seen: Seen) -> Option<Kind> {
    if word.ends_with("energy") {
        return Some(if seen.fractions { Kind::KilowattHours } else { Kind::WattHours });
    }
    let within = |names: &&str| word == *names || (names.len() >= 5 && word.ends_with(*names));
    NAMES.iter().find(|(names, _)| names.iter().any(&within)).map(|n| n.1)
}

/// A home never stays below 30 W for long, and watts seldom have fractions.
fn may_be_kilowatts(seen: Seen) -> bool {
    let most = seen.low.abs().max(seen.high.abs());
    seen.fractions && most > 0.0 && most < 30.0
}

fn by_range(seen: Seen) -> Kind {
    let within = |low: f64, high: f64| seen.low >= low && seen.high <= high;
    if within(1.4e9, 4e9) || within(1.4e12, 4e12) {
        Kind::Time
    } else if within(207.0, 262.0) {
        // 230 V +/- 10 % and a little (IEC 60038).
        Kind::Volts
    } else if within(49.0, 51.0) && seen.fractions {
        Kind::Hertz
    } else if seen.rises && seen.low > 100.0 && seen.count > 4 {
        if seen.fractions { Kind::KilowattHours } else { Kind::WattHours }
    } else if seen.low < -30.0 || (seen.high > 100.0 && seen.high < 50_000.0) {
        Kind::Watts
    } else {
        Kind::Unknown
    }
}

const ROLES: [(&[&str], Role); 4] = [
    (&["grid", "mains", "main", "supply", "tail", "utility"], Role::Grid),
    (&["solar", "pv", "roof", "inverter", "panels", "generation"], Role::Solar),
    (&["battery", "batt"], Role::Battery),
    (&["consumption", "wholehouse"], Role::House),
];

/// The side of the grid that a register counts, by its name.
pub(super) fn side(place: &Place) -> Option<&'static str> {
    let words = words(&format!("{}/{}", place.topic, place.pointer));
    words.iter().rev().find_map(|word| match word.as_str() {
        "import" | "imported" | "bought" | "consumed" => Some("grid.import"),
        "export" | "exported" | "sold" | "returned" => Some("grid.export"),
        _ => None,
    })
}

/// What a point of power may measure, by its name.
pub(super) fn role(place: &Place) -> Option<Role> {
    let words = words(&format!("{}/{}", place.topic, place.pointer));
    let named = |word: &String| ROLES.iter().find(|(names, _)| names.contains(&word.as_str())).map(|n| n.1);
    words.iter().rev().find_map(named)
}

/// The phase that a name says.
pub(super) fn phase(place: &Place) -> Option<u8> {
    let words = words(&format!("{}/{}", place.topic, place.pointer));
    words.iter().rev().find_map(|word| match word.as_str() {
        "l1" | "phase1" => Some(1),
        "l2" | "phase2" => Some(2),
        "l3" | "phase3" => Some(3),
        _ => None,
    })
}

//! What the home file allows a load, in words.

use overspill_rules::home::{CountedBy, Fallback, Home, Kind, Load, OnMove};
use overspill_rules::time::Span;
use serde::Serialize;
use utoipa::ToSchema;

use crate::web::speech::watts;

/// One bound: its name and what it is, in words.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
pub(crate) struct Bound {
    /// `floor`, `ceiling`, `turn`, ..
    pub(crate) name: &'static str,
    /// In words.
    pub(crate) words: String,
}

/// All bounds of a load.
pub(super) fn bounds(home: &Home, load: &Load) -> Vec<Bound> {
    let mut all = Vec::new();
    let mut add = |name: &'static str, words: String| all.push(Bound { name, words });
    let volts = home.supply.volts;
    match load.kind {
        Kind::ChargePoint { floor_a, ceiling_a } => {
            add(
                "Floor",
                format!("{floor_a} A ({}); nothing between that and off", watts(load.floor_w(volts))),
            );
            add("Ceiling", format!("{ceiling_a} A ({})", watts(load.ceiling_w(volts))));
        }
        Kind::Modulated { floor_w, ceiling_w } => {
            let floor = if floor_w > 0.0 { watts(floor_w) } else { "none; it takes any power".to_owned() };
            add("Floor", floor);
            add("Ceiling", watts(ceiling_w));
        }
        Kind::Switch { rating_w } => add("Rating", format!("{}, on or off", watts(rating_w))),
    }
    add("Phases", phases(home, load));
    add("Turn", turn(home, load));
    add("Circuit", circuit(home, load));
    add("Starts after", lasting(load.start_after, "enough spare power, without a miss"));
    add("Stops after", lasting(load.stop_after, "too little, or sooner once much was bought"));
    if load.is_charge_point() {
        add("Raised after", lasting(load.raise_after, "room for more"));
    }
    add("Runs", at_least(load.min_on));
    add("Rests", at_least(load.min_off));
    add("Fallback", fallback(load));
    add("By itself", device(load));
    if let Some(hot) = load.too_hot {
        add(
            "Too hot",
            format!(
                "not switched on above {} of {}, or while that is not known",
                hot.above,
                home.input(hot.input).id
            ),
        );
    }
    if load.counted_by == CountedBy::Nothing {
        add("Counted", "by its own meter only, not by the house's".to_owned());
    }
    if load.on_move == OnMove::Yield {
        add("Moved by others", "left to them for a while".to_owned());
    }
    all
}

fn phases(home: &Home, load: &Load) -> String {
    match (home.supply.phases, load.phases) {
        (1, _) => "one".to_owned(),
        (_, 3) => "all three".to_owned(),
        _ => format!("phase {}", load.phase),
    }
}

fn turn(home: &Home, load: &Load) -> String {
    let before: Vec<&str> = home
        .loads_by_turn()
        .into_iter()
        .map(|id| home.load(id))
        .take_while(|other| other.id != load.id)
        .map(|other| other.name.as_str())
        .collect();
    match before.as_slice() {
        [] => format!("{}: served first with spare power", load.turn),
        names => format!("{}: after {}", load.turn, names.join(", ")),
    }
}

fn circuit(home: &Home, load: &Load) -> String {
    let supply = format!("the supply, {} A", home.supply.rating_a);
    match load.circuit.map(|id| home.circuit(id)) {
        Some(circuit) => format!("{}, {} A, within {supply}", circuit.id, circuit.rating_a),
        None => supply,
    }
}

fn lasting(span: Span, of: &str) -> String {
    if span == Span::ZERO { "at once".to_owned() } else { format!("{span} of {of}") }
}

fn at_least(span: Span) -> String {
    if span == Span::ZERO { "as short as may be".to_owned() } else { format!("at least {span} at a time") }
}

fn fallback(load: &Load) -> String {
    let what = match load.fallback {
        Fallback::Off => "off".to_owned(),
        Fallback::Watts { watts: w } => watts(w),
        Fallback::Amps { amps } => format!("{amps} A"),
        Fallback::Release => "no command, so that its own time-out acts".to_owned(),
    };
    format!("{what}; whenever a reading is missing, a rule fails, or the program ends")
}

fn device(load: &Load) -> String {
    match load.device_timeout {
        Some(timeout) => format!("its device gives up a command that was not repeated for {timeout}"),
        None => "its device keeps the last command for ever, also if this program dies".to_owned(),
    }
}

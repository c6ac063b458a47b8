//! What can be wrong with a measuring point, and how it is mended.

use super::site::{Conductor, Flow};

/// One thing that can be wrong with a measuring point.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Cause {
    /// The clamp is on the wrong way round, or the sign in the home file is.
    Reversed,
    /// It measures what another point should: clamps, leads or topics are exchanged.
    Swapped(Conductor),
    /// A second conductor runs through the jaw, the same way or against.
    Encloses {
        /// Which.
        other: Conductor,
        /// Whether its power counts the other way.
        opposed: bool,
    },
    /// The grid clamp sits downstream of the solar connection: it measures the house.
    Downstream,
    /// The jaw is open, both conductors are inside, or nothing is connected: it reads about 0.
    NoReading,
    /// It reads too little or too much by a factor.
    Scale,
    /// The device sends kilowatts, and the home file says watts.
    KilowattsAsWatts,
    /// The device sends watts, and the home file says kilowatts.
    WattsAsKilowatts,
    /// Its voltage is taken from another phase.
    WrongPhase,
    /// The field of a neighbouring conductor disturbs it.
    Disturbed(Conductor),
    /// It measures current without voltage: how much, but not which way.
    Unsigned,
    /// The test load was on another phase than said; the point itself may be right.
    TestLoadElsewhere,
}

/// Common factors of a wrong scale, and what makes them. A clamp of 100 A entered as 50 A reads half; a burden of 33 ohm
/// entered as 22 ohm reads 1.5 times; a conductor led twice through the jaw reads double (computed).
const FACTORS: [(f64, &str); 6] = [
    (0.1, "a factor of ten in the ratio setting"),
    (0.5, "the ratio set to half the clamp's rating (a 100 A clamp entered as 50 A)"),
    (2.0 / 3.0, "a burden of 22 ohm entered as 33"),
    (1.5, "a burden of 33 ohm entered as 22"),
    (2.0, "the conductor led twice through the jaw, or the ratio set to double"),
    (10.0, "a factor of ten in the ratio setting"),
];

/// The likely cause of a scale that lies between two factors.
pub(super) fn likely_scale(low: f64, high: f64) -> Option<(f64, &'static str)> {
    let middle = (low * high).sqrt();
    let within = FACTORS.iter().filter(|(f, _)| (low..=high).contains(f));
    let off = |f: f64| (f / middle).ln().abs();
    within.min_by(|a, b| off(a.0).total_cmp(&off(b.0))).copied()
}

impl Cause {
    /// What is wrong, as a sentence's end: "the clamp of `grid` ..".
    pub fn what(self) -> String {
        match self {
            Cause::Reversed => "is the wrong way round".to_owned(),
            Cause::Swapped(c) => format!("measures {} instead: exchanged", named(c)),
            Cause::Encloses { other, opposed: false } => {
                format!("also encloses {}, running the same way", named(other))
            }
            Cause::Encloses { other, opposed: true } => {
                format!("also encloses {}, running the opposite way", named(other))
            }
            Cause::Downstream => "sits behind the solar connection, so it measures the house".to_owned(),
            Cause::NoReading => "reads nothing: its jaw is open, or both conductors are inside".to_owned(),
            Cause::Scale => "has the wrong scale".to_owned(),
            Cause::KilowattsAsWatts => "sends kilowatts that are taken for watts".to_owned(),
            Cause::WattsAsKilowatts => "sends watts that are taken for kilowatts".to_owned(),
            Cause::WrongPhase => "takes its voltage from another phase".to_owned(),
            Cause::Disturbed(c) => format!("is disturbed by {} beside it", named(c)),
            Cause::Unsigned => "tells how much flows, but not which way".to_owned(),
            Cause::TestLoadElsewhere => {
                "answers as if the test load was on another phase than stated, or drew nothing".to_owned()
            }
        }
    }

    /// How it is mended, as an order.
    pub fn mend(self) -> &'static str {
        match self {
            Cause::Reversed => {
                "Isolate, then turn the clamp round so that its arrow points as stated; or change `positive` in the home file."
            }
            Cause::Swapped(_) => {
                "Follow both leads to their clamps and exchange them; or exchange the two topics in the home file."
            }
            Cause::Encloses { .. } => {
                "Isolate, then close the jaw round the one conductor that it should measure."
            }
            Cause::Downstream => {
                "Isolate, then move the clamp to the supply side of the solar connection; or say `measures = \"house\"` in the home file."
            }
            Cause::NoReading => {
                "Isolate, then see that the jaw closes fully, that line or neutral alone is inside, and that the lead is plugged in."
            }
            Cause::Scale => {
                "Compare the ratio and burden printed on clamp and meter with their settings, count the turns through the jaw; or set `scale`."
            }
            Cause::KilowattsAsWatts => "Write `unit = \"kW\"` for this point.",
            Cause::WattsAsKilowatts => "Write `unit = \"W\"` for this point.",
            Cause::WrongPhase => {
                "Set the meter's channel to the voltage of the phase that the clamp is on, or move the clamp to that phase."
            }
            Cause::Disturbed(_) => {
                "Isolate, then move the clamp away from the other conductor, and see that its faces are clean and closed."
            }
            Cause::Unsigned => {
                "Use a meter that measures voltage on the same phase: without it nobody can tell import from export."
            }
            Cause::TestLoadElsewhere => {
                "Find the phase of the socket, see that the load draws, and repeat the step with the right one."
            }
        }
    }
}

/// A conductor as people name it.
pub(super) fn named(conductor: Conductor) -> String {
    let flow = match conductor.flow {
        Flow::Tail => "the supply tail",
        Flow::Solar => "the solar circuit",
        Flow::House => "the feed of the house",
        Flow::Battery => "the battery's circuit",
        Flow::Load(_) => "the circuit of a controlled load",
    };
    match conductor.phase {
        Some(phase) => format!("{flow} (L{phase})"),
        None => flow.to_owned(),
    }
}

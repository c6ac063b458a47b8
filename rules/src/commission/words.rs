//! What people read of a diagnosis: what was switched, why something stays open, what comes next, and how far a number
//! can be trusted.

use super::accuracy::Accuracy;
use super::diagnosis::Next;
use super::response::Unusable;
use super::step::What;

impl What {
    /// What was switched, within a sentence.
    pub fn words(self) -> String {
        match self {
            What::TestLoad(None) => "the test load".to_owned(),
            What::TestLoad(Some(phase)) => format!("the test load on L{phase}"),
            What::SolarOff => "the solar source".to_owned(),
            What::Load(_) => "the controlled load".to_owned(),
        }
    }
}

impl Unusable {
    /// Why an answer does not count, as a sentence's end.
    pub fn words(self) -> &'static str {
        match self {
            Unusable::Silent => "the point was not heard around the switchings",
            Unusable::Restless => "something else moved at the same time, such as a cloud or a kettle",
            Unusable::Contradicting => "the repeats contradict each other",
            Unusable::TooFew => "it was not switched often enough",
        }
    }
}

impl Next {
    /// What to do, as an order, and why.
    pub fn words(&self) -> String {
        match self {
            Next::Step(What::SolarOff, why) => {
                format!("Switch the solar source off and on again: {}.", why.words())
            }
            Next::Step(what, why) => format!("Switch {} on and off again: {}.", what.words(), why.words()),
            Next::Export => {
                "Wait until the home sends power out, then repeat the steps: only there does a direction show.".to_owned()
            }
            Next::Instrument => {
                "Hold an instrument on the same conductor and type in what it shows: only that tells a scale.".to_owned()
            }
            Next::LookAgain => {
                "No known fault explains this. Look at clamp, lead and conductor, and repeat the steps.".to_owned()
            }
        }
    }
}

impl Accuracy {
    /// What the comparison says, as whole sentences.
    pub fn words(&self) -> String {
        match self {
            Accuracy::Within { limit } => {
                format!(
                    "Agrees with the instrument within the {} % that both may be wrong by.",
                    percent(*limit)
                )
            }
            Accuracy::Outside { limit, reads_times } => format!(
                "Reads {reads_times:.2} times what the instrument shows; both together may be wrong by {} %.",
                percent(*limit)
            ),
            Accuracy::TooSmall { least_w } => format!(
                "Too little flows for any promise: the clamp's class says nothing below {least_w:.0} W. Compare while more flows."
            ),
            Accuracy::TooLarge { most_w } => format!(
                "More flows than the clamp is made for: its class says nothing above {most_w:.0} W. Compare while less flows."
            ),
            Accuracy::Nothing => {
                "The instrument shows nothing that can be compared. Compare while a load is on.".to_owned()
            }
        }
    }
}

/// A share in percent with one decimal at most.
pub(super) fn percent(share: f64) -> String {
    let percent = (share * 1000.0).round() / 10.0;
    format!("{percent}")
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::super::accuracy::{Class, Rating};
    use super::*;
    use crate::home::LoadId;

    #[test]
    fn what_comes_next_as_people_read_it() {
        let steps = [
            Next::Step(What::TestLoad(Some(2)), Unusable::Restless),
            Next::Step(What::TestLoad(None), Unusable::TooFew),
            Next::Step(What::SolarOff, Unusable::Contradicting),
            Next::Step(What::Load(LoadId(0)), Unusable::Silent),
            Next::Export,
            Next::Instrument,
            Next::LookAgain,
        ];
        let told: Vec<String> = steps.iter().map(Next::words).collect();
        insta::assert_snapshot!(told.join("\n"), @r"
        Switch the test load on L2 on and off again: something else moved at the same time, such as a cloud or a kettle.
        Switch the test load on and off again: it was not switched often enough.
        Switch the solar source off and on again: the repeats contradict each other.
        Switch the controlled load on and off again: the point was not heard around the switchings.
        Wait until the home sends power out, then repeat the steps: only there does a direction show.
        Hold an instrument on the same conductor and type in what it shows: only that tells a scale.
        No known fault explains this. Look at clamp, lead and conductor, and repeat the steps.
        ");
    }

    #[test]
    fn how_far_a_number_can_be_trusted_as_people_read_it() {
        let rating = Rating { class: Class::One, rated_a: 100.0, volts: 230.0 };
        let promises = [460.0, 1150.0, 4600.0, 23_000.0, 30_000.0].map(|watts| rating.words(watts));
        let compared = [(2345.0, 2300.0), (1150.0, 2300.0), (470.0, 460.0), (31_000.0, 30_000.0), (3.0, 0.0)]
            .map(|(reads, reference)| rating.compare(reads, reference, 0.02).words());
        insta::assert_snapshot!(promises.iter().chain(&compared).cloned().collect::<Vec<_>>().join("\n"), @r"
        460 W is too little for any promise: the clamp's class begins at 1150 W.
        At 1150 W the clamp may be wrong by 3 %.
        At 4600 W the clamp may be wrong by 1.5 %.
        At 23000 W the clamp may be wrong by 1 %.
        30000 W is more than the clamp is made for: it promises nothing above 27600 W.
        Agrees with the instrument within the 4.5 % that both may be wrong by.
        Reads 0.50 times what the instrument shows; both together may be wrong by 4.5 %.
        Too little flows for any promise: the clamp's class says nothing below 1150 W. Compare while more flows.
        More flows than the clamp is made for: its class says nothing above 27600 W. Compare while less flows.
        The instrument shows nothing that can be compared. Compare while a load is on.
        ");
    }
}

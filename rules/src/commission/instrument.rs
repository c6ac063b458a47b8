//! A verdict of the steps, held against an instrument on the same conductor. Steps prove direction and place; a scale that
//! is off by less than a fifth only an instrument shows, since heaters are rated to -10 and +5 % (IEC 60335-1, from memory).

use super::accuracy::Accuracy;
use super::cause::Cause;
use super::diagnosis::{Next, PointReport, Verdict};
use super::suspect::Suspect;

/// The report with what the instrument showed. Where too little flows for any promise nothing changes. A point that reads
/// other than the instrument is never good; one that reads the same has no wrong scale alone.
pub fn with_instrument(mut report: PointReport, accuracy: &Accuracy) -> PointReport {
    match *accuracy {
        Accuracy::Within { .. } => report.verdict = agreeing(report.verdict),
        Accuracy::Outside { limit, reads_times } => {
            report.verdict = differing(report.verdict, reads_times);
            if reads_times > 0.0 {
                report.reads_times = Some((reads_times * (1.0 - limit), reads_times * (1.0 + limit)));
            }
        }
        Accuracy::TooSmall { .. } | Accuracy::TooLarge { .. } | Accuracy::Nothing => {}
    }
    report
}

fn agreeing(verdict: Verdict) -> Verdict {
    let without = |open: Vec<Suspect>| -> Vec<Suspect> {
        open.into_iter().filter(|s| s.causes != [Cause::Scale]).collect()
    };
    match verdict {
        Verdict::Inconclusive { open, next } => match without(open) {
            open if open == [Suspect::good()] => Verdict::Good,
            open => Verdict::Inconclusive { open, next },
        },
        Verdict::Wrong(open) => match without(open.clone()) {
            left if left.is_empty() => contradicted(open),
            left => Verdict::Wrong(left),
        },
        Verdict::Good => Verdict::Good,
    }
}

fn differing(verdict: Verdict, reads_times: f64) -> Verdict {
    match verdict {
        Verdict::Good if reads_times > 0.0 => Verdict::Wrong(vec![Suspect::of(&[Cause::Scale])]),
        Verdict::Good => contradicted(vec![Suspect::good()]),
        Verdict::Inconclusive { open, .. } => {
            let mut wrong: Vec<Suspect> = open.into_iter().filter(|s| !s.is_good()).collect();
            let scale = Suspect::of(&[Cause::Scale]);
            if reads_times > 0.0 && !wrong.contains(&scale) {
                wrong.insert(0, scale);
            }
            if wrong.is_empty() { contradicted(wrong) } else { Verdict::Wrong(wrong) }
        }
        Verdict::Wrong(open) => Verdict::Wrong(open),
    }
}

/// Steps and instrument tell different things: one of them was done wrong.
fn contradicted(open: Vec<Suspect>) -> Verdict {
    Verdict::Inconclusive { open, next: Next::LookAgain }
}

#[cfg(test)]
mod tests {
    use super::super::accuracy::{Class, Rating};
    use super::*;
    use crate::home::PointId;

    const CLAMP: Rating = Rating { class: Class::One, rated_a: 100.0, volts: 230.0 };

    fn after(verdict: Verdict, reads_w: f64) -> PointReport {
        let report = PointReport { point: PointId(0), responses: Vec::new(), verdict, reads_times: None };
        with_instrument(report, &CLAMP.compare(reads_w, 2300.0, 0.02))
    }

    #[test]
    fn a_good_point_that_reads_a_tenth_less_has_a_wrong_scale() {
        let report = after(Verdict::Good, 2070.0);
        assert_eq!(report.verdict, Verdict::Wrong(vec![Suspect::of(&[Cause::Scale])]));
        let (low, high) = report.reads_times.unwrap_or_default();
        assert!(low < 0.9 && high > 0.9 && high - low < 0.1, "{low} {high}");
    }

    #[test]
    fn a_good_point_that_agrees_stays_good_and_one_against_the_steps_does_not() {
        assert_eq!(after(Verdict::Good, 2310.0).verdict, Verdict::Good);
        assert!(matches!(
            after(Verdict::Good, -2310.0).verdict,
            Verdict::Inconclusive { next: Next::LookAgain, .. }
        ));
        let small = with_instrument(after(Verdict::Good, 2310.0), &CLAMP.compare(300.0, 460.0, 0.02));
        assert_eq!(small.verdict, Verdict::Good, "too little flows for any promise");
    }

    #[test]
    fn an_open_scale_is_settled_either_way() {
        let open = || Verdict::Inconclusive {
            open: vec![Suspect::good(), Suspect::of(&[Cause::Scale])],
            next: Next::Instrument,
        };
        assert_eq!(after(open(), 2310.0).verdict, Verdict::Good);
        assert_eq!(after(open(), 1150.0).verdict, Verdict::Wrong(vec![Suspect::of(&[Cause::Scale])]));
    }
}

//! Three phases from end to end in virtual time: one clamp times its power to the voltage of another phase and one is the
//! wrong way round; both are found, the home file is corrected where it can be, and the second run is good.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use std::path::Path;

use overspill::commission::proposal;
use overspill::config;
use overspill_rules::commission::procedure::{Event, Procedure, Question, Said, Standing, StepResult};
use overspill_rules::commission::{Cause, Correction, Suspect, Verdict};
use overspill_rules::home::{Home, PointId};
use overspill_rules::input::{Input, Reading};
use overspill_rules::time::{Span, WallTime};

/// 18 June 2026, 10:40 in London.
const DAY: WallTime = WallTime(1_781_775_600_000);

const HEAD: &str = "[home]\nid = \"linnet\"\nname = \"Linnet House\"\ntimezone = \"Europe/London\"\n\n\
    [supply]\nphases = 3\nvolts = 230\nrating_a = 60\n\n[mqtt]\nurl = \"mqtt://127.0.0.1:1883\"\n\n";

fn home_text() -> String {
    let point = |id: &str, measures: &str, phase: u8, positive: &str| {
        format!(
            "[point.{id}]\nmeasures = \"{measures}\"\nphase = {phase}\ntopic = \"meter/{id}\"\nunit = \"W\"\n{positive}interval = \"1s\"\n\n"
        )
    };
    let grids =
        (1..=3).map(|p| point(&format!("grid-l{p}"), "grid", p, "positive = \"import\" # by its arrow\n"));
    format!("{HEAD}{}{}", grids.collect::<String>(), point("solar", "solar", 1, ""))
}

fn home(text: &str) -> Home {
    config::parse(text, Path::new("home.toml"))
        .unwrap_or_else(|why| panic!("{}", why.render(config::Look::PLAIN)))
        .home
}

/// What is wrong with the wiring.
#[derive(Clone, Copy)]
struct Wiring {
    /// The voltage reference of L2's clamp is that of the phase behind.
    l2_by_another_phase: bool,
    l3_reversed: bool,
}

/// Somebody at the house, and the house.
struct Visit {
    procedure: Procedure,
    wiring: Wiring,
    now: WallTime,
    /// The phase that the test load draws from.
    test_load: Option<usize>,
    roof_on_since: Option<WallTime>,
}

const TEST_W: f64 = 2350.0;
const ROOF_W: f64 = 3100.0;

impl Visit {
    fn new(home: &Home, wiring: Wiring) -> Visit {
        let procedure = Procedure::new(home, Vec::new());
        Visit { procedure, wiring, now: DAY, test_load: None, roof_on_since: Some(WallTime(0)) }
    }

    fn roof_w(&self) -> f64 {
        let on_s = self.roof_on_since.map_or(0.0, |since| (self.now - since).as_seconds() - 90.0);
        ROOF_W * (on_s / 20.0).clamp(0.0, 1.0)
    }

    /// Watts and var that flow in from the supply on a phase: a base that wavers, a tenth of it inductive.
    fn tail(&self, phase: usize) -> (f64, f64) {
        let wave = (self.now.0 / 1000 * [7, 11, 13][phase] % 17) as f64;
        let base = [420.0, 260.0, 310.0][phase] + wave;
        let test = if self.test_load == Some(phase) { TEST_W } else { 0.0 };
        let roof = if phase == 0 { self.roof_w() } else { 0.0 };
        (base + test - roof, 0.1 * base)
    }

    fn reads(&self) -> [f64; 4] {
        let mut watts = [0, 1, 2].map(|phase| self.tail(phase).0);
        if self.wiring.l2_by_another_phase {
            // Cos 120 degrees of the watts, and sin 120 degrees of the var (computed).
            let (active, reactive) = self.tail(1);
            watts[1] = -0.5 * active + 0.75_f64.sqrt() * reactive;
        }
        if self.wiring.l3_reversed {
            watts[2] = -watts[2];
        }
        [watts[0], watts[1], watts[2], self.roof_w()]
    }

    fn second(&mut self) {
        self.now = self.now + Span::seconds(1);
        for (i, value) in self.reads().into_iter().enumerate() {
            let point = PointId(i as u16);
            let reading = Reading { point, extra: None, value, device_time: None, retained: false };
            self.procedure.heard(self.now, &Input::Reading(reading));
        }
    }

    /// Does what a question wants, and answers; what is not part of it is skipped.
    fn answer(&mut self, question: &Question) -> Said {
        let key = question.key.as_str();
        let phase =
            |key: &str| key.strip_prefix("test-load.l").and_then(|k| k.get(..1)?.parse::<usize>().ok());
        // The cautions can't be skipped.
        if key.starts_with("cautions.") {
            let typed = if key == "cautions.name" { "R. Fitter" } else { "yes" };
            return question.read(typed).unwrap();
        }
        let typed = match (phase(key), key.rsplit('.').next().unwrap_or_default()) {
            (Some(_), "rated-w") => "2400",
            (Some(_), "rated-v") => "230",
            (Some(phase), "on") => {
                self.test_load = Some(phase - 1);
                "done"
            }
            (Some(_), "off") => {
                self.test_load = None;
                "done"
            }
            (_, "ready") => "done",
            (None, "display-w") => "3100",
            (None, "on") => {
                self.roof_on_since = Some(self.now);
                "done"
            }
            (None, "off") => {
                self.roof_on_since = None;
                "done"
            }
            _ => "skip",
        };
        // A hand takes its time.
        (0..2).for_each(|_| self.second());
        question.read(typed).unwrap()
    }

    /// The whole of it; gives the verdicts on the points.
    fn made(&mut self) -> Vec<StepResult> {
        let mut verdicts = Vec::new();
        for _ in 0..30_000 {
            match self.procedure.poll(self.now) {
                Event::Wait { .. } => self.second(),
                Event::Ask(question) => {
                    let said = self.answer(&question);
                    self.procedure.answer(self.now, said);
                }
                Event::Result(result) if result.id.starts_with("point.") => verdicts.push(result),
                Event::Done => return verdicts,
                _ => {}
            }
        }
        panic!("it does not end");
    }
}

fn stands(verdicts: &[StepResult]) -> Vec<(&str, Standing)> {
    verdicts.iter().map(|r| (r.id.as_str(), r.standing)).collect()
}

#[test]
fn a_wrong_phase_and_a_reversed_clamp_are_found_and_good_at_the_second_run() {
    let text = home_text();
    let before = home(&text);
    let mut first = Visit::new(&before, Wiring { l2_by_another_phase: true, l3_reversed: true });
    let verdicts = first.made();
    let wanted = [
        ("point.grid-l1", Standing::Good),
        ("point.grid-l2", Standing::Wrong),
        ("point.grid-l3", Standing::Wrong),
        ("point.solar", Standing::Good),
    ];
    assert_eq!(stands(&verdicts), wanted, "{verdicts:#?}");
    let diagnosis = first.procedure.diagnosis();
    let single = |point: usize| -> Vec<Suspect> {
        let Verdict::Wrong(open) = &diagnosis.points[point].verdict else { panic!("{point} is not wrong") };
        open.iter().filter(|s| s.causes.len() == 1).cloned().collect()
    };
    assert_eq!(single(1), [Suspect::of(&[Cause::WrongPhase])]);
    assert_eq!(single(2), [Suspect::of(&[Cause::Reversed])]);

    // A file can turn a sign; the voltage of a phase only hands can change.
    let corrections = proposal::corrections(first.procedure.site(), &diagnosis);
    assert_eq!(corrections, [(PointId(2), Correction::FlipSign)]);
    let path = Path::new("home.toml");
    let proposed = proposal::propose(&text, path, &before, &corrections).unwrap();
    let l3 = text.find("[point.grid-l3]").unwrap();
    let wanted = format!("{}{}", &text[..l3], text[l3..].replacen("\"import\"", "\"export\"", 1));
    assert_eq!(proposed.after, wanted);

    let after = home(&proposed.after);
    let mut second = Visit::new(&after, Wiring { l2_by_another_phase: false, l3_reversed: true });
    let verdicts = second.made();
    assert!(verdicts.len() == 4 && verdicts.iter().all(|r| r.standing == Standing::Good), "{verdicts:#?}");
    assert!(proposal::corrections(second.procedure.site(), &second.procedure.diagnosis()).is_empty());
}

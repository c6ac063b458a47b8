//! What comes of each step, put into the record; and what of the record still holds.

use jiff::Timestamp;
use overspill_rules::commission::passive::{Held, PassiveReport};
use overspill_rules::commission::procedure::{Fact, Read, Standing as Stands, Step, StepResult};
use overspill_rules::home::{Home, Kind, Measures, Positive, Side};
use overspill_rules::time::{Span, WallTime};

use super::proposal::{Proposal, Written};
use super::record::{
    Acknowledged, Applied, Contact, Fuse, Instrument, LoadHeld, Of, PointHeld, Reading, Record, Register,
    Source, Standing, Test, Trial, Which, Who,
};

/// What is next with a step that nobody began.
pub(crate) const NOT_BEGUN: &str = "Do this step.";

/// What is next with a step that was decided for another home file.
pub(crate) const LAPSED: &str = "Do this step again.";

fn stamp(at: WallTime) -> Timestamp {
    Timestamp::from_millisecond(at.0).unwrap_or(Timestamp::UNIX_EPOCH)
}

/// A new record of a home.
pub(super) fn begin(home: &Home, fingerprint: &str, at: WallTime) -> Record {
    let of = Of {
        id: home.id.clone(),
        name: home.name.clone(),
        address: None,
        timezone: home.timezone.iana_name().unwrap_or("UTC").to_owned(),
    };
    Record::new(of, fingerprint.to_owned(), stamp(at))
}

/// Puts the points, loads and steps of the home as it is now into the record; what is known of them stays.
pub(super) fn set_up(record: &mut Record, home: &Home, steps: &[Step]) {
    let tests = std::mem::take(&mut record.tests);
    record.tests = steps
        .iter()
        .map(|step| {
            let known = tests.iter().find(|t| t.id == step.id).cloned();
            known.unwrap_or_else(|| Test {
                id: step.id.clone(),
                title: step.title.clone(),
                at: None,
                by: None,
                readings: Vec::new(),
                verdict: Standing::Open,
                words: "It was not done yet.".to_owned(),
                next: Some(NOT_BEGUN.to_owned()),
                proves: step.proves.clone(),
                home_file: record.home_file.clone(),
                before: None,
                earlier: Vec::new(),
            })
        })
        .collect();
    let points = std::mem::take(&mut record.points);
    let is_judged = |id: &str| steps.iter().any(|s| s.id == format!("point.{id}"));
    record.points = home
        .points
        .iter()
        .map(|point| {
            let known = points.iter().find(|p| p.id == point.id);
            PointHeld {
                id: point.id.clone(),
                measures: measures(home, point.measures),
                conductor: known.and_then(|k| k.conductor),
                direction: direction(point.positive).to_owned(),
                ratio: known.and_then(|k| k.ratio.clone()),
                phase: point.phase,
                as_found: known.and_then(|k| k.as_found.clone()),
                as_left: known.and_then(|k| k.as_left.clone()),
                label: format!("{}: {}. Do not move or turn.", point.id, measures(home, point.measures)),
                photograph: known.and_then(|k| k.photograph.clone()),
                not_provable: (!is_judged(&point.id)).then(|| {
                    "It counts one side of the grid only, so switching can't prove its direction.".to_owned()
                }),
            }
        })
        .collect();
    let loads = std::mem::take(&mut record.loads);
    record.loads = home
        .loads
        .iter()
        .map(|load| {
            let known = loads.iter().find(|l| l.id == load.id);
            LoadHeld {
                id: load.id.clone(),
                name: load.name.clone(),
                rating: rating(load.kind),
                local_switch: known.and_then(|k| k.local_switch.clone()),
                fallback: load.fallback.words(),
                declared_s: load.device_timeout.map(|t| t.as_seconds()),
                timed_s: known.and_then(|k| k.timed_s),
                trials: known.map_or_else(Vec::new, |k| k.trials.clone()),
            }
        })
        .collect();
}

pub(super) fn measures(home: &Home, measures: Measures) -> String {
    match measures {
        Measures::Grid(Side::Both) => "the supply".to_owned(),
        Measures::Grid(Side::Import) => "what comes from the supply".to_owned(),
        Measures::Grid(Side::Export) => "what goes out to the supply".to_owned(),
        Measures::Solar => "the roof".to_owned(),
        Measures::House => "the feed of the house".to_owned(),
        Measures::Battery => "the battery".to_owned(),
        Measures::Load(load) => home.load(load).name.clone(),
    }
}

fn direction(positive: Positive) -> &'static str {
    match positive {
        Positive::Import => "positive is import",
        Positive::Export => "positive is export",
        Positive::Generation => "positive is generation",
        Positive::Use => "positive is use",
        Positive::Charge => "positive is charging",
        Positive::Discharge => "positive is discharging",
    }
}

fn rating(kind: Kind) -> String {
    match kind {
        Kind::ChargePoint { floor_a, ceiling_a } => format!("{floor_a:.0} to {ceiling_a:.0} A"),
        Kind::Modulated { floor_w, ceiling_w } => format!("{floor_w:.0} to {ceiling_w:.0} W"),
        Kind::Switch { rating_w } => format!("{rating_w:.0} W"),
    }
}

/// The results that still hold, for the procedure.
pub(super) fn earlier(record: &Record) -> Vec<StepResult> {
    let held = |t: &&Test| t.at.is_some() && (t.verdict == Standing::Good || t.id == "daylight");
    record.tests.iter().filter(held).map(result).collect()
}

fn result(test: &Test) -> StepResult {
    let at = test.at.map_or(WallTime(0), |at| WallTime(at.as_millisecond()));
    StepResult {
        id: test.id.clone(),
        title: test.title.clone(),
        at,
        standing: match test.verdict {
            Standing::Good => Stands::Good,
            Standing::Wrong => Stands::Wrong,
            Standing::Open | Standing::Lapsed => Stands::Open,
        },
        words: test.words.clone(),
        next: test.next.clone().unwrap_or_default(),
        // Of an earlier sitting only the roof's readings by day and by night are looked at again, and those are watts.
        readings: test
            .readings
            .iter()
            .map(|r| Read { name: r.name.clone(), value: r.value, unit: "W" })
            .collect(),
        proves: test.proves.clone(),
        facts: Vec::new(),
    }
}

/// Puts what came of a step into the record.
pub(super) fn note(record: &mut Record, result: &StepResult, by: &str) {
    let at = stamp(result.at);
    let finite = result.readings.iter().filter(|r| r.value.is_finite());
    record.put(Test {
        id: result.id.clone(),
        title: result.title.clone(),
        at: Some(at),
        by: (!by.is_empty()).then(|| by.to_owned()),
        readings: finite
            .map(|r| Reading {
                name: r.name.clone(),
                value: (r.value * 100.0).round() / 100.0,
                unit: r.unit.to_owned(),
            })
            .collect(),
        verdict: match result.standing {
            Stands::Good => Standing::Good,
            Stands::Wrong => Standing::Wrong,
            Stands::Open => Standing::Open,
        },
        words: result.words.clone(),
        next: (!result.next.is_empty()).then(|| result.next.clone()),
        proves: result.proves.clone(),
        home_file: record.home_file.clone(),
        before: None,
        earlier: Vec::new(),
    });
    // What a step asks anew stands in place of what it asked before.
    match result.id.as_str() {
        "sources" if !result.facts.is_empty() => record.sources.clear(),
        "registers" if !result.facts.is_empty() => record.registers.clear(),
        "contacts" if !result.facts.is_empty() => record.contacts.clear(),
        "instruments" if !result.facts.is_empty() => record.instruments.clear(),
        _ => {}
    }
    for fact in &result.facts {
        put(record, fact, at);
    }
}

fn put(record: &mut Record, fact: &Fact, at: Timestamp) {
    match fact {
        Fact::Who { name, company, registration, telephone } => {
            record.who = Some(Who {
                name: name.clone(),
                company: company.clone(),
                registration: registration.clone(),
                telephone: telephone.clone(),
            });
        }
        Fact::Address(address) => record.home.address = Some(address.clone()),
        Fact::Acknowledged(name) => {
            record.acknowledged.retain(|a| a.name != *name);
            let all = overspill_rules::commission::BEFORE_ALL;
            record.acknowledged.extend(all.iter().map(|what| Acknowledged {
                what: (*what).to_owned(),
                name: name.clone(),
                at,
            }));
        }
        Fact::Source(name, isolation) => {
            record.sources.push(Source { name: name.clone(), isolation: isolation.clone() });
        }
        Fact::Fuse(rating_a, known_by) => {
            record.fuse = Some(Fuse { rating_a: *rating_a, known_by: known_by.clone() });
        }
        Fact::Instrument([make, model, serial, calibrated]) => record.instruments.push(Instrument {
            kind: "instrument".to_owned(),
            make: make.clone(),
            model: model.clone(),
            serial: serial.clone(),
            calibrated: calibrated.parse().ok(),
        }),
        Fact::Register(register, value) => record.registers.push(Register {
            meter: if *register == "generation" { "generation meter" } else { "supply meter" }.to_owned(),
            register: (*register).to_owned(),
            value: *value,
            unit: "kWh".to_owned(),
            at,
        }),
        Fact::Contact(role, name, telephone) => record.contacts.push(Contact {
            role: role.clone(),
            name: name.clone(),
            telephone: telephone.clone(),
        }),
        Fact::Clamp { point, conductor, ratio } => {
            if let Some(held) = record.point_mut(point) {
                held.conductor = match conductor.as_str() {
                    "line" => Some(Which::Line),
                    "neutral" => Some(Which::Neutral),
                    _ => None,
                };
                held.ratio.clone_from(ratio);
            }
        }
        Fact::ByHand(load, words) => {
            if let Some(held) = record.load_mut(load) {
                held.local_switch = Some(words.clone());
            }
        }
        Fact::Fallback { load, way, seconds } => {
            if let Some(held) = record.load_mut(load) {
                held.trials.push(Trial {
                    at,
                    way: (*way).to_owned(),
                    seconds: (*seconds * 10.0).round() / 10.0,
                });
            }
        }
        Fact::Found(point, words) => {
            if let Some(held) = record.point_mut(point) {
                held.as_found.get_or_insert_with(|| words.clone());
                held.as_left = Some(words.clone());
            }
        }
    }
}

/// Completes open steps by what the recorded readings prove, and gives the titles of those that it completed or found
/// wrong. A step that was found wrong by switching is not made good by history.
pub(crate) fn by_history(
    record: &mut Record,
    home: &Home,
    report: &PassiveReport,
    at: WallTime,
) -> Vec<String> {
    let mut changed = Vec::new();
    let held = |id: &str| report.findings.iter().find(|f| home.point(f.point).id == id).map(|f| &f.held);
    let dark = report.dark.is_some_and(|d| d >= Span::hours(2));
    for test in &mut record.tests {
        let point = test.proves.first().and_then(|p| p.strip_prefix("point.")).map(str::to_owned);
        let Some(point) = point else { continue };
        let fits = test.id == format!("point.{point}") || (test.id == "daylight" && dark);
        if !fits || !matches!(test.verdict, Standing::Open | Standing::Lapsed) {
            continue;
        }
        let (verdict, words, next) = match held(&point) {
            Some(Held::Good) => (
                Standing::Good,
                "Recorded readings prove its direction and its conductor; its scale only against other points.",
                None,
            ),
            Some(Held::Wrong(_)) => (
                Standing::Wrong,
                "Recorded readings can't come from a point that is right.",
                Some("Run this command with --from and --to to read what explains it."),
            ),
            _ => continue,
        };
        test.earlier = test.with_itself_earlier();
        test.readings.clear();
        test.verdict = verdict;
        words.clone_into(&mut test.words);
        test.next = next.map(str::to_owned);
        test.by = Some("recorded history".to_owned());
        test.at = Some(stamp(at));
        test.before = None;
        test.home_file.clone_from(&record.home_file);
        changed.push(test.title.clone());
    }
    changed
}

/// Notes that the home file was changed.
pub(crate) fn keep_correction(
    record: &mut Record,
    proposed: &Proposal,
    written: &Written,
    by: &str,
    at: WallTime,
) {
    record.corrections.push(Applied {
        at: stamp(at),
        by: by.to_owned(),
        what: proposed.changes.join("; "),
        kept: written.kept.file_name().unwrap_or_default().to_string_lossy().into_owned(),
        from: written.from.clone(),
        to: written.to.clone(),
    });
}

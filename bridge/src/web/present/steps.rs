//! The steps of the present in words.

use overspill_rules::home::{Home, Kind, LoadId, Measures};
use overspill_rules::output::{DrawSource, Flows, Limit, LoadReport, Notice, Severity};
use overspill_rules::time::WallTime;

use super::Present;
use super::cascade::{Does, cascade};
use super::picture::{Picture, Row, Way};
use crate::daemon::Facts;
use crate::web::speech;

/// Notices shown.
const NOTICES: usize = 3;

/// One step as it is told.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Step {
    /// Who or what it is.
    pub(super) name: String,
    /// A word for the class of the row.
    pub(super) class: &'static str,
    /// Watts, in words.
    pub(super) watts: String,
    /// What it does, why, and when that may change.
    pub(super) sentence: String,
    /// The load's id, where it is one that can be overridden.
    pub(super) load: Option<String>,
    /// How many lines are kept for its words on a narrow page, and on a wide one.
    pub(super) lines: [usize; 2],
}

/// A notice as it is told.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Said {
    pub(super) time: String,
    /// `Warning: `, `Problem: ` or nothing.
    pub(super) severity: &'static str,
    pub(super) text: String,
}

/// Everything that the page says of these facts.
pub(super) fn present(home: &Home, facts: &Facts) -> Present {
    let flows = facts.balance.as_ref().and_then(|b| b.flows.as_ref()).map(in_whole_watts);
    let told = Teller { home, facts, flows: flows.as_ref() };
    let (steps, does) = told.steps();
    let drawn = cascade(&does.iter().map(|(does, _)| *does).collect::<Vec<_>>());
    // Where a part is not known the rest would be drawn as if it were the whole.
    let known = flows.as_ref().is_some_and(|f| f.base_w.is_some());
    let rows = |page: usize| {
        let row = |(step, (_, way)): (&Step, &(Does, Way))| Row { lines: step.lines[page], way: *way };
        steps.iter().zip(&does).map(row).collect::<Vec<_>>()
    };
    let pictures = [0, 1].map(|page| Picture::of(&drawn, &rows(page), known));
    Present {
        time: told.time(),
        headline: told.headline(),
        spare: told.spare(),
        doubt: told.doubt(),
        apart: told.apart(),
        notices: told.notices(),
        steps,
        pictures,
    }
}

/// The same flows in whole watts that add up: what is lost by rounding goes to the house, which is worked out anyway.
fn in_whole_watts(flows: &Flows) -> Flows {
    let [grid_w, solar_w, battery_w] =
        [Some(flows.grid_w), flows.solar_w, flows.battery_w].map(|w| w.map(whole));
    let loads_w: Vec<Option<f64>> = flows.loads_w.iter().map(|w| w.map(whole)).collect();
    let comes: f64 = [grid_w, solar_w, battery_w].into_iter().flatten().sum();
    let taken: f64 = loads_w.iter().flatten().sum();
    let base_w = flows.base_w.map(|_| comes - taken);
    Flows { grid_w: grid_w.unwrap_or_default(), solar_w, battery_w, base_w, loads_w }
}

struct Teller<'a> {
    home: &'a Home,
    facts: &'a Facts,
    flows: Option<&'a Flows>,
}

impl Teller<'_> {
    fn steps(&self) -> (Vec<Step>, Vec<(Does, Way)>) {
        let mut steps = Vec::new();
        let mut does = Vec::new();
        let flows = self.flows;
        let roof_w = flows.and_then(|f| f.solar_w);
        if self.home.measures(Measures::Solar) || roof_w.is_some() {
            steps.push(step("Roof", "roof", roof_w, roof_words(roof_w), None));
            does.push((Does::Gives(roof_w), Way::Source));
        }
        let battery = self.battery();
        let first = self.home.battery.is_none_or(|b| b.first);
        if let Some((step, Does::Gives(w))) = &battery {
            steps.push(step.clone());
            does.push((Does::Gives(*w), Way::Source));
        }
        let base_w = flows.and_then(|f| f.base_w);
        steps.push(step("House", "house", base_w, house_words(base_w), None));
        does.push((Does::Takes(base_w), Way::Use));
        let takes = battery.filter(|(_, does)| matches!(does, Does::Takes(_)));
        if let Some((step, d)) = takes.clone().filter(|_| first) {
            steps.push(step);
            does.push((d, Way::Use));
        }
        for id in self.home.loads_by_turn() {
            let Some(watts) =
                flows.map_or(Some(None), |f| f.loads_w.get(usize::from(id.0)).copied().flatten().map(Some))
            else {
                continue;
            };
            steps.push(self.load(id, watts));
            does.push((Does::Takes(watts), Way::Use));
        }
        if let Some((step, d)) = takes.filter(|_| !first) {
            steps.push(step);
            does.push((d, Way::Use));
        }
        steps.push(self.street());
        does.push((Does::Takes(None), Way::Street));
        (steps, does)
    }

    /// The battery's step, where the home has one that is measured.
    fn battery(&self) -> Option<(Step, Does)> {
        if !self.home.measures(Measures::Battery) {
            return None;
        }
        let watts = self.flows.and_then(|f| f.battery_w);
        Some(match watts {
            Some(w) if w > 0.0 => {
                (step("Battery", "battery", watts, "gives what it kept".to_owned(), None), Does::Gives(watts))
            }
            Some(w) => {
                let words = if w < 0.0 { "charges" } else { "rests" };
                (step("Battery", "battery", Some(-w), words.to_owned(), None), Does::Takes(Some(-w)))
            }
            None => (step("Battery", "battery", None, "no reading".to_owned(), None), Does::Takes(None)),
        })
    }

    fn load(&self, id: LoadId, watts: Option<f64>) -> Step {
        let load = self.home.load(id);
        let report = self.facts.loads.get(usize::from(id.0)).and_then(|l| l.report.as_ref());
        let words = report.map_or_else(|| "not decided yet".to_owned(), |r| self.load_words(r, &load.kind));
        step(&load.name, "load", watts, words, Some(load.id.clone()))
    }

    /// What a load is told to do, why, and when that may change.
    fn load_words(&self, report: &LoadReport, kind: &Kind) -> String {
        let mut words = speech::capital(&crate::words::told(report, kind));
        if !report.reason.is_empty() {
            words.push_str(&format!(": {}", report.reason));
        }
        if let Some(time) = report.waits_until.and_then(|t| self.minute(t)) {
            words.push_str(&waits(report.limited_by, &time));
        }
        if let Some(time) = report.override_until.and_then(|t| self.minute(t)) {
            words.push_str(&format!(", until {time}"));
        }
        if report.on && report.draw_source == DrawSource::Estimate {
            words.push_str(" (watts estimated)");
        }
        words.push('.');
        words
    }

    fn street(&self) -> Step {
        let grid_w = self.flows.map(|f| f.grid_w);
        let words = match grid_w.map(whole) {
            Some(w) if w > 0.0 => "comes in, and is bought",
            Some(w) if w < 0.0 => "leaves, because nobody here takes it",
            Some(_) => "nothing comes, nothing leaves",
            None => "no fresh reading",
        };
        step("Street", "street", grid_w.map(f64::abs), format!("{words}{}", self.by_phase()), None)
    }

    /// What comes or leaves on each phase, of a supply with three.
    fn by_phase(&self) -> String {
        let phases = self.facts.balance.as_ref().map(|b| b.phases.as_slice()).unwrap_or_default();
        let each: Option<Vec<String>> = (1..).zip(phases).map(|(n, p)| Some(phase(n, p.grid_w?))).collect();
        match each {
            Some(each) if !each.is_empty() && self.flows.is_some() => format!("; {}", each.join(", ")),
            _ => String::new(),
        }
    }

    /// Loads that the grid point does not count.
    fn apart(&self) -> Vec<Step> {
        let Some(flows) = self.flows else { return Vec::new() };
        let apart = |id: &LoadId| flows.loads_w.get(usize::from(id.0)).is_some_and(Option::is_none);
        let of = |id: LoadId| {
            let report = self.facts.loads.get(usize::from(id.0)).and_then(|l| l.report.as_ref());
            self.load(id, report.and_then(|r| r.draw_w))
        };
        self.home.loads_by_turn().into_iter().filter(apart).map(of).collect()
    }

    fn headline(&self) -> String {
        let Some(flows) = self.flows else { return "What flows now is not known.".to_owned() };
        let grid_w = whole(flows.grid_w);
        let street = match grid_w {
            w if w > 0.0 => format!("{} comes from the street", watts(Some(w))),
            w if w < 0.0 => format!("{} leaves to the street", watts(Some(-w))),
            _ => "nothing comes from the street".to_owned(),
        };
        match flows.solar_w.map(whole) {
            Some(w) if w > 0.0 => format!("The roof makes {}; {street}.", watts(Some(w))),
            Some(_) => format!("The roof makes nothing; {street}."),
            None => speech::sentence(&street),
        }
    }

    fn spare(&self) -> String {
        let total = self.facts.balance.as_ref().map(|b| b.total).unwrap_or_default();
        match total.spare_w.map(whole) {
            Some(w) if w > 0.0 => format!("Spare for the loads: {}.", watts(Some(w))),
            Some(_) => "Nothing is spare: the house by itself takes all that the roof makes.".to_owned(),
            None => "What is spare is not known.".to_owned(),
        }
    }

    fn doubt(&self) -> Option<String> {
        if !self.facts.connected {
            return Some("No connection to the broker: nothing here is fresh.".to_owned());
        }
        self.flows.is_none().then(|| "There is no fresh reading of the grid.".to_owned())
    }

    fn notices(&self) -> Vec<Said> {
        let said = |notice: &Notice| Said {
            time: notice.at.and_then(|t| self.minute(t)).unwrap_or_else(|| "--:--".to_owned()),
            severity: match notice.severity {
                Severity::Info => "",
                Severity::Warning => "Warning: ",
                Severity::Problem => "Problem: ",
            },
            text: match notice.severity {
                Severity::Info => speech::capital(&notice.text),
                Severity::Warning | Severity::Problem => notice.text.clone(),
            },
        };
        self.facts.notices.iter().rev().take(NOTICES).map(said).collect()
    }

    fn time(&self) -> String {
        let local = self.facts.wall.and_then(|wall| wall.in_zone(&self.home.timezone));
        local
            .map_or_else(|| "time not known".to_owned(), |time| time.strftime("%A %-d %B, %H:%M").to_string())
    }

    fn minute(&self, wall: WallTime) -> Option<String> {
        wall.in_zone(&self.home.timezone).map(|time| time.strftime("%H:%M").to_string())
    }
}

/// Characters of a sentence that fit on one line of the narrowest page, and of the narrowest that counts as wide, at a
/// guess that errs to the safe side.
const LINE_CHARS: [usize; 2] = [24, 50];

fn step(name: &str, class: &'static str, w: Option<f64>, sentence: String, load: Option<String>) -> Step {
    let more = usize::from(load.is_some());
    let lines = LINE_CHARS.map(|fit| sentence.chars().count().div_ceil(fit).clamp(1, 7) + more);
    Step { name: name.to_owned(), class, watts: watts(w), sentence, load, lines }
}

/// When that may change.
fn waits(limit: Option<Limit>, time: &str) -> String {
    match limit {
        Some(Limit::StartWait) => format!("; starts about {time} if the sun holds"),
        Some(Limit::MinOn) => format!("; on at least until {time}"),
        Some(Limit::TakesNothing | Limit::NoAnswer) => format!("; tried again about {time}"),
        _ => format!("; not before {time}"),
    }
}

fn phase(number: usize, grid_w: f64) -> String {
    let way = match whole(grid_w) {
        w if w > 0.0 => " in",
        w if w < 0.0 => " out",
        _ => "",
    };
    format!("L{number} {}{way}", watts(Some(grid_w.abs())))
}

fn roof_words(watts: Option<f64>) -> String {
    match watts.map(whole) {
        None => "no reading",
        Some(w) if w > 0.0 => "what the sun gives now",
        Some(_) => "no sun",
    }
    .to_owned()
}

fn house_words(watts: Option<f64>) -> String {
    match watts.map(whole) {
        None => "not known",
        Some(w) if w < 0.0 => "less than nothing: a reading is wrong",
        Some(_) => "all that runs by itself",
    }
    .to_owned()
}

fn watts(watts: Option<f64>) -> String {
    watts.map_or_else(|| "not known".to_owned(), speech::watts)
}

fn whole(watts: f64) -> f64 {
    watts.round() + 0.0
}

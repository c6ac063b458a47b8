//! A test as it was read: what is given, what happens, what is expected.

use overspill_rules::home::{InputId, LoadId, PointId, SettingId, SettingValue};
use overspill_rules::input::{Amount, Want};
use overspill_rules::time::{Span, WallTime};

use super::dry::Tank;
use super::series::Series;

/// One test.
#[derive(Debug, Clone, PartialEq)]
pub struct Case {
    /// Its file's name without `.test.toml`, and its own: `car/cheap-night`.
    pub name: String,
    /// What is shown, in a sentence.
    pub about: Option<String>,
    /// The file, as the user named it.
    pub file: String,
    /// The line at which it begins.
    pub line: usize,
    pub(crate) start: WallTime,
    pub(crate) lasts: Span,
    pub(crate) clock_unset_for: Span,
    pub(crate) nothing_else: bool,
    pub(crate) given: Given,
    pub(crate) people: Vec<Person>,
    pub(crate) expect: Vec<Expect>,
}

/// What the devices tell, and what the loads do.
#[derive(Debug, Clone, PartialEq, Default)]
pub(crate) struct Given {
    /// What the home uses beside its loads, in watts.
    pub(crate) base: Option<Series>,
    pub(crate) points: Vec<(PointId, Series)>,
    pub(crate) inputs: Vec<(InputId, Series)>,
    /// The list of prices that the supplier published, where the home's prices come by a list; before VAT.
    pub(crate) import_price: Option<Series>,
    /// The same for what is sent out.
    pub(crate) export_price: Option<Series>,
    pub(crate) loads: Vec<(LoadId, GivenLoad)>,
    /// Whether a backup supply feeds the home.
    pub(crate) island: Option<Series>,
}

impl Given {
    /// What is given of the load at `i`.
    pub(crate) fn load(&self, i: usize) -> Option<&GivenLoad> {
        self.loads.iter().find(|(id, _)| usize::from(id.0) == i).map(|(_, given)| given)
    }
}

/// What happens to a load.
#[derive(Debug, Clone, PartialEq, Default)]
pub(crate) struct GivenLoad {
    pub(crate) plugged: Option<Series>,
    pub(crate) ready: Option<Series>,
    pub(crate) takes: Option<Series>,
    /// What it took before the start.
    pub(crate) before: Option<Before>,
    /// The tank that it heats, and the input that tells its temperature.
    pub(crate) tank: Option<(Tank, Option<InputId>)>,
}

/// What a load took before the start of a test.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Before {
    pub(crate) kwh: f64,
    /// How long it was on.
    pub(crate) run_time: Span,
    /// How long before the start that ended.
    pub(crate) ended: Span,
}

/// What a person does.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Person {
    pub(crate) at: Span,
    pub(crate) does: Does,
    /// For how long it holds; as usual where it is not said.
    pub(crate) lasts: Option<Span>,
}

/// What a person asks or sets.
#[derive(Debug, Clone, PartialEq)]
pub(crate) enum Does {
    /// Asks something of a load.
    Asks { load: LoadId, want: Want, amount: Option<Amount> },
    /// Takes a load out of service, or puts it back.
    Takes { load: LoadId, out: bool },
    /// Changes a setting.
    Sets { setting: SettingId, value: SettingValue },
}

/// What must be seen.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Expect {
    /// The line of the file.
    pub(crate) line: usize,
    pub(crate) when: When,
    pub(crate) load: Option<LoadId>,
    pub(crate) wants: Vec<Wanted>,
}

/// The time that is looked at, after the start.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum When {
    /// One moment.
    At(Span),
    /// Every moment of a time, its end not counted.
    During(Span, Span),
}

/// One thing that must be so.
#[derive(Debug, Clone, PartialEq)]
pub(crate) enum Wanted {
    On(bool),
    Watts(f64, f64),
    Amps(f64, f64),
    Draws(f64, f64),
    Rule(Option<String>),
    Reason(String),
    LimitedBy(Option<String>),
    Starts(f64, f64),
    Stops(f64, f64),
    Changes(f64, f64),
    Kwh(f64, f64),
    Notice { code: String, text: Option<String> },
}

impl When {
    /// Beginning and end; the same for a moment.
    pub(crate) fn ends(self) -> (Span, Span) {
        match self {
            When::At(at) => (at, at),
            When::During(from, until) => (from, until),
        }
    }

    /// Whether `at` is in it.
    pub(crate) fn holds(self, at: Span) -> bool {
        let (from, until) = self.ends();
        from <= at && at < until
    }
}

impl Wanted {
    /// Whether it is about a whole time and not about each moment of it.
    pub(crate) fn is_of_a_time(&self) -> bool {
        matches!(
            self,
            Wanted::Starts(..)
                | Wanted::Stops(..)
                | Wanted::Changes(..)
                | Wanted::Kwh(..)
                | Wanted::Notice { .. }
        )
    }

    /// Whether it is about a load.
    pub(crate) fn is_of_a_load(&self) -> bool {
        !matches!(self, Wanted::Notice { .. })
    }

    /// The key by which it is written.
    pub(crate) fn key(&self) -> &'static str {
        match self {
            Wanted::On(_) => "on",
            Wanted::Watts(..) => "watts",
            Wanted::Amps(..) => "amps",
            Wanted::Draws(..) => "draws",
            Wanted::Rule(_) => "rule",
            Wanted::Reason(_) => "reason",
            Wanted::LimitedBy(_) => "limited_by",
            Wanted::Starts(..) => "starts",
            Wanted::Stops(..) => "stops",
            Wanted::Changes(..) => "changes",
            Wanted::Kwh(..) => "kwh",
            Wanted::Notice { .. } => "notice",
        }
    }
}

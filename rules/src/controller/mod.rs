//! The hall: takes one input at a time, calls the stages of a decision in their order, gives out what is to be done.

pub(crate) mod account;
mod apply;
mod clock;
mod decide;
mod intake;
mod intents;
mod meters;
mod notices;
mod overrides;
mod report;
mod rules;
mod settings;
mod start;
mod wake;
mod words;

use std::collections::VecDeque;
use std::sync::Arc;

use crate::balance::{GridReading, Parts, Shares};
use crate::bounds::Ratings;
use crate::home::{Home, LoadId, PointId};
use crate::input::{Input, Role};
use crate::kept::Kept;
use crate::limits;
use crate::loads::{Lateness, LoadState};
use crate::output::{Flows, LoadReport, Output};
use crate::reading::Meter;
use crate::tariff::Prices;
use crate::time::Moment;

use account::Accounts;
use clock::Clock;
use intake::InputState;
use notices::Notices;
use overrides::Overrides;
use rules::Rules;
use settings::Settings;

/// The one controller that the daemon, the demo, rule tests, replay and the fault simulation drive.
///
/// See the crate's top for the drive contract. A clone is a snapshot: it goes on as the original would.
#[derive(Clone)]
pub struct Controller {
    home: Arc<Home>,
    now: Moment,
    clock: Clock,
    meters: Vec<Meter>,
    inputs: Vec<InputState>,
    parts: Parts,
    grid: Option<GridReading>,
    shares: Option<Shares>,
    /// What flowed where at the reading that `shares` is of.
    flows: Flows,
    lateness: Lateness,
    /// How much less the roof will make before the next reading can tell, in watts.
    fading_w: f64,
    /// The grid reading changed since the last decision.
    new_reading: bool,
    /// A part of the balance changed since it was last given out.
    new_balance: bool,
    states: Vec<LoadState>,
    meter_of: Vec<Option<PointId>>,
    order: Vec<usize>,
    ratings: Ratings,
    /// All taking of spare power is stopped: the grid answers the wrong way round.
    spare_stopped: bool,
    role: Role,
    island: bool,
    stopping: bool,
    /// Loads start one after another until then.
    restart_until: Option<Moment>,
    last_start: Option<Moment>,
    misfit_since: Option<Moment>,
    grid_was_known: bool,
    load_meters_fresh: Vec<bool>,
    rules: Rules,
    overrides: Overrides,
    settings: Settings,
    prices: Arc<Prices>,
    out_of_service: Vec<Option<String>>,
    accounts: Accounts,
    notices: Notices,
    told: Vec<Told>,
    /// Moments at which something is due, gathered during a decision.
    due: Vec<Moment>,
    outputs: VecDeque<Output>,
    undecided: bool,
}

/// What was last given out about a load, so that only changes are given out.
#[derive(Debug, Clone, Default)]
struct Told {
    report: Option<LoadReport>,
    decision: Option<report::DecisionKey>,
}

impl Controller {
    /// A controller for `home` that knows again what was `kept`.
    pub fn new(home: Arc<Home>, kept: Kept) -> Controller {
        let loads = home.loads.len();
        let mut controller = Controller {
            now: Moment(i64::MIN / 2),
            clock: Clock::default(),
            meters: vec![Meter::default(); home.points.len()],
            inputs: vec![InputState::default(); home.inputs.len()],
            parts: Parts::new(&home),
            grid: None,
            shares: None,
            flows: Flows::default(),
            lateness: Lateness::default(),
            fading_w: 0.0,
            new_reading: false,
            new_balance: true,
            states: (0..loads).map(|i| LoadState::new(LoadId(i as u16))).collect(),
            meter_of: (0..loads).map(|i| home.meter_of(LoadId(i as u16))).collect(),
            order: home.loads_by_turn().iter().map(|id| usize::from(id.0)).collect(),
            ratings: Ratings::new(&home),
            spare_stopped: false,
            role: Role::Command,
            island: false,
            stopping: false,
            restart_until: None,
            last_start: None,
            misfit_since: None,
            grid_was_known: false,
            load_meters_fresh: vec![true; loads],
            rules: Rules::default(),
            overrides: Overrides::new(loads),
            prices: Arc::default(),
            settings: Settings::new(home.settings.len()),
            out_of_service: vec![None; loads],
            accounts: Accounts::new(&home),
            notices: Notices::default(),
            told: vec![Told::default(); loads],
            due: Vec::new(),
            outputs: VecDeque::new(),
            undecided: false,
            home,
        };
        controller.remember(kept);
        controller
    }

    /// Takes one input that happened at `now`. Time that seems to go back is taken to stand still.
    pub fn handle(&mut self, now: Moment, input: Input) {
        let first = self.now.0 == i64::MIN / 2;
        self.now = self.now.max(now);
        if first {
            self.begin();
        }
        self.take(input);
        self.undecided = true;
    }

    /// The next thing to do; `None` when everything is done. The last one before `None` is
    /// [`Output::WaitUntil`].
    pub fn poll_output(&mut self) -> Option<Output> {
        if self.undecided {
            self.undecided = false;
            self.decide();
            let wake = self.next_wake();
            self.outputs.push_back(Output::WaitUntil(wake));
        }
        self.outputs.pop_front()
    }

    /// The home it controls.
    pub fn home(&self) -> &Home {
        &self.home
    }

    /// Whether a load is switched on.
    pub fn is_on(&self, load: LoadId) -> bool {
        self.states.get(usize::from(load.0)).is_some_and(|state| state.on)
    }

    fn give(&mut self, output: Output) {
        debug_assert!(
            self.outputs.len() < limits::OUTPUTS_WAITING,
            "outputs must be drained after every input"
        );
        self.outputs.push_back(output);
    }
}

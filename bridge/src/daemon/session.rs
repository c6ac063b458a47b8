//! One run of the daemon: the core with everything that its outputs go to.

use std::collections::{BTreeMap, VecDeque};
use std::time::Duration;

use overspill_rules::input::{Input, Role, RuleSet};
use overspill_rules::kept::Kept;
use overspill_rules::output::{Notice, Output, Severity};
use overspill_rules::time::{Moment, Span};
use tokio::sync::watch;

use super::clock::{Belief, Doubt, HomeClock};
use super::core::{Core, Drained};
use super::duty::{Beat, Duty};
use super::facts::Facts;
use super::publications::{self, Importance, Publication};
use super::trouble;
use crate::influx::Lag;
use crate::mqtt::{Fault, LastWord, LinkHandle, NotSent, Qos};
use crate::shadow::{ShadowHandle, Word};
use crate::store::{Stamp, StoreHandle, home_mark};

/// A wall clock that moved by less than this against the monotonic one is left alone.
const DRIFT: i64 = 250;

/// Notices that wait for a connection; the first ones tell best what happened.
const NOTICES_WAITING: usize = 20;

/// Everything that the loop works on.
pub(super) struct Session {
    pub(super) core: Core,
    pub(super) link: LinkHandle,
    pub(super) store: StoreHandle,
    pub(super) clock: HomeClock,
    pub(super) belief: Box<dyn Belief>,
    pub(super) facts: watch::Sender<Facts>,
    /// Who hears what happens, and commands nothing.
    pub(super) shadows: Option<ShadowHandle>,
    /// For who commands, real time counts.
    real: HomeClock,
    duty: Duty,
    role: Role,
    batch: u64,
    wake: Moment,
    /// The newest state of each topic, to be published afresh after each connection.
    states: BTreeMap<String, String>,
    /// Notices from while there was no connection, oldest first. Commands never wait; words to people do.
    waiting: VecDeque<Publication>,
    clock_given: Option<(i64, bool)>,
    doubt_told: Option<Doubt>,
    /// It was told that another instance commands.
    second_told: bool,
    /// Why there is no connection, as it was told last.
    away_told: Option<String>,
}

/// Times of sharing a home with another instance.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Times {
    /// How long to listen for another instance before commanding.
    pub(super) listen_for: Span,
    /// Another instance is gone when it was silent for this long.
    pub(super) gone_after: Span,
}

impl Session {
    pub(super) fn new(
        core: Core,
        link: LinkHandle,
        store: StoreHandle,
        clock: HomeClock,
        belief: Box<dyn Belief>,
        facts: watch::Sender<Facts>,
        times: Times,
    ) -> Session {
        let real = HomeClock::real();
        Session {
            duty: Duty::new(made_up_word(), real.wall(), times.listen_for, times.gone_after),
            core,
            link,
            store,
            clock,
            belief,
            facts,
            shadows: None,
            real,
            role: Role::Watch,
            batch: 0,
            wake: Moment(0),
            states: BTreeMap::new(),
            waiting: VecDeque::new(),
            clock_given: None,
            doubt_told: None,
            second_told: false,
            away_told: None,
        }
    }

    /// Takes inputs that came together, decides, and sends out what follows.
    pub(super) fn step(&mut self, inputs: Vec<Input>) {
        self.step_told(inputs);
    }

    /// The same, and gives what the controller gave.
    pub(super) fn step_told(&mut self, inputs: Vec<Input>) -> Vec<Output> {
        let stamp = self.stamp();
        let heard = self.shadows.as_ref().map(|_| inputs.clone());
        let wall = self.clock.wall();
        self.facts.send_if_modified(|facts| {
            inputs.iter().for_each(|input| facts.hear(wall, input));
            // What comes of it is told with the outputs of this step.
            false
        });
        for input in inputs {
            self.store.input(stamp, &input);
            self.core.handle(stamp.moment, input);
        }
        let drained = self.core.drain();
        if let (Some(shadows), Some(heard)) = (&mut self.shadows, heard) {
            shadows.step(stamp, heard, &drained.outputs);
        }
        self.give_out(stamp, drained)
    }

    /// Whether this instance commands the home.
    pub(super) fn role(&self) -> Role {
        self.role
    }

    /// Journals what the controller knows again, so that this run can be repeated.
    pub(super) fn begins(&mut self, kept: &Kept) {
        let stamp = self.stamp();
        self.store.began(stamp, kept, &home_mark(self.core.home()));
    }

    fn stamp(&mut self) -> Stamp {
        self.batch += 1;
        let moment = self.clock.stamp(self.wake);
        let wall = self
            .clock_given
            .filter(|(_, believed)| *believed)
            .map(|(offset, _)| overspill_rules::time::WallTime(moment.0 + offset));
        Stamp { moment, batch: self.batch, wall }
    }

    fn give_out(&mut self, stamp: Stamp, drained: Drained) -> Vec<Output> {
        self.wake = drained.wake;
        for publication in drained.publications {
            self.publish_of_core(publication);
        }
        for output in &drained.outputs {
            self.store.output(stamp, output);
            if let Output::Notice(notice) = output {
                trouble::log(notice);
            }
        }
        let wall = self.clock.wall();
        self.facts.send_modify(|facts| {
            facts.wall = Some(wall);
            facts.decided = Some(std::time::Instant::now());
            drained.outputs.iter().for_each(|output| facts.take(output));
        });
        drained.outputs
    }

    /// Another instance that commands hears the same and tells it; until it is known whether there is one, notices
    /// wait.
    fn publish_of_core(&mut self, publication: Publication) {
        if self.role == Role::Command || publication.importance != Importance::News {
            self.publish(publication);
        } else if !self.second_told {
            self.wait(publication);
        }
    }

    fn wait(&mut self, notice: Publication) {
        if self.waiting.len() < NOTICES_WAITING {
            self.waiting.push_back(notice);
        }
    }

    fn publish_waiting(&mut self) {
        for notice in std::mem::take(&mut self.waiting) {
            self.publish(notice);
        }
    }

    fn publish(&mut self, publication: Publication) {
        let Publication { topic, payload, retain, importance } = publication;
        // An instance that only watches leaves the retained states to the one that commands.
        if self.role == Role::Watch && importance == Importance::State {
            self.states.insert(topic, payload);
            return;
        }
        let (qos, expiry) = match importance {
            Importance::Command { valid_for } => (Qos::AtLeastOnce, Some(self.real_time(valid_for))),
            Importance::State => (Qos::AtMostOnce, None),
            Importance::News => (Qos::AtLeastOnce, None),
        };
        let sent = self.link.publish(&topic, payload.clone(), qos, retain, expiry);
        if let Err(why) = &sent {
            tracing::debug!(topic, "Not sent: {why}.");
        }
        match importance {
            Importance::State => {
                self.states.insert(topic, payload);
            }
            Importance::News if sent == Err(NotSent::NotConnected) => {
                self.wait(Publication { topic, payload, retain, importance });
            }
            Importance::News | Importance::Command { .. } => {}
        }
    }

    /// How long a span of the home's time is in real time; at least a second, the grain of MQTT.
    fn real_time(&self, span: Span) -> Duration {
        Duration::from_secs_f64((span.as_seconds() / self.clock.speed()).max(1.0))
    }

    /// When the loop must come back: the controller's wish, in real time, or the next change of duty.
    pub(super) fn wake_at(&self) -> std::time::Instant {
        let controller = self.clock.real_instant(self.wake);
        let duty = self.real.real_instant(self.duty.next(self.real.exact()));
        controller.min(duty)
    }

    /// Time has passed: the controller's wish may have come, or a change of duty.
    pub(super) fn woken(&mut self) {
        let mut inputs = self.duty_inputs();
        if self.clock.exact() >= self.wake {
            inputs.push(Input::Wake);
        }
        if !inputs.is_empty() {
            self.step(inputs);
        }
        self.beat();
    }

    fn duty_inputs(&mut self) -> Vec<Input> {
        let now = self.real.exact();
        let role = self.duty.role(now);
        if role == self.role {
            return Vec::new();
        }
        self.role = role;
        if role == Role::Watch {
            self.tell_second();
            return vec![Input::Role(role)];
        }
        self.second_told = false;
        self.publish_states();
        self.publish_waiting();
        vec![Input::Role(role), Input::Reconnected]
    }

    fn beat(&mut self) {
        let now = self.real.exact();
        let Some(beat) = self.duty.beat(now, self.real.wall()) else { return };
        if let Ok(payload) = serde_json::to_string(&beat) {
            let topic = self.core.topics().instance();
            let _ = self.link.publish(&topic, payload, Qos::AtMostOnce, true, None);
        }
    }

    /// Publishes that the program is up, and every state afresh.
    fn publish_states(&mut self) {
        let status = self.core.topics().status();
        let _ = self.link.publish(&status, "up", Qos::AtLeastOnce, true, None);
        for (topic, payload) in &self.states {
            let _ = self.link.publish(topic, payload.clone(), Qos::AtMostOnce, true, None);
        }
    }

    /// The subscriptions are confirmed: messages come from here on, and every command is due afresh.
    pub(super) fn subscribed(&mut self) {
        self.duty.subscribed(self.real.exact());
        self.away_told = None;
        self.connected(true);
        if self.role == Role::Command {
            self.publish_states();
            self.publish_waiting();
            self.step(vec![Input::Reconnected]);
        }
        self.woken();
    }

    pub(super) fn connected(&self, connected: bool) {
        self.facts.send_modify(|facts| facts.connected = connected);
    }

    /// What a message means; signs of other instances are taken here.
    pub(super) fn inputs(&mut self, topic: &str, payload: &[u8], retained: bool) -> Vec<Input> {
        if topic == self.core.topics().instance() {
            return self.sign(payload, retained);
        }
        if topic == self.core.topics().status() {
            if payload == b"down" {
                self.one_died(retained);
            }
            return Vec::new();
        }
        self.core.inputs(topic, payload, retained)
    }

    /// A sign of life, or the good-bye of the instance that commanded: it clears the sign.
    fn sign(&mut self, payload: &[u8], retained: bool) -> Vec<Input> {
        if payload.is_empty() {
            self.duty.other_left();
        } else if let Ok(beat) = serde_json::from_slice::<Beat>(payload) {
            self.duty.heard(self.real.exact(), &beat, retained);
        }
        let inputs = self.duty_inputs();
        // A retained sign may be of one that is long dead.
        if self.role == Role::Watch && !retained && self.duty.hears_another(self.real.exact()) {
            self.tell_second();
        }
        inputs
    }

    /// Tells once that this instance only watches.
    fn tell_second(&mut self) {
        if self.second_told {
            return;
        }
        self.second_told = true;
        let text = "another instance commands this home's loads; this one only watches".to_owned();
        self.tell(Severity::Warning, "second_instance", text);
        self.publish_waiting();
    }

    /// The will of an instance says "down" of the home as a whole, whichever instance died.
    fn one_died(&mut self, retained: bool) {
        self.duty.one_died(self.real.exact());
        if self.role == Role::Command && !retained {
            let status = self.core.topics().status();
            let _ = self.link.publish(&status, "up", Qos::AtLeastOnce, true, None);
            self.beat();
        }
    }

    /// Tells that there is no connection: once for each reason, not at each attempt.
    pub(super) fn away(&mut self, why: &Fault, was_up: bool, next_try_in: Duration) {
        self.connected(false);
        let words = why.to_string();
        if !was_up && self.away_told.as_ref() == Some(&words) {
            return;
        }
        let severity = if was_up { Severity::Problem } else { Severity::Warning };
        let wait = Span(i64::try_from(next_try_in.as_millis()).unwrap_or(i64::MAX));
        self.tell(
            severity,
            "broker_away",
            format!("{words} (tried again in {wait}, then at growing intervals)"),
        );
        self.away_told = Some(words);
    }

    /// Tells once why the wall clock is not believed, and when it is again.
    fn tell_doubt(&mut self, doubt: Option<Doubt>) {
        if doubt == self.doubt_told {
            return;
        }
        self.doubt_told = doubt;
        match doubt {
            Some(doubt) => {
                let text = format!(
                    "the clock of this computer says {} and is not believed, so rules that read the time wait and \
                     nothing is switched on by itself: {doubt}",
                    self.clock.wall().to_rfc3339()
                );
                self.tell(Severity::Problem, "clock_not_believed", text);
            }
            None => {
                let text = "the clock of this computer is believed now".to_owned();
                self.tell(Severity::Info, "clock_believed", text);
            }
        }
    }

    /// Gives the controller the wall clock where it changed.
    pub(super) fn clock_input(&mut self) -> Option<Input> {
        let offset_ms = self.clock.offset_ms();
        let doubt = self.belief.doubt(self.clock.wall());
        self.tell_doubt(doubt);
        let believed = doubt.is_none();
        let same =
            self.clock_given.is_some_and(|(given, b)| (given - offset_ms).abs() < DRIFT && b == believed);
        if same {
            return None;
        }
        self.clock_given = Some((offset_ms, believed));
        Some(Input::ClockSet { offset_ms, believed })
    }

    /// Puts rules in force and keeps them as the last good set where they are.
    pub(super) fn take_rules(&mut self, set: RuleSet, good: bool) {
        if good {
            self.store.keep_good_rules(&set);
        }
        self.step(vec![Input::Rules(set)]);
    }

    /// Tells something about the shell itself.
    pub(super) fn tell(&mut self, severity: Severity, code: &str, text: String) {
        let notice = trouble::notice(Some(self.clock.wall()), severity, code, text);
        self.tell_notice(notice);
    }

    pub(super) fn tell_notice(&mut self, mut notice: Notice) {
        notice.at = notice.at.or(Some(self.clock.wall()));
        trouble::log(&notice);
        let publication = publications::notice(self.core.topics(), self.core.home(), &notice);
        self.publish(publication);
        let stamp = self.stamp();
        self.store.output(stamp, &Output::Notice(notice.clone()));
        self.facts.send_modify(|facts| facts.take_notice(notice));
    }

    /// Publishes how far forwarding to InfluxDB has come.
    pub(super) fn tell_lag(&mut self, lag: &Lag) {
        let publication = publications::influxdb(self.core.topics(), self.clock.wall(), lag);
        self.publish(publication);
    }

    /// Publishes what a shadow told.
    pub(super) fn tell_shadow(&mut self, word: Word) {
        match word {
            Word::News(news) => {
                let publication = publications::shadow(self.core.topics(), news);
                self.publish(publication);
            }
            Word::Ended => {
                self.shadows = None;
                let text =
                    "shadow rules stopped by a fault of this program, until the next start; the live rules \
                            are not affected"
                        .to_owned();
                self.tell(Severity::Problem, "shadows_ended", text);
            }
        }
    }

    /// The end: every load gets its fallback, and the last words are spoken.
    pub(super) async fn end(mut self) {
        // A fallback that is in force already is sent again, so that its lease is as long as it can be.
        self.step(vec![Input::Reconnected, Input::Stopping]);
        let commands = self.role == Role::Command;
        let status =
            LastWord { topic: self.core.topics().status(), payload: b"down".to_vec(), retained: true };
        let instance = LastWord { topic: self.core.topics().instance(), payload: Vec::new(), retained: true };
        let last_words = if commands { vec![status, instance] } else { Vec::new() };
        if let Err(why) = self.link.shutdown(last_words).await {
            tracing::warn!("The last words may not have arrived: {why}.");
        }
    }
}

/// A word that nobody can guess and no other instance has: from the system's own random numbers.
pub(super) fn made_up_word() -> String {
    use std::hash::{BuildHasher, RandomState};
    let half = || RandomState::new().hash_one(0_u8);
    format!("{:016x}{:016x}", half(), half())
}

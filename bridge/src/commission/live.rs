//! The procedure at a real broker: what is heard goes in, what it asks goes to the installer, and what comes of each step
//! is kept at once.

mod page;

use std::collections::VecDeque;
use std::path::PathBuf;
use std::time::{Duration, Instant};

use overspill_rules::commission::procedure::{
    Ask, Event, LoadSays, Order, Procedure, Question, Said, Standing, StepResult, Want,
};
use overspill_rules::home::LoadId;
use overspill_rules::kept::Kept;
use overspill_rules::time::{Span, WallTime};
use serde_json::{Value, json};
use thiserror::Error;
use tokio::sync::mpsc;
use tokio::time::timeout;

use super::keeping;
use super::listen::link_of;
use super::record::{self, Record, RecordError};
use super::show::Paper;
use crate::config::Config;
use crate::daemon::{Core, CoreError, HomeClock, Topics};
pub use page::{AtThePage, Desk};

use crate::mqtt::{Link, LinkError, LinkEvent, LinkHandle, Qos, Subscription};

/// How often the procedure is asked again while nothing is heard, in real time.
const LOOK_EVERY: Duration = Duration::from_millis(20);

/// How long the broker may take to take us in.
const CONNECTED_WITHIN: Duration = Duration::from_secs(15);

/// How long the line that shows what is awaited stays unchanged.
const REFRESH_EVERY: Span = Span::seconds(1);

/// What an installer replies.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Reply {
    /// As typed.
    Typed(String),
    /// It will come as a line.
    ByLine,
    /// There is none, and why.
    Missing(String),
}

/// Whoever answers the questions.
pub trait Installer: Send {
    /// A question; it was shown already.
    fn ask(&mut self, question: &Question) -> Reply;

    /// The keys of those of these questions, step by step, that it will have no answer to either.
    fn lacks(&self, _steps: &[Vec<Question>]) -> Vec<String> {
        Vec::new()
    }

    /// Whether someone is there who may want to repeat a step that was not good.
    fn may_repeat(&self) -> bool {
        false
    }

    /// Where the sitting meets its page, where it has one.
    fn desk(&mut self) -> Option<Desk> {
        None
    }
}

/// A person at the keys.
#[derive(Debug, Clone, Copy)]
pub struct AtTheKeys;

impl Installer for AtTheKeys {
    fn ask(&mut self, _: &Question) -> Reply {
        Reply::ByLine
    }

    fn may_repeat(&self) -> bool {
        true
    }
}

/// Where things are printed.
pub type Print = Box<dyn FnMut(&str) + Send>;

/// How a commissioning is run.
pub struct Options {
    /// The clock.
    pub clock: HomeClock,
    /// What the dialogue is shown on.
    pub paper: Paper,
    /// Where it is printed.
    pub print: Print,
    /// Who answers.
    pub installer: Box<dyn Installer>,
    /// Lines typed; closed where nobody types.
    pub lines: mpsc::Receiver<String>,
    /// One step only.
    pub only: Option<String>,
    /// The record.
    pub record: PathBuf,
    /// Fingerprint of the home file.
    pub fingerprint: String,
}

/// How it ended.
pub struct Ended {
    /// The record as it was written.
    pub record: Record,
    /// The procedure, with what it knows.
    pub procedure: Procedure,
    /// Where further lines come from.
    pub lines: mpsc::Receiver<String>,
    /// A correction was written into the home file: it begins again with that.
    pub corrected: bool,
    /// Where it was printed.
    pub(super) print: Print,
}

/// Why it could not run.
#[derive(Debug, Error)]
pub enum CommissionError {
    /// The record.
    #[error("{0}")]
    Record(#[from] RecordError),
    /// The home file can't be put to work.
    #[error("{0}")]
    Core(#[from] CoreError),
    /// The link's settings can never work.
    #[error("{0}")]
    Link(#[from] LinkError),
    /// There is no broker.
    #[error("{}See that the broker runs, and `url` in [mqtt] of the home file", sentence(.0))]
    NoBroker(String),
    /// An answer is missing in a file of answers, or does not fit.
    #[error("{0}")]
    Answer(String),
    /// There is no such step.
    #[error("{0}")]
    Step(String),
    /// The page can't be served, or the home file can't be read again for it.
    #[error("{0}")]
    Page(String),
}

/// A reason as a sentence of its own, with a space behind it.
fn sentence(why: &str) -> String {
    let stop = if why.ends_with(['.', '?', '!']) { "" } else { "." };
    format!("{why}{stop} ")
}

/// Goes through the procedure until its end, or until `end` completes. What is done is in the record then, whatever the
/// result, and every override is taken back.
///
/// # Errors
/// When it can't begin, an answer is missing, or the record can't be written.
pub async fn run(
    config: &Config,
    mut options: Options,
    end: impl Future<Output = ()>,
) -> Result<Ended, CommissionError> {
    let core = Core::new(config, Kept::default())?;
    let mut record = record::read(&options.record)?
        .unwrap_or_else(|| keeping::begin(&config.home, &options.fingerprint, options.clock.wall()));
    record::lapse(&mut record, &options.fingerprint);
    let mut procedure = Procedure::new(&config.home, keeping::earlier(&record));
    keeping::set_up(&mut record, &config.home, procedure.steps());
    if let Some(who) = &record.who {
        procedure.by(&who.name);
    }
    if let Some(step) = &options.only {
        procedure.only(step).map_err(CommissionError::Step)?;
    }
    let (link, events) = connect(config, &core).await?;
    let desk = options.installer.desk();
    let mut sitting = Sitting {
        config,
        core,
        link,
        events,
        options,
        record,
        procedure,
        waiting: String::new(),
        shown: WallTime(0),
        on_line: false,
        overridden: Vec::new(),
        waited: false,
        skipped: false,
        typing: true,
        desk,
        looked: Instant::now(),
        ended: false,
        corrected: false,
    };
    sitting.show_standing();
    if sitting.options.only.is_none() {
        let opening = sitting.options.paper.opening(&sitting.procedure.to_do());
        sitting.print(&opening);
    }
    // Also what lapsed when a correction was written at the end of the last sitting.
    let lapsed = sitting.record.tests.iter().filter(|t| t.verdict == record::Standing::Lapsed);
    let titles: Vec<String> = lapsed.map(|t| t.title.clone()).collect();
    if !titles.is_empty() && sitting.options.only.is_none() {
        sitting.tell(&format!("The home file changed, so this must be proved again: {}.", titles.join("; ")));
    }
    let gone = sitting.work(end).await;
    sitting.procedure.stop();
    sitting.take_back().await;
    record::write(&sitting.options.record, &sitting.record)?;
    gone?;
    let Sitting { record, procedure, corrected, options: Options { lines, print, .. }, .. } = sitting;
    Ok(Ended { record, procedure, lines, corrected, print })
}

async fn connect(
    config: &Config,
    core: &Core,
) -> Result<(LinkHandle, mpsc::Receiver<LinkEvent>), CommissionError> {
    let mut link_config = link_of(&config.mqtt);
    let topics = core.topics();
    let mut filters: Vec<String> = config.routes.iter().map(|r| r.topic.clone()).collect();
    filters.push(topics.status());
    filters.extend(config.home.loads.iter().map(|l| topics.load(&l.id)));
    filters.sort();
    filters.dedup();
    link_config.subscriptions = filters.into_iter().map(Subscription::new).collect();
    let (link, mut events) = Link::start(link_config)?;
    let mut why = "the broker does not answer".to_owned();
    let subscribed = async {
        while let Some(event) = events.recv().await {
            match event {
                LinkEvent::Subscribed { refused } => return Some(refused),
                LinkEvent::Down { why: fault, .. } => why = fault.to_string(),
                _ => {}
            }
        }
        None
    };
    match timeout(CONNECTED_WITHIN, subscribed).await {
        Ok(Some(refused)) if refused.is_empty() => Ok((link, events)),
        Ok(Some(refused)) => {
            let all: Vec<String> = refused.iter().map(|r| format!("{} ({})", r.filter, r.why)).collect();
            Err(CommissionError::NoBroker(format!("the broker refuses to tell of {}", all.join(", "))))
        }
        _ => Err(CommissionError::NoBroker(why)),
    }
}

struct Sitting<'a> {
    config: &'a Config,
    core: Core,
    link: LinkHandle,
    events: mpsc::Receiver<LinkEvent>,
    options: Options,
    record: Record,
    procedure: Procedure,
    /// What is awaited, as shown last.
    waiting: String,
    shown: WallTime,
    /// A refreshed line stands there.
    on_line: bool,
    /// Loads that this program holds.
    overridden: Vec<LoadId>,
    /// Something was awaited since the last question.
    waited: bool,
    /// The step at work was skipped.
    skipped: bool,
    /// Lines may still come.
    typing: bool,
    desk: Option<Desk>,
    /// When the page was shown how the points read.
    looked: Instant,
    /// It was asked to end.
    ended: bool,
    /// The home file was corrected, so this sitting is over.
    corrected: bool,
}

/// What a question came to.
enum Asked {
    Said(Said),
    /// The page turned to something else.
    Turned,
    Ended,
}

impl Sitting<'_> {
    fn now(&self) -> WallTime {
        self.options.clock.wall()
    }

    fn print(&mut self, text: &str) {
        if std::mem::take(&mut self.on_line) {
            (self.options.print)("\r\u{1b}[K");
        }
        (self.options.print)(text);
    }

    fn say(&mut self, words: &str) {
        let text = self.options.paper.lines(words, "  ");
        self.print(&text);
    }

    async fn work(&mut self, end: impl Future<Output = ()>) -> Result<(), CommissionError> {
        tokio::pin!(end);
        loop {
            let now = self.now();
            match self.procedure.poll(now) {
                Event::Begin(step) => {
                    let place = self.procedure.steps().iter().position(|s| s.id == step.id).unwrap_or(0) + 1;
                    let all = self.procedure.steps().len();
                    let text = self.options.paper.begin((place, all), &step);
                    self.print(&text);
                    self.waiting.clear();
                    self.show_begin((place, all), &step, &mut end).await?;
                }
                Event::Held(result) => {
                    let text = self.options.paper.held(&result);
                    self.print(&text);
                }
                Event::Ask(question) => {
                    let text = self.options.paper.ask(&question);
                    self.print(&text);
                    match self.asked(&question, &mut end).await? {
                        Asked::Said(said) => self.said(said),
                        Asked::Turned => {}
                        Asked::Ended => self.said(Said::Stop),
                    }
                }
                Event::Wait { until, words } => {
                    self.show_wait(until, &words);
                    self.waited = true;
                    tokio::select! {
                        event = self.events.recv() => self.hear(event),
                        line = self.options.lines.recv(), if self.typing => self.typed_early(line),
                        said = page::said(&mut self.desk) => self.said_early(said),
                        () = &mut end => {
                            self.ended = true;
                            self.said(Said::Stop);
                        }
                        () = tokio::time::sleep(LOOK_EVERY) => {}
                    }
                    self.hear_all();
                    self.show_looks();
                }
                Event::Order(order) => self.order(order),
                Event::Say(words) => self.tell(&words),
                Event::Result(result) => {
                    self.keep(&result)?;
                    let skipped = std::mem::take(&mut self.skipped);
                    let may_be_again = result.standing != Standing::Good && self.procedure.goes_on();
                    if may_be_again && !skipped && self.options.installer.may_repeat() {
                        self.offer_again(&mut end).await?;
                    }
                }
                Event::Done => {
                    if !self.rest(&mut end).await {
                        return Ok(());
                    }
                }
            }
        }
    }

    fn keep(&mut self, result: &StepResult) -> Result<(), CommissionError> {
        let text = self.options.paper.result(result);
        self.print(&text);
        let by = self.procedure.who().to_owned();
        keeping::note(&mut self.record, result, &by);
        record::write(&self.options.record, &self.record)?;
        self.show_result(result);
        Ok(())
    }

    /// A step that was not good may be repeated at once.
    async fn offer_again(
        &mut self,
        end: &mut (impl Future<Output = ()> + Unpin),
    ) -> Result<(), CommissionError> {
        let question = Procedure::go_on();
        let text = self.options.paper.ask(&question);
        self.print(&text);
        match self.asked(&question, end).await? {
            Asked::Said(Said::Repeat | Said::Back) => self.procedure.again(),
            Asked::Said(Said::Stop) | Asked::Ended => self.said(Said::Stop),
            Asked::Said(Said::Answer(_) | Said::Skip) | Asked::Turned => {}
        }
        Ok(())
    }

    /// Hands on what was said.
    fn said(&mut self, said: Said) {
        if said == Said::Stop {
            self.say(STOPPED);
        }
        self.skipped = said == Said::Skip;
        let now = self.now();
        self.procedure.answer(now, said);
    }

    /// A line that came before it was asked for. It is no answer to what is asked next: whoever pressed Enter too early
    /// did not switch yet.
    fn typed_early(&mut self, line: Option<String>) {
        let Some(line) = line else {
            self.typing = false;
            return;
        };
        match Said::at_any_time(&line) {
            Some(said) => self.said(said),
            None => self.say("Too early: it is asked when the time has come. Type repeat, back, skip or stop to leave this step."),
        }
    }

    /// Why there is no answer, with what else will be asked and has none.
    fn with_others(&self, question: &Question, why: String) -> String {
        let mut others = self.options.installer.lacks(&self.procedure.asks());
        others.retain(|key| *key != question.key);
        if others.is_empty() {
            return why;
        }
        format!("{why}. It has none either to what is asked after it: `{}`", others.join("`, `"))
    }

    /// Waits for an answer that fits; what is heard meanwhile is not lost.
    async fn asked(
        &mut self,
        question: &Question,
        end: &mut (impl Future<Output = ()> + Unpin),
    ) -> Result<Asked, CommissionError> {
        self.hear_all();
        if std::mem::take(&mut self.waited) && question.ask == Ask::Done {
            while let Ok(line) = self.options.lines.try_recv() {
                if let Some(said) = Said::at_any_time(&line) {
                    return Ok(Asked::Said(said));
                }
            }
        }
        match self.options.installer.ask(question) {
            Reply::Typed(typed) => {
                let said = question.read(&typed).map_err(|why| {
                    CommissionError::Answer(format!("`{typed}` does not answer `{}`. {why}", question.key))
                })?;
                self.say(&format!("> {typed}"));
                return Ok(Asked::Said(said));
            }
            Reply::Missing(why) => return Err(CommissionError::Answer(self.with_others(question, why))),
            Reply::ByLine => {}
        }
        self.show_question(question);
        loop {
            tokio::select! {
                line = self.options.lines.recv(), if self.typing => match line {
                    None if self.desk.is_none() => return Ok(Asked::Ended),
                    None => self.typing = false,
                    Some(line) => match question.read(&line) {
                        Ok(said) if self.is_first() => return Ok(Asked::Said(said)),
                        Ok(_) => self.say("The page answered that just before."),
                        Err(why) => self.say(&format!("{why}.")),
                    },
                },
                said = page::said(&mut self.desk) => {
                    if let Some(asked) = self.take(said) {
                        return Ok(asked);
                    }
                }
                event = self.events.recv() => self.hear(event),
                () = &mut *end => {
                    self.ended = true;
                    return Ok(Asked::Ended);
                }
                () = tokio::time::sleep(page::LOOK_EVERY), if self.desk.is_some() => {}
            }
            self.show_looks();
        }
    }

    fn hear_all(&mut self) {
        let mut waiting = VecDeque::new();
        while let Ok(event) = self.events.try_recv() {
            waiting.push_back(event);
        }
        for event in waiting {
            self.hear(Some(event));
        }
    }

    fn hear(&mut self, event: Option<LinkEvent>) {
        let now = self.now();
        match event {
            Some(LinkEvent::Message { topic, payload, retained, .. }) => {
                self.message(now, &topic, &payload, retained);
            }
            Some(LinkEvent::Down { why, was_up: true, .. }) => {
                self.procedure.commander(now, false);
                self.tell(&format!("The broker is away: {why}. It is tried again."));
            }
            _ => {}
        }
    }

    fn message(&mut self, now: WallTime, topic: &str, payload: &[u8], retained: bool) {
        let topics: &Topics = self.core.topics();
        if topic == topics.status() {
            self.procedure.commander(now, payload == b"up");
            return;
        }
        let load = self.config.home.loads.iter().position(|l| topics.load(&l.id) == topic);
        if let Some(i) = load {
            if let Some(says) = load_says(payload) {
                self.procedure.load_says(now, LoadId(i as u16), says);
            }
            return;
        }
        for input in self.core.inputs(topic, payload, retained) {
            self.procedure.heard(now, &input);
        }
    }

    /// Sends an override with an end of its own, so that it can't stay for ever.
    fn order(&mut self, order: Order) {
        let Some(load) = self.config.home.loads.get(usize::from(order.load.0)) else { return };
        let topic = self.core.topics().wish(&load.id);
        let name = load.name.clone();
        self.overridden.retain(|l| *l != order.load);
        let (body, words) = match order.want {
            Want::Auto => (json!({ "want": "auto", "by": BY }), "left to its rules again"),
            Want::On | Want::Off => {
                self.overridden.push(order.load);
                let want = if order.want == Want::On { "on" } else { "off" };
                let lasts = format!("{}s", order.lasts.0 / 1000);
                let words = if order.want == Want::On { "commanded on" } else { "commanded off" };
                (json!({ "want": want, "for": lasts, "by": BY }), words)
            }
        };
        let sent = self.link.publish(&topic, body.to_string(), Qos::AtLeastOnce, false, None);
        match sent {
            Ok(()) => self.tell(&format!("{name} is {words}.")),
            Err(why) => self.tell(&format!("{name} could not be {words}: {why}.")),
        }
    }

    /// Takes back every override, whatever the reason of the end, and takes leave of the broker.
    async fn take_back(&mut self) {
        loop {
            match self.procedure.poll(self.options.clock.wall()) {
                Event::Order(order) => self.order(order),
                Event::Say(words) => self.tell(&words),
                _ => break,
            }
        }
        for load in std::mem::take(&mut self.overridden) {
            self.order(Order { load, want: Want::Auto, lasts: Span::ZERO });
        }
        // An override that could not be taken back ends by itself.
        let _ = self.link.shutdown(Vec::new()).await;
    }

    fn show_wait(&mut self, until: WallTime, words: &str) {
        let left = Span((until - self.now()).0.max(0) / 1000 * 1000);
        let now = self.now();
        if self.waiting != words {
            (self.waiting, self.shown) = (words.to_owned(), WallTime(0));
            self.say(&format!(".. {words}, at most {left}"));
        }
        self.show_awaited(until, words);
        if !self.options.paper.live || now - self.shown < REFRESH_EVERY {
            return;
        }
        self.shown = now;
        let line = self.options.paper.live_line(left, self.procedure.live());
        (self.options.print)(&format!("\r\u{1b}[K{line}"));
        self.on_line = true;
    }
}

const STOPPED: &str = "Stopped. What was done is kept, each step that was finished, and the same command goes on from here. Test load and roof \
                       are switched anew until every point has its verdict.";

/// Who asks, in notices and in the record of the daemon.
const BY: &str = "commissioning";

fn load_says(payload: &[u8]) -> Option<LoadSays> {
    let body: Value = serde_json::from_slice(payload).ok()?;
    Some(LoadSays {
        on: body.get("on")?.as_bool()?,
        setpoint_w: body.get("setpoint_w").and_then(Value::as_f64).unwrap_or(0.0),
        limited_by: body.get("limited_by").and_then(Value::as_str).map(str::to_owned),
    })
}

/// How the steps stand, for the summary.
pub(crate) fn standing(record: &Record) -> Vec<(String, Standing, String)> {
    let stands = |verdict| match verdict {
        record::Standing::Good => Standing::Good,
        record::Standing::Wrong => Standing::Wrong,
        record::Standing::Open | record::Standing::Lapsed => Standing::Open,
    };
    // What mended it for the old home file may spoil it for the new one.
    let next = |t: &record::Test| match t.verdict {
        record::Standing::Lapsed => keeping::LAPSED.to_owned(),
        _ => t.next.clone().unwrap_or_default(),
    };
    record.tests.iter().map(|t| (t.title.clone(), stands(t.verdict), next(t))).collect()
}

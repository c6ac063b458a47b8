//! The synchronous heart of the daemon: messages in, publications out, time as an argument.

use std::sync::Arc;

use overspill_rules::Controller;
use overspill_rules::home::Home;
use overspill_rules::input::Input;
use overspill_rules::kept::Kept;
use overspill_rules::output::{Command, Output};
use overspill_rules::send::Sender;
use overspill_rules::time::Moment;
use thiserror::Error;

use super::publications::{self, Importance, Publication};
use super::router::Router;
use super::topics::Topics;
use crate::config::{CommandTopic, Config};

/// One home at work.
pub struct Core {
    home: Arc<Home>,
    controller: Controller,
    router: Router,
    topics: Topics,
    commands: Vec<(CommandTopic, Sender)>,
}

/// Why a home can't be put to work although its file has no mistakes.
#[derive(Debug, Error)]
#[error("{0}")]
pub struct CoreError(String);

/// What came out of one step.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Drained {
    /// Everything that the controller gave, in order.
    pub outputs: Vec<Output>,
    /// What is to be published, in order.
    pub publications: Vec<Publication>,
    /// When the controller wants to be woken, unless something comes in before.
    pub wake: Moment,
}

impl Core {
    /// A home at work, knowing again what was kept.
    ///
    /// # Errors
    /// When an expression of the home file can't be compiled.
    pub fn new(config: &Config, kept: Kept) -> Result<Core, CoreError> {
        let home = Arc::new(config.home.clone());
        let topics = Topics::new(&config.mqtt.prefix);
        let router = Router::new(config, &topics).map_err(CoreError)?;
        let mut commands = Vec::new();
        for command in &config.commands {
            let load = home.load(command.load);
            let sender = Sender::new(load).map_err(|why| CoreError(format!("load {}: {why}", load.id)))?;
            commands.push((command.clone(), sender));
        }
        Ok(Core { controller: Controller::new(Arc::clone(&home), kept), home, router, topics, commands })
    }

    /// The home.
    pub fn home(&self) -> &Arc<Home> {
        &self.home
    }

    /// Where it publishes and listens.
    pub fn topics(&self) -> &Topics {
        &self.topics
    }

    /// Every topic to listen to.
    pub fn listens_to(&self) -> Vec<String> {
        self.router.topics().map(str::to_owned).collect()
    }

    /// The inputs that a message makes.
    pub fn inputs(&self, topic: &str, payload: &[u8], retained: bool) -> Vec<Input> {
        self.router.inputs(topic, payload, retained)
    }

    /// Takes one input. Inputs with one `now` are taken together when drained.
    pub fn handle(&mut self, now: Moment, input: Input) {
        self.controller.handle(now, input);
    }

    /// Decides, and gives out what is to be done.
    pub fn drain(&mut self) -> Drained {
        let mut drained = Drained::default();
        while let Some(output) = self.controller.poll_output() {
            match &output {
                Output::WaitUntil(at) => drained.wake = *at,
                other => drained.publications.extend(self.publication(other)),
            }
            drained.outputs.push(output);
        }
        drained
    }

    fn publication(&self, output: &Output) -> Option<Publication> {
        match output {
            Output::Command(command) => self.command(command),
            Output::Balance(report) => Some(publications::balance(&self.topics, report)),
            Output::Load(report) => Some(publications::load(&self.topics, &self.home, report)),
            Output::Rule(report) => Some(publications::rule(&self.topics, &self.home, report)),
            Output::Setting(report) => Some(publications::setting(&self.topics, &self.home, report)),
            Output::Notice(notice) => Some(publications::notice(&self.topics, &self.home, notice)),
            Output::Record(_) | Output::WaitUntil(_) => None,
        }
    }

    fn command(&self, command: &Command) -> Option<Publication> {
        let (at, sender) = self.commands.iter().find(|(at, _)| at.load == command.load)?;
        let load = self.home.load(command.load);
        match sender.encode(command) {
            Ok(payload) => Some(Publication {
                topic: at.topic.clone(),
                payload,
                retain: at.retain,
                importance: Importance::Command { valid_for: command.valid_for },
            }),
            Err(why) => {
                // A command that can't be written is not sent; the device's own time-out acts.
                tracing::error!(load = load.id, "The command can't be written: {why}");
                None
            }
        }
    }
}

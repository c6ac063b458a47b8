//! The link as the rest of the program sees it.

use std::sync::Arc;
use std::time::Duration;

use tokio::sync::{mpsc, watch};
use tokio::task::AbortHandle;

use super::bounds::{EVENTS, LAST_WORDS_WITHIN};
use super::route::Route;
use super::task::{self, Job};
use super::wire::Letter;
use super::{LinkConfig, LinkEvent, Qos, tls};

/// The link to the MQTT server.
pub struct Link;

/// Publishes and ends the link. Clones are handles to the same link.
#[derive(Clone)]
pub struct LinkHandle {
    route: Arc<Route>,
    task: AbortHandle,
    /// Its sender lives in the task.
    ended: watch::Receiver<()>,
}

/// Why a message was not sent. It will not be sent later either.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum NotSent {
    /// No connection.
    #[error("there is no connection to the MQTT server")]
    NotConnected,
    /// [`LinkHandle::shutdown`] was called.
    #[error("the connection to the MQTT server is being closed")]
    Closing,
    /// The server takes messages more slowly than they are published.
    #[error("the MQTT server is too slow, too many messages are waiting for it")]
    Full,
    /// The server has not acknowledged an earlier message within [`super::ANSWERED_WITHIN`].
    #[error("the MQTT server does not acknowledge messages")]
    Unanswered,
    /// Too large for us or for the server.
    #[error("the message for {topic} has {bytes} bytes, {most} at most can be sent")]
    TooLarge {
        /// Where it should have gone.
        topic: String,
        /// The size of its payload.
        bytes: usize,
        /// The largest payload that can go there.
        most: usize,
    },
    /// No message can be published to this topic.
    #[error("\"{topic}\" is no topic to publish to")]
    BadTopic {
        /// The topic.
        topic: String,
    },
    /// The last words were sent but not confirmed within [`LAST_WORDS_WITHIN`].
    #[error("the MQTT server did not confirm the last messages in time")]
    Unconfirmed,
}

/// Why a link could not be started: its configuration is wrong.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum LinkError {
    /// Certificates of authorities.
    #[error("{0}")]
    Tls(String),
    /// A filter.
    #[error("\"{0}\" is no filter to subscribe to")]
    Filter(String),
    /// The topic of the will.
    #[error("\"{0}\" is no topic to publish to")]
    WillTopic(String),
    /// The client id.
    #[error("the client id must not be empty")]
    ClientId,
    /// The host.
    #[error("the name of the MQTT server must not be empty")]
    Host,
    /// The password.
    #[error("a password needs a user name")]
    User,
}

/// One of the last words.
#[derive(Debug, Clone)]
pub struct LastWord {
    /// Where.
    pub topic: String,
    /// What.
    pub payload: Vec<u8>,
    /// Whether it stays there.
    pub retained: bool,
}

impl Link {
    /// Starts a task that connects and stays connected, until [`LinkHandle::shutdown`] or until the receiver is dropped.
    /// Needs a tokio runtime.
    ///
    /// # Errors
    ///
    /// When the configuration can never work, or the CA file can't be read. A server that can't be reached is no error:
    /// it is told as [`LinkEvent::Down`] and tried again.
    pub fn start(config: LinkConfig) -> Result<(LinkHandle, mpsc::Receiver<LinkEvent>), LinkError> {
        check(&config)?;
        let tls = config.tls.as_ref().map(tls::client_config).transpose()?;
        let route = Arc::new(Route::default());
        let (events, receiver) = mpsc::channel(EVENTS);
        let (end, ended) = watch::channel(());
        let job = Job::new(config, tls, Arc::clone(&route), events);
        let task = tokio::spawn(task::run(job, end)).abort_handle();
        Ok((LinkHandle { route, task, ended }, receiver))
    }
}

fn check(config: &LinkConfig) -> Result<(), LinkError> {
    if config.host.is_empty() {
        return Err(LinkError::Host);
    }
    if config.client_id.is_empty() {
        return Err(LinkError::ClientId);
    }
    if config.user.is_none() && config.password.is_some() {
        return Err(LinkError::User);
    }
    if let Some(bad) = config.subscriptions.iter().find(|s| !is_filter(&s.filter)) {
        return Err(LinkError::Filter(bad.filter.clone()));
    }
    match &config.will {
        Some(will) if will.topic.is_empty() || !rumqttc::valid_topic(&will.topic) => {
            Err(LinkError::WillTopic(will.topic.clone()))
        }
        _ => Ok(()),
    }
}

fn is_filter(filter: &str) -> bool {
    rumqttc::valid_filter(filter) && filter.len() <= usize::from(u16::MAX) && !filter.contains('\0')
}

impl LinkHandle {
    /// Whether there is a connection.
    pub fn is_up(&self) -> bool {
        self.route.is_open()
    }

    /// Hands a message to the connection. `expiry` is for how long the server may keep it for others; MQTT 3.1.1 has no
    /// such thing and ignores it.
    ///
    /// `Ok` says that there was a connection and that the message is on its way, not that it arrived.
    ///
    /// # Errors
    ///
    /// At once when it can't be sent now; it is never sent later.
    pub fn publish(
        &self,
        topic: &str,
        payload: impl Into<Vec<u8>>,
        qos: Qos,
        retained: bool,
        expiry: Option<Duration>,
    ) -> Result<(), NotSent> {
        self.route.send(Letter { topic, payload: payload.into(), qos, retained, expiry })
    }

    /// Publishes the last words, waits until the server has them and everything before them, and takes leave, so that
    /// the will is not published. Afterwards the link is gone, whatever the result; it takes
    /// [`LAST_WORDS_WITHIN`] at most.
    ///
    /// # Errors
    ///
    /// When the last words were not sent, or not confirmed.
    pub async fn shutdown(&self, last_words: Vec<LastWord>) -> Result<(), NotSent> {
        let letters = last_words.iter().map(LastWord::letter).collect();
        let sent = self.route.send_last(letters);
        if sent == Err(NotSent::NotConnected) {
            self.task.abort();
            return sent;
        }
        let mut ended = self.ended.clone();
        // It never changes; the wait ends when the task drops the sender, or here.
        let _ = tokio::time::timeout(LAST_WORDS_WITHIN, ended.changed()).await;
        self.task.abort();
        self.route.close();
        if self.route.is_said() { sent } else { sent.and(Err(NotSent::Unconfirmed)) }
    }
}

impl LastWord {
    fn letter(&self) -> Letter<'_> {
        Letter {
            topic: &self.topic,
            payload: self.payload.clone(),
            qos: Qos::AtLeastOnce,
            retained: self.retained,
            expiry: None,
        }
    }
}

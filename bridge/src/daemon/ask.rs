//! What people ask of a running daemon other than by MQTT: the page's overrides, settings, loads out of service.

use overspill_rules::input::{Input, Role};
use overspill_rules::output::{Output, Severity};
use tokio::sync::{mpsc, oneshot};

use super::session::Session;

/// Asks that may wait; more are refused at once.
const WAITING: usize = 32;

/// One thing asked, and where the answer goes.
#[derive(Debug)]
pub(crate) struct Ask {
    input: Input,
    answer: oneshot::Sender<Result<(), String>>,
}

/// The way to ask.
#[derive(Debug, Clone)]
pub struct Asker(mpsc::Sender<Ask>);

/// A way to ask and where the asks arrive.
pub(crate) fn asks() -> (Asker, mpsc::Receiver<Ask>) {
    let (sender, receiver) = mpsc::channel(WAITING);
    (Asker(sender), receiver)
}

impl Asker {
    /// Hands an input of a person to the controller and waits until it was decided on.
    ///
    /// # Errors
    /// Why it was refused, in a sentence.
    pub async fn ask(&self, input: Input) -> Result<(), String> {
        let (answer, answered) = oneshot::channel();
        self.0.try_send(Ask { input, answer }).map_err(|why| match why {
            mpsc::error::TrySendError::Full(_) => {
                "too much is asked at once; try again in a moment".to_owned()
            }
            mpsc::error::TrySendError::Closed(_) => ENDS.to_owned(),
        })?;
        answered.await.unwrap_or_else(|_| Err(ENDS.to_owned()))
    }
}

const ENDS: &str = "the program is ending";

impl Ask {
    /// Takes it, unless another instance commands this home.
    pub(super) fn take(self, session: &mut Session) {
        let done = if session.role() == Role::Watch {
            Err("another instance commands this home, or this one has only just started; ask it there, or try again in \
                 a moment"
                .to_owned())
        } else {
            refusal(&session.step_told(vec![self.input])).map_or(Ok(()), Err)
        };
        // Whoever asked may have gone.
        let _ = self.answer.send(done);
    }
}

#[cfg(test)]
impl Ask {
    /// Answers it for a daemon that is not there.
    pub(crate) fn answer(self, done: Result<(), String>) {
        let _ = self.answer.send(done);
    }
}

/// What the controller says against it.
fn refusal(outputs: &[Output]) -> Option<String> {
    outputs.iter().find_map(|output| match output {
        Output::Notice(notice) if notice.severity != Severity::Info && notice.code.ends_with("_refused") => {
            Some(notice.text.clone())
        }
        _ => None,
    })
}

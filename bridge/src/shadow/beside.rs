//! The thread on which shadows run, so that neither their work nor a fault in it reaches control.

use std::collections::BTreeMap;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::mpsc::{Receiver, RecvTimeoutError, SyncSender, sync_channel};
use std::time::{Duration, Instant};

use overspill_rules::input::Input;
use overspill_rules::kept::Kept;
use overspill_rules::output::Output;
use tokio::sync::mpsc;

use super::crew::{Crew, News, Step, matters};
use crate::config::Config;
use crate::store::{KeptShadow, Stamp, StoreHandle};

/// Steps that may wait; beyond, they are left out and the histories begin anew.
const STEPS_WAITING: usize = 1024;

/// News that may wait; a newer state of the same follows within a minute.
const NEWS_WAITING: usize = 64;

/// How often the folders of shadows are looked at.
const LOOK_EVERY: Duration = Duration::from_secs(1);

/// What comes from the thread of the shadows.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Word {
    /// Something to publish.
    News(News),
    /// The thread ended by a fault of this program.
    Ended,
}

/// What control holds: it hands steps over and never waits.
#[derive(Debug)]
pub struct ShadowHandle {
    steps: SyncSender<Step>,
    missed: bool,
}

/// What the loop holds: what comes back, and the end.
#[derive(Debug)]
pub struct ShadowWords {
    words: mpsc::Receiver<Word>,
    ended: Receiver<()>,
}

/// Starts the shadows of a home on a thread of their own; `None` where it has none.
///
/// # Errors
/// A sentence, when the system gives no thread.
pub fn start(
    config: &Config,
    kept: Kept,
    books: &BTreeMap<String, KeptShadow>,
    store: StoreHandle,
) -> Result<Option<(ShadowHandle, ShadowWords)>, String> {
    if config.shadows.is_empty() {
        return Ok(None);
    }
    let crew = Crew::new(config, kept, books, store);
    let (steps, heard) = sync_channel(STEPS_WAITING);
    let (tell, words) = mpsc::channel(NEWS_WAITING);
    let (end, ended) = sync_channel(1);
    let work = move || {
        if catch_unwind(AssertUnwindSafe(|| work(crew, &heard, &tell))).is_err() {
            let _ = tell.try_send(Word::Ended);
        }
        let _ = end.send(());
    };
    std::thread::Builder::new()
        .name("shadows".to_owned())
        .spawn(work)
        .map_err(|why| format!("shadow rules do not run, since the system gives no thread: {why}"))?;
    Ok(Some((ShadowHandle { steps, missed: false }, ShadowWords { words, ended })))
}

fn work(mut crew: Crew, heard: &Receiver<Step>, tell: &mpsc::Sender<Word>) {
    let mut look = Instant::now();
    loop {
        match heard.recv_timeout(LOOK_EVERY) {
            Ok(step) => {
                for news in crew.step(&step) {
                    let _ = tell.try_send(Word::News(news));
                }
            }
            Err(RecvTimeoutError::Timeout) => {}
            Err(RecvTimeoutError::Disconnected) => break,
        }
        if look.elapsed() >= LOOK_EVERY {
            crew.look();
            look = Instant::now();
        }
    }
    crew.end();
}

impl ShadowHandle {
    /// Hands over a step of the live home; where the shadows are behind, it is left out.
    pub fn step(&mut self, stamp: Stamp, inputs: Vec<Input>, outputs: &[Output]) {
        let outputs = outputs.iter().filter(|output| matters(output)).cloned().collect();
        let step = Step { now: stamp.moment, wall: stamp.wall, inputs, outputs, missed: self.missed };
        self.missed = self.steps.try_send(step).is_err();
    }
}

impl ShadowWords {
    /// The next word; `None` once the thread is gone.
    pub async fn next(&mut self) -> Option<Word> {
        self.words.recv().await
    }

    /// Waits until the accounts were handed to the store, after the handle was dropped.
    pub fn ended(&self, within: Duration) -> bool {
        self.ended.recv_timeout(within).is_ok()
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use overspill_rules::time::Moment;

    use super::*;

    /// Control never waits for shadows: what they are too slow for is left out, and they learn that it was.
    #[test]
    fn steps_that_find_no_room_are_left_out_and_that_is_told_with_the_next() {
        let (steps, heard) = sync_channel(1);
        let mut handle = ShadowHandle { steps, missed: false };
        let mut step = |ms| {
            let stamp = Stamp { moment: Moment(ms), batch: 0, wall: None };
            handle.step(stamp, vec![Input::Wake], &[Output::WaitUntil(Moment(0))]);
        };
        step(1);
        step(2);
        step(3);
        let first = heard.recv().unwrap();
        assert_eq!((first.now, first.missed, first.outputs.len()), (Moment(1), false, 0));
        step(4);
        let next = heard.recv().unwrap();
        assert_eq!((next.now, next.missed), (Moment(4), true));
        step(5);
        assert!(!heard.recv().unwrap().missed);
        drop(heard);
        step(6);
    }
}

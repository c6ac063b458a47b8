//! Subscribing after a connection was made.

use std::collections::VecDeque;
use std::time::Instant;

use super::bounds::{FILTERS_A_PACKET, SUBSCRIBED_WITHIN};
use super::wire::{Answer, Outlet};
use super::{Refusal, Subscription};

/// The subscriptions of one connection, one packet at a time.
pub(super) struct Subscribing {
    /// Packets not sent yet.
    left: VecDeque<Vec<Subscription>>,
    /// The packet that was handed over.
    asked: Option<Vec<Subscription>>,
    /// Its number, once it was written.
    number: Option<u16>,
    refused: Vec<Refusal>,
    done: bool,
}

impl Subscribing {
    pub(super) fn new(subscriptions: &[Subscription]) -> Self {
        let left = subscriptions.chunks(FILTERS_A_PACKET).map(<[Subscription]>::to_vec).collect();
        Self { left, asked: None, number: None, refused: Vec::new(), done: false }
    }

    pub(super) fn send_next(&mut self, outlet: &Outlet) {
        if self.asked.is_some() {
            return;
        }
        // A channel full of messages has no room; then it is tried again after the next of them was written.
        if self.left.front().is_some_and(|packet| outlet.subscribe(packet)) {
            self.asked = self.left.pop_front();
        }
    }

    pub(super) fn sent(&mut self, number: u16) {
        self.number = Some(number);
    }

    pub(super) fn answered(&mut self, number: u16, answers: &[Answer]) {
        if self.number != Some(number) {
            return;
        }
        self.number = None;
        for (subscription, answer) in self.asked.take().unwrap_or_default().into_iter().zip(answers) {
            if let Err(why) = answer {
                self.refused.push(Refusal { filter: subscription.filter, why: (*why).to_owned() });
            }
        }
    }

    /// The refusals, once, when everything was answered.
    pub(super) fn finish(&mut self) -> Option<Vec<Refusal>> {
        if self.done || self.asked.is_some() || !self.left.is_empty() {
            return None;
        }
        self.done = true;
        Some(std::mem::take(&mut self.refused))
    }

    pub(super) fn is_overdue(&self, up_since: Option<Instant>) -> bool {
        !self.done && up_since.is_some_and(|since| since.elapsed() > SUBSCRIBED_WITHIN)
    }
}

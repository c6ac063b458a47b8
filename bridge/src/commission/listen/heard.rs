//! What was heard at a broker, bounded: many topics and huge messages cost counting only.

use std::collections::BTreeMap;

use serde_json::Value;

use overspill_rules::commission::{Live, Seen};

/// Streams of values that are kept.
const STREAMS: usize = 2000;
/// Streams of one topic.
const OF_ONE_TOPIC: usize = 32;
/// Topics whose stored or wordy messages are remembered by name.
const NAMES: usize = 4000;
/// Longest topic and pointer, in bytes.
const NAME_BYTES: usize = 200;
/// How deep JSON is looked into.
const DEPTH: usize = 4;
/// Longest message that is looked into, in bytes.
const MESSAGE_BYTES: usize = 16 * 1024;

/// Where a value stands: topic, and JSON Pointer (RFC 6901), empty for a bare number.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub(super) struct Place {
    pub(super) topic: String,
    pub(super) pointer: String,
}

/// What a topic was seen with.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
struct Sort {
    live: bool,
    streams: usize,
}

/// Everything that was heard.
#[derive(Debug, Clone, Default)]
pub struct Heard {
    prefixes: Vec<String>,
    streams: BTreeMap<Place, Live>,
    topics: BTreeMap<String, Sort>,
    end_s: f64,
    /// Messages of Overspill itself.
    pub(super) own: u64,
    /// Messages too large to look into.
    pub(super) large: u64,
    /// Values and topics beyond what is kept.
    pub(super) beyond: u64,
    /// Messages that came faster than they were read.
    pub(super) lost: u64,
}

impl Heard {
    /// Nothing yet. Topics below `prefixes` are counted only.
    pub fn new(prefixes: &[String]) -> Heard {
        Heard { prefixes: prefixes.to_vec(), ..Heard::default() }
    }

    /// How many topics were heard.
    pub fn topics(&self) -> usize {
        self.topics.len()
    }

    /// How long was listened, in seconds.
    pub fn seconds(&self) -> f64 {
        self.end_s
    }

    /// Takes a message that came at `at_s`. One that was stored at the broker is of unknown age and is no sign of life.
    pub fn take(&mut self, topic: &str, payload: &[u8], retained: bool, at_s: f64) {
        let below =
            |p: &String| topic.strip_prefix(p.as_str()).is_some_and(|r| r.is_empty() || r.starts_with('/'));
        if topic.starts_with('$') {
            return;
        }
        if self.prefixes.iter().any(below) {
            self.own += 1;
            return;
        }
        let known = self.topics.contains_key(topic);
        if topic.len() > NAME_BYTES || (!known && self.topics.len() == NAMES) {
            self.beyond += 1;
            return;
        }
        let sort = self.topics.entry(topic.to_owned()).or_default();
        sort.live |= !retained;
        if retained {
            return;
        }
        if payload.len() > MESSAGE_BYTES {
            self.large += 1;
            return;
        }
        if let Ok(value) = serde_json::from_slice::<Value>(payload) {
            self.values(topic, String::new(), &value, at_s, DEPTH);
        }
    }

    fn values(&mut self, topic: &str, pointer: String, value: &Value, at_s: f64, depth: usize) {
        match value {
            Value::Number(number) => {
                if let Some(number) = number.as_f64() {
                    self.value(topic, pointer, number, at_s);
                }
            }
            Value::Object(members) if depth > 0 => {
                for (key, value) in members {
                    let key = key.replace('~', "~0").replace('/', "~1");
                    self.values(topic, format!("{pointer}/{key}"), value, at_s, depth - 1);
                }
            }
            Value::Array(items) if depth > 0 => {
                for (n, value) in items.iter().enumerate().take(OF_ONE_TOPIC) {
                    self.values(topic, format!("{pointer}/{n}"), value, at_s, depth - 1);
                }
            }
            _ => {}
        }
    }

    fn value(&mut self, topic: &str, pointer: String, number: f64, at_s: f64) {
        let long = pointer.len() > NAME_BYTES;
        let place = Place { topic: topic.to_owned(), pointer };
        if let Some(live) = self.streams.get_mut(&place) {
            live.push(at_s, number);
            return;
        }
        let Some(sort) = self.topics.get_mut(topic) else { return };
        if long || sort.streams == OF_ONE_TOPIC || self.streams.len() == STREAMS {
            self.beyond += 1;
            return;
        }
        sort.streams += 1;
        self.streams.entry(place).or_default().push(at_s, number);
    }

    /// Counts a message that was too large for the link.
    pub fn too_large(&mut self) {
        self.large += 1;
    }

    /// Counts messages that were lost.
    pub fn missed(&mut self, messages: u64) {
        self.lost += messages;
    }

    /// Listening ended at `at_s`.
    pub fn ended(&mut self, at_s: f64) {
        self.end_s = at_s;
    }

    /// Every stream of values, by topic.
    pub(super) fn streams(&self) -> impl Iterator<Item = (&Place, Seen)> {
        self.streams.iter().filter_map(|(place, live)| Some((place, live.seen(self.end_s)?)))
    }

    /// Topics with stored messages only, and topics that live but hold no number.
    pub(super) fn silent_and_wordy(&self) -> (Vec<&str>, Vec<&str>) {
        let named = |wanted: fn(&Sort) -> bool| {
            self.topics.iter().filter(|(_, s)| wanted(s)).map(|(t, _)| t.as_str()).collect()
        };
        (named(|s| !s.live), named(|s| s.live && s.streams == 0))
    }
}

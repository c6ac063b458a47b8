//! What reads like mains volts, and of which point it may be.

use super::draft::quoted;
use super::guess::{Kind, Role, kind, phase, role};
use super::heard::{Heard, Place};
use super::text::number;
use overspill_rules::commission::Seen;

/// 230 V within 10 % (IEC 60038).
const MAINS: std::ops::RangeInclusive<f64> = 207.0..=253.0;

/// Everything that was heard and reads like mains volts.
pub(super) struct Mains<'a>(Vec<(&'a Place, Seen)>);

impl<'a> Mains<'a> {
    pub(super) fn of(heard: &'a Heard) -> Mains<'a> {
        let is = |(place, seen): &(&Place, Seen)| {
            kind(place, *seen) == Kind::Volts && MAINS.contains(&seen.low) && MAINS.contains(&seen.high)
        };
        let printable = |(place, _): &(&Place, Seen)| !place.topic.chars().any(char::is_control);
        Mains(heard.streams().filter(is).filter(printable).collect())
    }

    /// The line of the home file for the point at `place`: volts in its own message, else of the same name elsewhere.
    pub(super) fn line(&self, place: &Place, of: Option<Role>, on: Option<u8>) -> Option<String> {
        // A message that is one bare number has no room for a second.
        let same = |p: &Place| p.topic == place.topic && !place.pointer.is_empty();
        let beside = |p: &Place| of.is_some() && role(p) == of;
        let with = |is: &dyn Fn(&Place) -> bool, phased: Option<u8>| {
            self.0.iter().find(|(p, _)| is(p) && phase(p) == phased)
        };
        let (volts, seen) = with(&same, on).or_else(|| with(&same, None)).or_else(|| with(&beside, on))?;
        let mut parts = Vec::new();
        if !same(volts) {
            parts.push(format!("topic = {}", quoted(&volts.topic)));
        }
        if !volts.pointer.is_empty() {
            parts.push(format!("pointer = {}", quoted(&volts.pointer)));
        }
        let range = format!("{} to {}", number(seen.low), number(seen.high));
        Some(format!("volts = {{ {} }}  # reads like mains: {range}", parts.join(", ")))
    }
}

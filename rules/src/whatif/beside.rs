//! What a load still takes, as far as the real one shows it: for a history that runs beside the real one, where nobody
//! knows yet what the load will have taken in the end.

use jiff::ToSpan;
use jiff::tz::TimeZone;

use super::plant::milliwatts;
use crate::home::{Kind, Load};
use crate::limits::{NOTHING_W, TAKES_NOTHING_AFTER};
use crate::time::{Moment, Span, WallTime};

/// A load that was full takes again once it has room for so much, in microjoules (50 Wh): less would be no start but a
/// flutter, a car's charger idling or a thermostat's own spread.
const TAKES_AGAIN_UJ: i64 = 180_000_000_000;

/// One load in its present period: since it was plugged in; where that is never told, since local noon for a charge
/// point (cars charge at night) and local midnight for all others.
///
/// Until the real load is seen to take nothing although it is offered power, this one takes what it is offered. From
/// then on it takes at most what the real one took in the period, less what it took itself. It is an estimate: a load
/// that was offered more, or earlier, than the real one may have taken more by then than would have fitted.
#[derive(Debug, Clone)]
pub(super) struct Beside {
    zone: TimeZone,
    hour: i8,
    /// Offered power and drawing nothing for so long, it takes nothing.
    patience: Span,
    idle_since: Option<Moment>,
    recorded_uj: i64,
    replayed_uj: i64,
    satisfied: bool,
    full: bool,
    /// What it had more than the real one when that was full, over all periods.
    over_uj: i64,
    /// Just after the period's end; `None` where plugging in begins the next one.
    ends: Option<Moment>,
}

impl Beside {
    pub(super) fn new(load: &Load, zone: &TimeZone, at: Moment) -> Beside {
        let hour = if matches!(load.kind, Kind::ChargePoint { .. }) { 12 } else { 0 };
        let mut beside = Beside {
            zone: zone.clone(),
            hour,
            patience: load.settle + TAKES_NOTHING_AFTER,
            idle_since: None,
            recorded_uj: 0,
            replayed_uj: 0,
            satisfied: false,
            full: false,
            over_uj: 0,
            ends: None,
        };
        beside.ends = beside.next_edge(at);
        beside
    }

    /// The device told whether something is plugged in; it was so before.
    pub(super) fn plugged(&mut self, was: bool, is: bool) {
        self.ends = None;
        if is && !was {
            self.idle_since = None;
            self.begin();
        }
    }

    /// The real load took nothing although it was offered power.
    pub(super) fn took_nothing(&mut self) {
        if !self.satisfied {
            self.over_uj += (-self.room_uj()).max(0);
        }
        self.satisfied = true;
        self.full = self.room_uj() <= 0;
    }

    /// The real load drew this, in milliwatts, while it was offered power or not: under a rule that has it run whatever
    /// comes nobody else notices that it takes nothing.
    pub(super) fn watch(&mut self, from: Moment, to: Moment, offered: bool, recorded_mw: i64) {
        if !offered || recorded_mw > milliwatts(NOTHING_W) {
            self.idle_since = None;
        } else if to - *self.idle_since.get_or_insert(from) >= self.patience && !self.satisfied {
            self.took_nothing();
        }
    }

    pub(super) fn over_uj(&self) -> i64 {
        self.over_uj
    }

    pub(super) fn takes(&self) -> bool {
        !self.full
    }

    /// When it may be full, or the next period begins, at these draws in milliwatts.
    pub(super) fn next_change(&self, at: Moment, recorded_mw: i64, draw_mw: i64) -> Option<Moment> {
        let rate = draw_mw - recorded_mw;
        let fills = self.satisfied && !self.full && rate > 0;
        let full = fills.then(|| Moment(at.0 + (self.room_uj() / rate).max(1)));
        self.ends.into_iter().chain(full).filter(|t| *t > at).min()
    }

    /// Time passes at these draws in milliwatts.
    pub(super) fn pass(&mut self, from: Moment, to: Moment, recorded_mw: i64, draw_mw: i64) {
        self.recorded_uj += recorded_mw * (to - from).0;
        self.replayed_uj += draw_mw * (to - from).0;
        if self.satisfied {
            let least = if self.full { TAKES_AGAIN_UJ } else { draw_mw.max(1) };
            self.full = self.room_uj() < least;
        }
        if self.ends.is_some_and(|end| end <= to) {
            self.begin();
            self.ends = self.next_edge(to);
        }
    }

    fn begin(&mut self) {
        (self.recorded_uj, self.replayed_uj) = (0, 0);
        (self.satisfied, self.full) = (false, false);
    }

    fn room_uj(&self) -> i64 {
        self.recorded_uj - self.replayed_uj
    }

    fn next_edge(&self, at: Moment) -> Option<Moment> {
        let now = WallTime(at.0).in_zone(&self.zone)?;
        let mut date = now.date();
        for _ in 0..3 {
            let edge = date.at(self.hour, 0, 0, 0).to_zoned(self.zone.clone()).ok()?;
            let edge = Moment(edge.timestamp().as_millisecond());
            if edge > at {
                return Some(edge);
            }
            date = date.saturating_add(1.day());
        }
        None
    }
}

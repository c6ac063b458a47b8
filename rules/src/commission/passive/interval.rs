//! All numbers between two.

#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Interval {
    pub(super) low: f64,
    pub(super) high: f64,
}

impl Interval {
    pub(super) const ZERO: Interval = Interval { low: 0.0, high: 0.0 };

    pub(super) fn of(one: f64, other: f64) -> Interval {
        Interval { low: one.min(other), high: one.max(other) }
    }

    pub(super) fn holds(self, number: f64) -> bool {
        (self.low..=self.high).contains(&number)
    }

    pub(super) fn meets(self, other: Interval) -> bool {
        self.low <= other.high && other.low <= self.high
    }

    pub(super) fn hull(self, other: Interval) -> Interval {
        Interval { low: self.low.min(other.low), high: self.high.max(other.high) }
    }

    pub(super) fn wider(self, by: f64) -> Interval {
        Interval { low: self.low - by, high: self.high + by }
    }

    pub(super) fn plus(self, other: Interval) -> Interval {
        Interval { low: self.low + other.low, high: self.high + other.high }
    }

    pub(super) fn times(self, other: Interval) -> Interval {
        let (a, b) = (self.low * other.low, self.low * other.high);
        let (c, d) = (self.high * other.low, self.high * other.high);
        Interval { low: a.min(b).min(c.min(d)), high: a.max(b).max(c.max(d)) }
    }

    /// `None` where `other` may be 0.
    pub(super) fn over(self, other: Interval) -> Option<Interval> {
        (!other.holds(0.0)).then(|| self.times(Interval::of(1.0 / other.low, 1.0 / other.high)))
    }

    /// The greatest size of a number in it.
    pub(super) fn size(self) -> f64 {
        self.low.abs().max(self.high.abs())
    }

    /// The least size of a number in it.
    pub(super) fn least(self) -> f64 {
        if self.holds(0.0) { 0.0 } else { self.low.abs().min(self.high.abs()) }
    }
}

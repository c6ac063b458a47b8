//! The cascade: where the power of each step begins and ends. Pure geometry, in watts.
//!
//! What comes in stands at the top, side by side: the roof first, then the battery, then the street. Whoever takes some
//! takes it from where the one before ended, so that the steps descend to the right and the roof's power is used first.
//! What comes in is what is taken and what leaves; so the last step ends where the sources end.

/// What one step does.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Does {
    /// Brings power in from above; `None` while it is not known.
    Gives(Option<f64>),
    /// Takes power.
    Takes(Option<f64>),
}

/// From where to where, in watts from the left edge.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Reach {
    pub(super) from: f64,
    pub(super) to: f64,
}

impl Reach {
    /// How much that is.
    pub(super) fn watts(self) -> f64 {
        self.to - self.from
    }

    /// The part of it up to `edge`, and the part after it.
    pub(super) fn cut(self, edge: f64) -> (Option<Reach>, Option<Reach>) {
        (reach(self.from, self.to.min(edge)), reach(self.from.max(edge), self.to))
    }
}

/// Where a step's power is.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Stage {
    /// What it gives or takes; `None` where nothing flows or nothing is known.
    pub(super) own: Option<Reach>,
    /// What falls past it to the steps below.
    pub(super) past: Option<Reach>,
}

/// The whole picture in watts.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Cascade {
    /// The steps, in their order.
    pub(super) stages: Vec<Stage>,
    /// Where what falls from above ends and what rises from the street begins.
    pub(super) edge_w: f64,
    /// What all steps together take.
    pub(super) taken_w: f64,
    /// The watts at the right edge of the picture: a round figure, so that it does not move with every reading.
    pub(super) full_w: f64,
}

/// Where everything begins and ends.
pub(super) fn cascade(steps: &[Does]) -> Cascade {
    let given = |step: &Does| match step {
        Does::Gives(watts) => watts.unwrap_or(0.0).max(0.0),
        Does::Takes(_) => 0.0,
    };
    let edge_w: f64 = steps.iter().map(given).sum();
    let (mut given_w, mut taken_w) = (0.0, 0.0);
    let mut stages = Vec::new();
    for step in steps {
        stages.push(match step {
            Does::Gives(_) => {
                let before = given_w;
                given_w += given(step);
                Stage { own: reach(before, given_w), past: reach(0.0, before) }
            }
            Does::Takes(watts) => {
                let before = taken_w;
                taken_w += watts.unwrap_or(0.0).max(0.0);
                Stage { own: reach(before, taken_w), past: reach(taken_w, edge_w) }
            }
        });
    }
    Cascade { stages, edge_w, taken_w, full_w: round_w(edge_w.max(taken_w)) }
}

fn reach(from: f64, to: f64) -> Option<Reach> {
    (to > from).then_some(Reach { from, to })
}

impl Cascade {
    /// What leaves to the street.
    pub(super) fn leaves(&self) -> Option<Reach> {
        reach(self.taken_w, self.edge_w)
    }

    /// What comes from the street.
    pub(super) fn comes(&self) -> Option<Reach> {
        reach(self.edge_w, self.taken_w)
    }
}

/// The round figure that holds `watts`; never so small that a trickle at night looks like noon.
fn round_w(watts: f64) -> f64 {
    const ROUND_KW: [f64; 15] =
        [2.0, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0, 12.0, 15.0, 20.0, 30.0, 40.0, 60.0, 80.0, 100.0];
    ROUND_KW.into_iter().map(|kw| kw * 1000.0).find(|w| *w >= watts).unwrap_or(watts)
}

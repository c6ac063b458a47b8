//! The home as a what-if's controller is told of it: every point in watts, with the program's own signs.

use crate::home::{ExtraKind, Home, Positive, Unit};

/// `home` with points that send watts. Registers are left out: they count what was, not what would have been.
pub(super) fn plain(home: &Home) -> Home {
    let mut plain = home.clone();
    for point in &mut plain.points {
        point.unit = Unit::W;
        point.positive = Positive::Import;
        point.scale = 1.0;
        point.plausible = None;
        point.extras.retain(|e| e.kind == ExtraKind::Volts);
    }
    plain
}

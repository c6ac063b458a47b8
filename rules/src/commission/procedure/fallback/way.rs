//! The ways in which a commander goes.

/// How the commander goes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(in super::super) enum Way {
    /// `overspill run` is ended by hand: it gives every load its fallback first.
    Stopped,
    /// The device loses its network: its own time-out acts.
    Network,
    /// The device loses its power, and gets it back.
    Power,
}

impl Way {
    pub(in super::super) const ALL: [Way; 3] = [Way::Stopped, Way::Network, Way::Power];

    pub(in super::super) fn word(self) -> &'static str {
        match self {
            Way::Stopped => "stopped",
            Way::Network => "network",
            Way::Power => "power",
        }
    }

    pub(in super::super) fn title(self) -> &'static str {
        match self {
            Way::Stopped => "the daemon stopped",
            Way::Network => "its network gone",
            Way::Power => "its power gone and back",
        }
    }

    pub(super) fn prompt(self) -> &'static str {
        match self {
            Way::Stopped => {
                "Stop the daemon now (Ctrl-C in its terminal, or systemctl stop), and press Enter at once."
            }
            Way::Network => {
                "Take the device off the network now (pull its cable, or switch its access point off), and press Enter at once."
            }
            Way::Power => {
                "Switch the device's power off, wait ten seconds, switch it on again, and press Enter."
            }
        }
    }

    /// What hands must put right afterwards, without a stop.
    pub(super) fn put_right(self) -> &'static str {
        match self {
            Way::Stopped => "Start the daemon again",
            Way::Network => "Put the device back on the network",
            Way::Power => "See that the device has its power and is on the network again",
        }
    }
}

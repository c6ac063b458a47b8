//! What all pages share: the head with the home's name, the way to the other views, the foot.

use super::access::Visitor;
use super::site::Site;

/// Where a page stands among the others.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Here {
    /// What the house does now.
    Now,
    /// How the meters and the program are.
    Health,
    /// Loads and how to overrule them.
    Loads,
    /// The household's settings.
    Settings,
    /// The household's rules.
    Rules,
    /// What it did.
    History,
    /// What its readings mean.
    Report,
    /// What a battery would have done.
    Battery,
    /// How its proof stands.
    Proof,
    /// None of the views.
    Nowhere,
}

/// A way to a view.
pub(crate) struct Way {
    pub(crate) name: &'static str,
    pub(crate) path: &'static str,
    pub(crate) here: bool,
}

/// The frame of one page for one visitor.
pub(crate) struct Frame {
    /// The home's name.
    pub(crate) home: String,
    /// The ways to the views.
    pub(crate) ways: Vec<Way>,
    /// Who looks.
    pub(crate) visitor: Visitor,
    /// The style's and the script's addresses, which change with their content.
    pub(crate) style: &'static str,
    pub(crate) script: &'static str,
}

/// The views in the order of the navigation.
const VIEWS: &[(Here, &str, &str)] = &[
    (Here::Now, "Now", "/"),
    (Here::History, "History", "/history"),
    (Here::Loads, "Loads", "/loads"),
    (Here::Settings, "Settings", "/settings"),
    (Here::Rules, "Rules", "/rules"),
    (Here::Report, "Report", "/report"),
    (Here::Battery, "Battery", "/battery"),
    (Here::Proof, "Commissioning", "/commissioning"),
    (Here::Health, "Health", "/health"),
];

impl Frame {
    pub(crate) fn new(site: &Site, here: Here, visitor: Visitor) -> Frame {
        let sees = visitor.may_view();
        let way =
            |(view, name, path): &(Here, &'static str, &'static str)| Way { name, path, here: *view == here };
        Frame {
            // Whoever may not see the home is not told its name either.
            home: if sees { site.home().name.clone() } else { "Overspill".to_owned() },
            ways: VIEWS.iter().filter(|_| sees).map(way).collect(),
            visitor,
            style: super::assets::style_path(),
            script: super::assets::script_path(),
        }
    }
}

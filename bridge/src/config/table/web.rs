//! Keys of the page.

use crate::config::form::{Form, Key};
use crate::config::grammar::Grammar;

pub(super) const WEB: &[Key] = &[Key::new(
    "listen",
    Form::Checked(Grammar::WebAddress),
    "Where the page is served: an address and a port, or \"none\" for no page.",
)
.or_text("127.0.0.1:8180")];

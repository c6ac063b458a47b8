//! Proof of the measuring points: what was switched, what each point answered, and which causes fit that.
//!
//! Each point is judged by all that could be wrong with it, alone and two at a time. A cause leaves the set only when
//! the answers cannot be its own, whatever the true size of a step within its tolerance and whatever the background
//! did: so the set holds the truth, and *good* is said only when every fault that the steps could show is ruled out.
//! What several causes explain stays open, with the step that would separate them.
//!
//! The table of the step test, the factors of a wrong phase and the confidence of a step are those of common practice;
//! the cosines are computed (cos 120 degrees is -0.5).

mod accuracy;
mod background;
mod cause;
mod cautions;
mod correction;
mod diagnosis;
mod elsewhere;
mod evidence;
mod fit;
pub mod passive;
pub mod procedure;
mod response;
mod site;
mod step;
mod suspect;
mod trace;
mod unsigned;
mod watch;

pub use accuracy::{Accuracy, Class, compare};
pub use cause::Cause;
pub use cautions::{BEFORE_ALL, caution};
pub use correction::{Correction, correction};
pub use diagnosis::{Diagnosis, Next, PointReport, Verdict, conclude, diagnose};
pub use evidence::{Evidence, examine};
pub use response::{Response, Unusable, responses};
pub use site::{Clamp, Conductor, Consumer, Flow, Site};
pub use step::{Act, Amount, What};
pub use suspect::{Suspect, suspects};
pub use trace::{Sample, Trace};
pub use watch::{Live, Seen};

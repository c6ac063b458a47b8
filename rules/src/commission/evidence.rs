//! What one point shows by itself, and what all points can say together.

use super::elsewhere::Elsewhere;
use super::fit::{Fit, Range, differ, fit, is_silent};
use super::response::{Response, responses};
use super::site::{Clamp, Site};
use super::step::{Act, What};
use super::suspect::{Suspect, suspects};
use super::trace::Trace;

/// What one point answered, and what explains that, for itself alone.
#[derive(Debug, Clone)]
pub struct Evidence {
    pub(super) responses: Vec<Response>,
    /// For each place in [`Elsewhere::all`], in its order.
    fits: Vec<Vec<Fit>>,
}

/// Examines one clamp of `site`. `power_factor` as for [`super::diagnose`].
pub fn examine(
    site: &Site,
    clamp: &Clamp,
    trace: Option<&Trace>,
    acts: &[Act],
    power_factor: Option<f64>,
) -> Evidence {
    let responses = trace.map(|t| responses(t, acts)).unwrap_or_default();
    let suspects = suspects(site, clamp);
    let as_said =
        suspects.iter().filter_map(|s| fit(site, clamp, s, &responses, Elsewhere::AS_SAID, power_factor));
    let mut fits = vec![as_said.collect()];
    for elsewhere in Elsewhere::all(site).into_iter().filter(|e| !e.is_as_said()) {
        let other = |s: &Suspect| fit_elsewhere(site, clamp, s, &responses, elsewhere, power_factor);
        fits.push(suspects.iter().filter(|s| s.causes.len() <= 1).filter_map(other).collect());
    }
    Evidence { responses, fits }
}

/// How a suspect with at most one cause fits when the test load was `elsewhere`.
fn fit_elsewhere(
    site: &Site,
    clamp: &Clamp,
    suspect: &Suspect,
    responses: &[Response],
    elsewhere: Elsewhere,
    power_factor: Option<f64>,
) -> Option<Fit> {
    let found = fit(site, clamp, suspect, responses, elsewhere, power_factor)?;
    let differ = |one, other| differ(site, clamp, responses, one, other);
    if !differ((suspect, elsewhere), (suspect, Elsewhere::AS_SAID)) {
        return Some(found);
    }
    let good = Suspect::good();
    let undone = !differ((suspect, elsewhere), (&good, Elsewhere::AS_SAID));
    let unseen = !differ((suspect, elsewhere), (&good, elsewhere))
        && is_silent(site, clamp, responses, suspect, elsewhere);
    // The fault undoes the mistake, and all answers are those of a good point; or nothing that was switched would have
    // shown it, and the mistake alone says as much. A fault that the mistake has hidden from the steps stays.
    let hidden = !differ((&good, elsewhere), (&good, Elsewhere::AS_SAID));
    let apart = hidden && !differ((suspect, elsewhere), (&good, elsewhere))
        || !(undone || unseen && !suspect.is_good());
    Some(Fit { suspect: suspect.with_test_load_elsewhere(), grave: true, apart, ..found })
}

/// What explains the answers of all points at once, for each of them; the simplest first. The test load was in one place,
/// and the roof gave one power.
pub(super) fn explained_together(site: &Site, evidence: &[&Evidence]) -> Vec<Vec<Fit>> {
    let saw: Vec<bool> = evidence.iter().map(|e| saw_solar(&e.responses)).collect();
    let mut all = vec![Vec::new(); evidence.len()];
    let mut as_said: Vec<bool> = Vec::new();
    for (i, elsewhere) in Elsewhere::all(site).into_iter().enumerate() {
        let of = |e: &&Evidence| e.fits.get(i).cloned().unwrap_or_default();
        let mut fits: Vec<Vec<Fit>> = evidence.iter().map(of).collect();
        agree_on_solar(&mut fits, &saw);
        if elsewhere.is_as_said() {
            as_said = fits.iter().map(|f| !f.is_empty()).collect();
        } else if fits.iter().zip(&as_said).any(|(f, explained)| f.is_empty() && *explained) {
            continue;
        }
        for (all, fits) in all.iter_mut().zip(fits) {
            fits.into_iter().filter(|f| f.apart).for_each(|fit| join(all, fit));
        }
    }
    all.iter_mut().for_each(|fits| fits.sort_by_key(|f: &Fit| f.suspect.causes.len()));
    all
}

fn join(fits: &mut Vec<Fit>, fit: Fit) {
    match fits.iter_mut().find(|f| f.suspect == fit.suspect) {
        Some(known) => known.scale = known.scale.hull(fit.scale),
        None => fits.push(fit),
    }
}

fn saw_solar(responses: &[Response]) -> bool {
    responses.iter().any(|r| r.what == What::SolarOff && r.share.is_ok())
}

/// The roof gave one true power when it was switched off: what one point's suspects can't share with those of another
/// is no explanation.
fn agree_on_solar(fits: &mut [Vec<Fit>], saw: &[bool]) {
    let mut common: Option<Vec<Range>> = None;
    for (fits, _) in fits.iter().zip(saw).filter(|(f, saw)| **saw && !f.is_empty()) {
        let own = joined(fits.iter().flat_map(|f| f.solar.iter().copied()).collect());
        common = Some(match common {
            None => own,
            Some(before) => {
                joined(before.iter().flat_map(|b| own.iter().filter_map(|o| b.meet(*o))).collect())
            }
        });
    }
    let Some(common) = common.filter(|c| !c.is_empty()) else {
        return;
    };
    for (fits, _) in fits.iter_mut().zip(saw).filter(|(_, saw)| **saw) {
        fits.retain(|f| f.solar.iter().any(|own| common.iter().any(|c| c.meet(*own).is_some())));
    }
}

/// The same numbers in as few ranges as possible.
fn joined(mut ranges: Vec<Range>) -> Vec<Range> {
    ranges.sort_by(|a, b| a.low.total_cmp(&b.low));
    let mut all: Vec<Range> = Vec::new();
    for range in ranges {
        match all.last_mut() {
            Some(last) if range.low <= last.high => last.high = last.high.max(range.high),
            _ => all.push(range),
        }
    }
    all
}

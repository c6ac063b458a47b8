//! What changed since the sheet before, on top of the new one: whoever holds the old one reads this first.

use std::fmt::Write as _;

use super::Times;
use crate::commission::record::{Issue, Record, Standing, Test};
use crate::report::html::{list, paragraph};

pub(super) fn changed(page: &mut String, record: &Record, time: &Times) {
    let [.., before, now] = record.issues.as_slice() else { return };
    let issue = format!("issue {} of {}", before.number, time.full(before.at));
    let changes = changes(record, before, now);
    if changes.is_empty() {
        paragraph(page, &format!("Nothing changed since {issue}."));
        return;
    }
    let _ = writeln!(page, "<div class=\"open\"><p><b>Changed since {issue}</b></p>");
    list(page, "", changes.iter().map(String::as_str));
    if let Some(who) = to_be_told(record) {
        paragraph(page, &format!("To be told: {who}."));
    }
    page.push_str("</div>\n");
}

/// Who must hear of the last issue of the sheet: the installer, with the contact in the record, unless all that changed is
/// their own work.
pub fn to_be_told(record: &Record) -> Option<String> {
    let [.., before, now] = record.issues.as_slice() else { return None };
    (!by_installer(record, before, now)).then(|| installer(record))
}

fn changes(record: &Record, before: &Issue, now: &Issue) -> Vec<String> {
    let stands = |issue: &Issue, test: &Test| issue.stood.get(&test.id).copied();
    let titles = |is: &dyn Fn(Option<Standing>, Standing) -> bool| {
        let held = |t: &&Test| stands(now, t).is_some_and(|is_now| is(stands(before, t), is_now));
        record.tests.iter().filter(held).map(|t| t.title.clone()).collect::<Vec<_>>().join("; ")
    };
    let is_good = |s: Option<Standing>| s == Some(Standing::Good);
    let kinds = [
        ("Closed, now good", titles(&|was, is| !is_good(was) && is == Standing::Good)),
        ("Found wrong", titles(&|was, is| was != Some(is) && is == Standing::Wrong)),
        ("Lapsed, since the home file changed", titles(&|was, is| was != Some(is) && is == Standing::Lapsed)),
        ("Open again", titles(&|was, is| was.is_some_and(|w| w != is) && is == Standing::Open)),
        ("New, and open", titles(&|was, is| was.is_none() && is == Standing::Open)),
    ];
    let files = record.corrections.iter().filter(|c| c.at > before.at && c.at <= now.at);
    let files = files.map(|c| format!("The home file was changed: {}.", c.what));
    let steps = kinds.into_iter().filter(|(_, titles)| !titles.is_empty());
    files.chain(steps.map(|(kind, titles)| format!("{kind}: {titles}."))).collect()
}

/// Whether the installer did all of it, and so knows.
fn by_installer(record: &Record, before: &Issue, now: &Issue) -> bool {
    let Some(who) = &record.who else { return false };
    let moved = |t: &&Test| before.stood.get(&t.id) != now.stood.get(&t.id) && t.verdict != Standing::Lapsed;
    let mut by = record.tests.iter().filter(moved).map(|t| t.by.as_deref());
    let mut files = record.corrections.iter().filter(|c| c.at > before.at);
    by.all(|by| by == Some(who.name.as_str())) && files.all(|c| c.by == who.name)
}

/// Who that is, and how to reach them, as recorded.
fn installer(record: &Record) -> String {
    let contact = record.contacts.iter().find(|c| c.role == "installer");
    match (&record.who, contact) {
        (Some(who), contact) => {
            let telephone =
                who.telephone.as_ref().or(contact.map(|c| &c.telephone)).filter(|t| !t.is_empty());
            let more = [who.company.as_ref(), telephone].into_iter().flatten();
            format!("the installer, {}{}", who.name, more.map(|m| format!(", {m}")).collect::<String>())
        }
        (None, Some(contact)) => format!("the installer, {}, {}", contact.name, contact.telephone),
        (None, None) => "the installer, whose name is not recorded".to_owned(),
    }
}

//! What was heard, for people.

use super::guess::{Kind, kind, role};
use super::heard::{Heard, Place};
use crate::words::{grouped, wrapped};
use overspill_rules::commission::Seen;

/// Names shown of topics without live numbers.
const SHOWN: usize = 10;

/// The report in lines of at most `columns`, except where a topic itself is longer.
pub fn text(heard: &Heard, columns: usize) -> String {
    let mut out = String::new();
    let streams: Vec<(&Place, Seen)> = heard.streams().collect();
    let (stored, wordy) = heard.silent_and_wordy();
    let topics: std::collections::BTreeSet<&str> = streams.iter().map(|(p, _)| p.topic.as_str()).collect();
    let head = format!(
        "Listened for {:.0} s: {} values in {} topics.",
        heard.seconds(),
        grouped(streams.len() as u64),
        grouped(topics.len() as u64)
    );
    out.push_str(&wrapped(&head, "", columns));
    for (place, seen) in &streams {
        out.push('\n');
        out.push_str(&clean(&place.topic));
        if !place.pointer.is_empty() {
            out.push_str(&format!("  {}", clean(&place.pointer)));
        }
        out.push('\n');
        out.push_str(&wrapped(&line(place, *seen), "  ", columns));
    }
    names(&mut out, "Live, but no number", &wordy, columns);
    names(&mut out, "Only stored at the broker, nothing live", &stored, columns);
    counts(&mut out, heard, columns);
    out
}

/// Names come from whoever may publish: nothing in them moves the cursor.
pub(super) fn clean(name: &str) -> String {
    name.chars().map(|c| if c.is_control() { '?' } else { c }).collect()
}

fn line(place: &Place, seen: Seen) -> String {
    let mut parts = vec![match seen.every_s {
        Some(every) => format!("every {}", seconds(every)),
        None => "once".to_owned(),
    }];
    parts.push(match seen.low == seen.high {
        true => format!("always {}", number(seen.low)),
        false => format!("{} to {}", number(seen.low), number(seen.high)),
    });
    let kind = kind(place, seen);
    let climbs = matches!(kind, Kind::WattHours | Kind::KilowattHours | Kind::Time);
    parts.extend(seen.noise.filter(|n| *n > 0.0 && !climbs).map(|noise| format!("noise {}", number(noise))));
    parts.extend((seen.low < 0.0).then(|| "goes below zero".to_owned()));
    let silent = seen.every_s.is_some_and(|every| seen.age_s > (3.0 * every).max(5.0));
    parts.extend(silent.then(|| format!("silent for {}", seconds(seen.age_s))));
    if kind != Kind::Unknown {
        let role = role(place).filter(|_| kind.unit().is_some());
        let role = role.map_or(String::new(), |r| format!(" of {}", r.spoken()));
        parts.push(format!("may be {}{role}", kind.words()));
    }
    parts.join(", ")
}

pub(super) fn seconds(s: f64) -> String {
    if s < 9.95 { format!("{s:.1} s") } else { format!("{s:.0} s") }
}

/// Four digits are enough to recognise a value.
pub(super) fn number(n: f64) -> String {
    let digits = match n.abs() {
        a if a >= 100.0 => 0,
        a if a >= 10.0 => 1,
        _ => 2,
    };
    let text = format!("{n:.digits$}");
    match text.contains('.') {
        true => text.trim_end_matches('0').trim_end_matches('.').to_owned(),
        false => text,
    }
}

fn names(out: &mut String, what: &str, topics: &[&str], columns: usize) {
    if topics.is_empty() {
        return;
    }
    out.push('\n');
    out.push_str(&wrapped(&format!("{what} ({}):", topics.len()), "", columns));
    topics.iter().take(SHOWN).for_each(|topic| out.push_str(&format!("  {}\n", clean(topic))));
    if topics.len() > SHOWN {
        out.push_str(&format!("  and {} more\n", topics.len() - SHOWN));
    }
}

fn counts(out: &mut String, heard: &Heard, columns: usize) {
    let all = [
        (heard.own, "Messages of Overspill itself left out"),
        (heard.large, "Messages too large to look into"),
        (heard.beyond, "Values or topics beyond what is kept, not listed"),
        (heard.lost, "Messages that came too fast to look at"),
    ];
    let told: Vec<String> =
        all.iter().filter(|(n, _)| *n > 0).map(|(n, what)| format!("{what}: {}.", grouped(*n))).collect();
    if !told.is_empty() {
        out.push('\n');
        out.push_str(&wrapped(&told.join(" "), "", columns));
    }
}

//! The meter book as people read it, 80 columns wide, and as programs do.

use std::fmt::Write as _;

use overspill_rules::answers::meter_book::{Compared, Verdict};
use overspill_rules::home::Home;
use overspill_rules::time::WallTime;
use serde_json::{Value, json as value};

use super::{Book, Offer, Page};
use crate::words::wrapped;

/// The book in words.
pub(crate) fn told(home: &Home, book: &Book, file: &str) -> String {
    let mut text = format!("Meter book of {}. Clamps are indicative; the meter counts.\n", home.name);
    if book.pages.is_empty() {
        text.push_str(&wrapped(
            &format!("Nothing is entered yet: overspill meter-book {file} enter import 12345.6"),
            "",
            80,
        ));
    }
    for page in &book.pages {
        text.push('\n');
        text.push_str(&page_told(home, page));
    }
    if book.at_odds {
        let odds = "Import and export are off by different factors, so that the scale of one clamp does not explain it: \
                    look for a wrong sign, a second circuit before the clamp, or a meter that nets its phases.";
        let _ = write!(text, "\n{}", wrapped(odds, "", 80));
    }
    for offer in &book.offers {
        let _ = write!(text, "\n{}", offered(home, offer, file));
    }
    text
}

fn page_told(home: &Home, page: &Page) -> String {
    let mut text = format!(
        "{:<18}{:>14}{:>16}{:>16}{:>14}\n",
        page.register.word(),
        "shows",
        "by the meter",
        "by the clamps",
        "differ"
    );
    for line in &page.lines {
        let r = &line.reading;
        let mark = if r.new_meter { "new " } else { "" };
        let _ = write!(text, "{:<18}{:>14}", local(home, r.at), format!("{mark}{}", r.kwh));
        if let Some(since) = &line.since {
            let _ = write!(text, "{}", figures(since));
        }
        text.push('\n');
    }
    if let Some(all) = page.all {
        if page.lines.iter().filter(|l| l.since.is_some()).count() > 1 {
            let _ = writeln!(text, "{:<32}{}", "in all", figures(&all));
        }
        text.push_str(&wrapped(&verdict(&all), "  ", 80));
    } else {
        text.push_str(&wrapped("A second reading some weeks later tells how the clamps do.", "  ", 80));
    }
    text
}

fn figures(c: &Compared) -> String {
    let kwh = |kwh: f64| format!("{kwh:.2} kWh");
    let differ = c.deviation.map_or("-".to_owned(), |d| format!("{:+.1} %", d * 100.0));
    format!("{:>16}{:>16}{:>14}", kwh(c.metered_kwh), kwh(c.counted_kwh), differ)
}

fn verdict(c: &Compared) -> String {
    let allowed = format!("{:.1} %", c.allowed * 100.0);
    match c.verdict {
        Verdict::Agrees => format!("The clamps agree with the meter; up to {allowed} either way may be."),
        Verdict::High => {
            format!("The clamps count MORE than the meter, by more than the {allowed} that may be.")
        }
        Verdict::Low => {
            format!("The clamps count LESS than the meter, by more than the {allowed} that may be.")
        }
        Verdict::TooLittle => {
            "Too little energy for the meter's last digit: nothing can be said yet. Read it again later."
                .to_owned()
        }
        Verdict::NotCovered => format!(
            "The clamps were read for {:.0} % of the time only: nothing can be said.",
            c.covered * 100.0
        ),
    }
}

fn offered(home: &Home, offer: &Offer, file: &str) -> String {
    let Offer { point, factor, .. } = offer;
    let (from, to) = (local(home, offer.from), local(home, offer.to));
    let say = format!(
        "Times {factor:.4}, the readings of {point} would agree with the meter. Look at the clamp's ratio first: is it the \
         right range, closed all the way, round one conductor? Then this corrects what was recorded, and `scale` in \
         [point.{point}] what comes:"
    );
    let command = format!(
        "  overspill correct {file} {point} --scale {factor:.4} \\\n    --from {} --to {}\n",
        from.replace(' ', "T"),
        to.replace(' ', "T")
    );
    format!("{}{command}", wrapped(&say, "", 80))
}

/// Local, to the minute.
pub(crate) fn local(home: &Home, at: WallTime) -> String {
    at.in_zone(&home.timezone).map_or_else(|| at.to_rfc3339(), |z| z.strftime("%Y-%m-%d %H:%M").to_string())
}

/// The same for programs.
pub(crate) fn json(book: &Book) -> Value {
    let compared = |c: &Compared| {
        value!({
            "metered_kwh": c.metered_kwh,
            "counted_kwh": c.counted_kwh,
            "covered": c.covered,
            "deviation": c.deviation,
            "allowed": c.allowed.is_finite().then_some(c.allowed),
            "verdict": match c.verdict {
                Verdict::Agrees => "agrees",
                Verdict::High => "high",
                Verdict::Low => "low",
                Verdict::TooLittle => "too_little",
                Verdict::NotCovered => "not_covered",
            },
            "factor": c.factor(),
        })
    };
    let pages = book.pages.iter().map(|page| {
        let readings = page.lines.iter().map(|line| {
            let r = &line.reading;
            value!({
                "at": r.at.to_rfc3339(),
                "kwh": r.kwh,
                "digits": r.digits,
                "new_meter": r.new_meter,
                "by": r.by,
                "since": line.since.as_ref().map(compared),
            })
        });
        value!({
            "register": page.register.word(),
            "readings": readings.collect::<Value>(),
            "all": page.all.as_ref().map(compared),
        })
    });
    let offers = book.offers.iter().map(|o| {
        value!({
            "point": o.point, "factor": o.factor, "from": o.from.to_rfc3339(), "to": o.to.to_rfc3339(),
        })
    });
    value!({
        "registers": pages.collect::<Value>(),
        "offers": offers.collect::<Value>(),
        "at_odds": book.at_odds,
    })
}

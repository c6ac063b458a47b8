//! Prices as rules read them.

use std::sync::Arc;

use jiff::tz::TimeZone;
use rust_decimal::Decimal;

use super::support::*;
use crate::home::Home;
use crate::script::{Program, RuleMemory, RuleRun, View};
use crate::tariff::{ExportPrice, ImportPrice, Price, Prices, Side, Tariff, Terms, Window, Windows};
use crate::time::{Moment, Span, WallTime};

fn money(text: &str) -> Decimal {
    text.parse().unwrap()
}

fn terms(import: ImportPrice, export: ExportPrice) -> Terms {
    Terms {
        vat_percent: Decimal::ZERO,
        standing_per_day: Decimal::ZERO,
        import,
        export,
        generation: Decimal::ZERO,
    }
}

/// 0.09 from 00:30 to 05:30 in London, else 0.28; export pays 0.15.
fn night() -> Terms {
    let zone = TimeZone::get("Europe/London").unwrap();
    let window = Window { from: 30, to: 330, days: [true; 7], price: money("0.09") };
    let windows = Windows::new(zone, Some(money("0.28")), &[window]).unwrap();
    terms(ImportPrice::Windows(windows), ExportPrice::Flat(money("0.15")))
}

fn listed() -> Terms {
    terms(ImportPrice::Listed, ExportPrice::Listed)
}

fn run_on(terms: Terms, view: View, body: &str) -> RuleRun {
    let tariff = Some(Tariff::new("GBP".into(), terms, vec![]));
    let program = Program::compile(&Home { tariff, ..home() }, &set(&rule(body), &[])).program;
    program.run(0, &Arc::new(view), &RuleMemory::default())
}

fn holds_on(terms: Terms, view: View, expression: &str) -> bool {
    let body = format!("if {expression} {{ home.load(\"car\").run(\"yes\"); }}");
    !requests(run_on(terms, view, &body)).is_empty()
}

fn at(utc: &str) -> View {
    View { wall: Some(wall(utc)), ..view() }
}

/// Half-hourly prices from `utc` on.
fn with_prices(mut view: View, side: Side, utc: &str, pence: &[i64]) -> View {
    let list: Vec<Price> = pence
        .iter()
        .enumerate()
        .map(|(n, p)| Price {
            from: wall(utc) + Span::minutes(30 * n as i64),
            to: None,
            price: Decimal::new(*p, 2),
        })
        .collect();
    let mut prices = Prices::clone(&view.prices);
    prices.of_mut(side).take(&list);
    view.prices = Arc::new(prices);
    view
}

#[test]
fn the_price_of_now_and_of_later() {
    for (utc, expression) in [
        ("2026-01-10T00:29:00Z", "home.price.import_now == 0.28"),
        ("2026-01-10T00:30:00Z", "home.price.import_now == 0.09"),
        ("2026-07-10T00:29:00Z", "home.price.import_now == 0.09"),
        ("2026-01-10T12:00:00Z", "home.price.import_at(\"03:00\") == 0.09"),
        ("2026-01-10T12:00:00Z", "home.price.export_now == 0.15"),
    ] {
        assert!(holds_on(night(), at(utc), expression), "{utc} {expression}");
    }
}

#[test]
fn vat_is_added_to_what_is_bought_and_not_to_what_is_sold() {
    let terms = Terms { vat_percent: money("5"), ..night() };
    assert!(holds_on(terms.clone(), at("2026-01-10T12:00:00Z"), "home.price.import_now == 0.294"));
    assert!(holds_on(terms, at("2026-01-10T12:00:00Z"), "home.price.export_now == 0.15"));
}

#[test]
fn a_rule_that_read_a_price_is_woken_when_it_may_change() {
    let run = run_on(night(), at("2026-01-10T00:20:00Z"), "home.price.import_now;");
    assert_eq!(run.wake, Some(Moment(1_000_000) + Span::minutes(10)));
}

#[test]
fn listed_prices_wait_until_they_are_known_and_may_be_negative() {
    let utc = "2026-01-10T12:00:00Z";
    let run = run_on(listed(), at(utc), "home.price.import_now;");
    assert_eq!(told(&run), "waiting: what a kilowatt-hour costs now is not known yet");
    let view = with_prices(at("2026-01-10T12:31:00Z"), Side::Import, utc, &[20, -3, 10]);
    assert!(holds_on(listed(), view, "home.price.import_now == -0.03"));
}

#[test]
fn the_cheapest_half_hours_that_suffice() {
    // From 20:00: 30 12 25 11 12 40 ... until 23:00.
    let pence = [30, 12, 25, 11, 12, 40];
    let chosen = |hours: f64| -> Vec<usize> {
        let slot = |n: &usize| {
            let utc = wall("2026-01-10T20:00:00Z") + Span::minutes(30 * *n as i64);
            let view = View { wall: Some(utc), ..view() };
            let view = with_prices(view, Side::Import, "2026-01-10T20:00:00Z", &pence);
            // As much is left as the slots before did not do.
            let expression = format!("home.price.cheapest_before(\"23:00\", {hours:.1})");
            holds_on(listed(), view, &expression)
        };
        (0..6).filter(slot).collect()
    };
    assert_eq!(chosen(0.0), [0; 0]);
    // Seen from 20:00 only the fourth counts; seen from 21:00 still, and after it what is cheapest then.
    assert_eq!(chosen(0.5)[0], 3);
    let from_start = |hours: f64| {
        let view = with_prices(at("2026-01-10T20:00:00Z"), Side::Import, "2026-01-10T20:00:00Z", &pence);
        holds_on(listed(), view, &format!("home.price.cheapest_before(\"23:00\", {hours:.1})"))
    };
    assert!(!from_start(1.5) && !from_start(2.0) && from_start(2.5), "30 pence is the fifth cheapest of six");
}

#[test]
fn a_wait_for_the_cheap_night_crosses_the_changes_of_the_clocks() {
    // On 29 March 2026 the night has four hours, on 25 October six: what is cheapest before 07:00 stays in them.
    for (evening, cheap_hours) in [("2026-03-28T22:00:00Z", 8), ("2026-10-24T21:00:00Z", 12)] {
        let mut chosen = 0;
        for half_hour in 0..24 {
            let now: WallTime = wall(evening) + Span::minutes(30 * half_hour);
            let view = View { wall: Some(now), ..view() };
            let before_seven = now.in_zone(&view.zone).unwrap().hour() < 7 || half_hour < 5;
            let cheap = holds_on(night(), view.clone(), "home.price.import_now < 0.1");
            let picked =
                before_seven && holds_on(night(), view, "home.price.cheapest_before(\"07:00\", 0.5)");
            assert!(!picked || cheap || half_hour > 12, "{evening} +{half_hour}");
            chosen += i64::from(cheap && picked);
        }
        assert_eq!(chosen, cheap_hours, "{evening}");
    }
}

#[test]
fn without_a_tariff_it_fails_and_a_wrong_time_is_found_before() {
    let rule_text = rule("home.price.import_now;");
    let program = Program::compile(&Home { tariff: None, ..home() }, &set(&rule_text, &[])).program;
    let run = program.run(0, &Arc::new(view()), &RuleMemory::default());
    assert!(told(&run).contains("write [tariff] in the home file"));
    let found = faults(&compile(&rule("home.price.cheapest_before(\"7 o'clock\", 3);")));
    assert!(found.contains("is no time of day"), "{found}");
    let found = faults(&compile(&rule("home.price.imprt_now;")));
    assert!(found.contains("did you mean `import_now`?"), "{found}");
}

//! What was assumed, and what follows, in sentences.

use overspill_rules::answers::battery::{
    CAR_KWH_PER_100_KM, KM_PER_MILE, Strategy, Terms, car_km, water_litres,
};
use overspill_rules::home::Home;
use overspill_rules::tariff::Side;
use rust_decimal::prelude::ToPrimitive;

use super::record::Record;
use super::{Asked, Row, Told};
use crate::words::paid;

/// Hot water is told as lifted by so much: from 10 to 60 degrees Celsius.
pub(super) const WATER_LIFT_K: f64 = 50.0;

/// Batteries are warranted for so many years: common practice.
const WARRANTY_YEARS: u32 = 10;

/// Below so much in all, energy is told to the tenth.
const LITTLE_KWH: f64 = 1000.0;

/// A record of fewer days is told to be no year.
const NEARLY_A_YEAR_DAYS: f64 = 330.0;

/// What was assumed.
pub(super) fn assumed(
    home: &Home,
    asked: &Asked,
    record: &Record,
    told: &Told,
    prices: Vec<String>,
) -> Vec<String> {
    let mut all = Vec::new();
    all.extend(asked.terms.first().map(battery));
    all.push(
        "A battery starts empty. Times without readings are left out, and it keeps its charge over them. It never sends \
         out what it stored. Loads take what they took: their share of spare power came first."
            .to_owned(),
    );
    all.extend(within_half_hours(record, told));
    if record.without_own {
        all.push("The battery that the home has is taken out of the record.".to_owned());
    }
    all.extend(told.strategies().len().gt(&1).then(strategies));
    all.extend(money(home, asked, told));
    all.extend(prices);
    all
}

fn battery(terms: &Terms) -> String {
    let percent = |share: f64| number(share * 100.0, 1);
    let Terms { charge_efficiency: charge, discharge_efficiency: discharge, .. } = *terms;
    format!(
        "Sizes are usable ones, power is at the AC terminals (0.5 kW for each kWh where not said: common practice). {} % \
         of what goes in is stored, {} % of that comes out, {} % both ways (90 % is common practice; NREL's Annual \
         Technology Baseline takes 85 %). Idling takes {} W (0 where not said; many take 10 to 60 W, common practice: look \
         at the data sheet), {} kWh are kept in reserve.",
        percent(charge),
        percent(discharge),
        percent(charge * discharge),
        number(terms.idle_w, 1),
        number(terms.reserve_kwh, 2),
    )
}

fn within_half_hours(record: &Record, told: &Told) -> Vec<String> {
    let mut all = vec![
        "Within a half hour surplus is taken to come before need, at even power. Shorter peaks are not seen: a battery of \
         little power would do less than is told here."
            .to_owned(),
    ];
    let both_ways = told.both_ways_kwh;
    if both_ways >= 0.5 {
        let total = told.none.total;
        all.push(format!(
            "Import and export are kept apart as they were recorded, {} and {} kWh; netted in each half hour they would be \
             {} and {} kWh.",
            energy(told, total.import_kwh),
            energy(told, total.export_kwh),
            energy(told, total.import_kwh - both_ways),
            energy(told, total.export_kwh - both_ways),
        ));
    }
    if record.netted > 0 {
        all.push(format!(
            "Of {} of {} half hours only the net is known; what was bought and sent out within them was more.",
            record.netted,
            record.seen.len()
        ));
    }
    all
}

fn strategies() -> String {
    "`fill-cheap` also buys to store while that has paid so far: each day is planned from the four weeks before it, knowing nothing of the future but \
     prices. `foresight` knows the whole future: a bound that no battery reaches. Where sending out pays more than buying costs, or \
     buying costs less than nothing, it is near the bound and not on it."
        .to_owned()
}

fn money(home: &Home, asked: &Asked, told: &Told) -> Vec<String> {
    let Some(tariff) = &home.tariff else {
        return vec![
            "The home file has no [tariff], so money is left out, and filling at cheap times too.".to_owned(),
        ];
    };
    let days = told.covered_hours / 24.0;
    let mut all = vec![format!(
        "Cost is that of energy in the {} days with readings, at the home's tariff, without standing charges; what a \
         battery saves is told for a year of 365 such days.",
        number(days, 1)
    )];
    if days < NEARLY_A_YEAR_DAYS {
        all.push(
            "That is no year: seasons that are not on record would change the answer, summer most."
                .to_owned(),
        );
    }
    if let Some(price) = asked.price_per_kwh {
        all.push(format!(
            "A battery costs {} {} for each kWh of its size. Payback is that over what it saves in a year, without \
             interest, wear or change of prices.",
            paid(price),
            tariff.currency
        ));
    }
    let unpriced = told.none.bill.map(|bill| bill.unpriced_kwh).filter(|kwh| !kwh.is_zero());
    all.extend(unpriced.map(|kwh| {
        format!("For {kwh:.2} kWh bought or sent out no price is known; they are not in the cost.")
    }));
    if tariff.is_listed(Side::Import) {
        all.push("Listed prices are taken to be known for each day from its beginning.".to_owned());
    }
    all
}

/// What was sent out could have done.
pub(super) fn could_have(told: &Told) -> String {
    let export_kwh = told.none.total.export_kwh;
    let km = car_km(export_kwh);
    format!(
        "What was sent out, {} kWh, could at home have heated {} litres of water by {} K (4.186 kJ/(kg K)), or driven an \
         electric car for {} km ({} miles) at {} kWh from the socket for 100 km (common practice).",
        energy(told, export_kwh),
        whole(water_litres(export_kwh, WATER_LIFT_K)),
        number(WATER_LIFT_K, 0),
        whole(km),
        whole(km / KM_PER_MILE),
        number(CAR_KWH_PER_100_KM, 1),
    )
}

/// What one kilowatt-hour more brings between a size and the next.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Further {
    pub(super) from_kwh: f64,
    pub(super) to_kwh: f64,
    /// A year: money, or kilowatt-hours not bought.
    pub(super) each: f64,
}

/// What further kilowatt-hours bring, from no battery on.
pub(super) fn further(told: &Told, strategy: Strategy) -> Vec<Further> {
    let (mut size, mut worth) = (0.0, 0.0);
    let mut all = Vec::new();
    for row in told.of(strategy) {
        let (to_kwh, now) = (row.outcome.terms.size_kwh, told.worth_a_year(row));
        if to_kwh > size {
            all.push(Further { from_kwh: size, to_kwh, each: (now - worth) / (to_kwh - size) });
        }
        (size, worth) = (to_kwh, now);
    }
    all
}

/// From where on more is not worth it, in kilowatt-hours (`None` is nowhere among these sizes), and why, in a sentence.
pub(super) fn enough(told: &Told) -> Option<(Option<f64>, String)> {
    let best = told.strategies().into_iter().rfind(|strategy| *strategy != Strategy::Foresight)?;
    let word = best.word();
    let further = further(told, best);
    let last = number(further.last()?.to_kwh, 2);
    // Idling takes its toll of the first kilowatt-hours; what counts is how it goes on from where they bring most.
    let most = further.iter().map(|more| more.each).fold(f64::NEG_INFINITY, f64::max);
    let mut falling = further.iter().skip_while(|more| more.each < most);
    let (least, does, does_not) = worth_it(told, most);
    if most <= 0.0 {
        return Some((Some(0.0), format!("No size here brings anything ({word}).")));
    }
    if most < least {
        return Some((Some(0.0), format!("At no size here a kWh {does} ({word}).")));
    }
    let Some(beyond) = falling.find(|more| more.each < least) else {
        return Some((None, format!("Up to {last} kWh each further kWh {does} ({word}).")));
    };
    let from = number(beyond.from_kwh, 2);
    Some((Some(beyond.from_kwh), format!("Beyond {from} kWh a further kWh {does_not} ({word}).")))
}

/// What a kilowatt-hour of size has to bring in a year, and how it is said that it does, and does not.
fn worth_it(told: &Told, most: f64) -> (f64, String, String) {
    let price = told.price_per_kwh.and_then(|price| price.to_f64()).zip(told.currency.as_ref());
    if let Some((price, currency)) = price {
        let back = format!(
            "back its {} {currency} within {WARRANTY_YEARS} years, a common warranty",
            number(price, 2)
        );
        return (price / f64::from(WARRANTY_YEARS), format!("pays {back}"), format!("does not pay {back}"));
    }
    let half = "half of what the best ones bring";
    (most / 2.0, format!("brings at least {half}"), format!("brings less than {half}"))
}

/// How long a row takes to be paid back, in years, or that it never is.
pub(super) fn payback(row: &Row) -> Option<String> {
    row.price.zip(row.saving_a_year)?;
    Some(row.payback_years.map_or("never".to_owned(), |years| format!("{years:.1}")))
}

/// A number with at most so many digits after the point.
pub(super) fn number(value: f64, digits: usize) -> String {
    let text = format!("{value:.digits$}");
    if text.contains('.') { text.trim_end_matches('0').trim_end_matches('.').to_owned() } else { text }
}

/// Energy in kilowatt-hours: to the tenth where there is little of it in all.
pub(super) fn energy(told: &Told, kwh: f64) -> String {
    let total = told.none.total;
    let most = total.import_kwh.max(total.export_kwh);
    if most < LITTLE_KWH { format!("{:.1}", kwh.max(0.0)) } else { whole(kwh) }
}

/// A whole number, grouped by thousands from five digits on.
pub(super) fn whole(value: f64) -> String {
    crate::words::grouped(value.round().max(0.0) as u64)
}

//! Figures as people read them, for all forms.

use jiff::civil::Date;
use jiff::tz::TimeZone;
use overspill_rules::answers::report::{
    DarkBy, EXPORT_HOUR_KWH, Energy, ImportPeak, NOISE_FLOOR_W, NOISE_LEAST_W, Peak, Report, USUAL_SHARE,
};
use overspill_rules::home::Home;
use overspill_rules::tariff::Bill;
use overspill_rules::time::WallTime;
use rust_decimal::Decimal;

use super::Gathered;

/// Kilowatt-hours: three digits or more, never a negative nothing.
pub(crate) fn kwh(value: f64) -> String {
    let decimals = if value.abs() < 100.0 { 2 } else { 1 };
    let least = 0.5 / 10_f64.powi(decimals);
    format!("{:.*}", decimals as usize, if value.abs() < least { 0.0 } else { value })
}

/// A share as whole percent; a dash where there is none.
pub(crate) fn percent(share: Option<f64>) -> String {
    share.map_or("-".to_owned(), |share| {
        let whole = (share * 100.0).round();
        // Nearly all is not all, and nearly nothing is not nothing.
        match whole {
            100.0 if share < 0.9999 => "99 %".to_owned(),
            0.0 if share > 0.0001 => "1 %".to_owned(),
            _ => format!("{whole:.0} %"),
        }
    })
}

/// Power: watts below a kilowatt, else kilowatts.
pub(crate) fn power(watts: f64) -> String {
    if watts.abs() < 1000.0 { format!("{watts:.0} W") } else { format!("{:.2} kW", watts / 1000.0) }
}

/// Money as it is paid, rounded once.
pub(super) fn money(amount: Decimal, currency: &str) -> String {
    format!("{:.2} {currency}", Bill::rounded(amount))
}

/// A date as people say it.
pub(crate) fn date(date: Date) -> String {
    date.strftime("%-d %B %Y").to_string()
}

/// A time of the home's clock.
pub(super) fn time(at: WallTime, zone: &TimeZone) -> String {
    at.in_zone(zone).map_or_else(|| at.to_rfc3339(), |z| z.strftime("%-d %B %Y, %H:%M").to_string())
}

/// The days of a span in words.
pub(crate) fn span((from, to): (WallTime, WallTime), zone: &TimeZone) -> String {
    let (Some(begin), Some(end)) = (from.in_zone(zone), to.in_zone(zone)) else { return String::new() };
    let whole = |z: &jiff::Zoned| z.start_of_day().is_ok_and(|start| start.timestamp() == z.timestamp());
    if whole(&begin) && whole(&end) {
        let last = end.date().yesterday().unwrap_or(end.date());
        return match last == begin.date() {
            true => date(last),
            false => format!("{} to {}", date(begin.date()), date(last)),
        };
    }
    format!("{} to {}", time(from, zone), time(to, zone))
}

/// How many days a span has, to a tenth.
pub(super) fn length_days((from, to): (WallTime, WallTime)) -> f64 {
    (to - from).as_hours() / 24.0
}

/// Kilowatt-hours for each day that is known.
pub(super) fn a_day(energy: Energy, span: (WallTime, WallTime)) -> f64 {
    energy.kwh / (energy.covered * length_days(span)).max(1e-9)
}

/// What was running at a peak of import.
pub(super) fn running(home: &Home, peak: &ImportPeak) -> String {
    let loads =
        peak.running.iter().map(|(load, watts)| format!("{} {}", home.load(*load).name, power(*watts)));
    let rest = peak.rest_w.map(|watts| {
        let of = if peak.running.is_empty() { "the home" } else { "the rest of the home" };
        format!("{of} {}", power(watts))
    });
    let all: Vec<String> = loads.chain(rest).collect();
    if all.is_empty() { "not known".to_owned() } else { all.join(", ") }
}

/// Whether a peak is a reading or a mean.
pub(super) fn basis(peak: &Peak) -> &'static str {
    if peak.is_reading { "" } else { " (mean of the half hour)" }
}

/// When the home exports, in a sentence.
pub(super) fn exports(report: &Report) -> String {
    let exports = &report.exports;
    let Some(energy) = report.totals.export else {
        return "Whether the home exports is not known: nothing measures it.".to_owned();
    };
    if exports.hours == 0 {
        return format!("The home did not export ({} kWh in all).", kwh(energy.kwh));
    }
    let usual = exports.usual.map_or(String::new(), |(from, to)| {
        format!(" {:.0} % of it and more went out between {from:02}:00 and {to:02}:00.", USUAL_SHARE * 100.0)
    });
    format!(
        "The home exported on {} of {} days, in {} hours, {} kWh in all.{usual}",
        exports.days,
        exports.days_known,
        exports.hours,
        kwh(energy.kwh)
    )
}

/// What runs all night, in a sentence.
pub(super) fn night(report: &Report) -> String {
    match report.night {
        Some(night) => {
            let word = if night.nights == 1 { "night" } else { "nights" };
            format!(
                "{} runs all night ({} {word}); over a whole year that is {:.0} kWh.",
                power(night.watts),
                night.nights,
                night.watts * 8.766
            )
        }
        None => "What runs all night is not known: no night has enough readings.".to_owned(),
    }
}

/// How the figures were made.
pub(super) fn legend(home: &Home, told: &Gathered) -> Vec<String> {
    let report = &told.report;
    let mut legend = vec![
        "All figures are indicative: clamps are not billing meters. \"Covered\" is the share of the time with readings; \
         what is not known is in no total and never counts as nothing."
            .to_owned(),
        "Used at home: of what the roof made, the part that was not sent out. Not bought: of what the home used, the rest \
         beside import. (Luthander, Widén, Nilsson, Palm: Applied Energy 142, 2015, 80-94.)"
            .to_owned(),
    ];
    if report.estimate.is_some() {
        legend.push(
            "By a standard: the estimate of SAP 10.2 (17-12-2021), Appendix M1, by month, without a battery: what a \
             typical dwelling with this roof and this use would use itself."
                .to_owned(),
        );
    }
    if report.totals.solar.is_some() {
        let dark = match report.dark_by {
            DarkBy::Sun => "with the sun below the horizon",
            DarkBy::Quiet => {
                "in the dark (stretches of 4 hours and more over midnight up to that level and mostly noisy, less an hour \
                 at both ends; with latitude and longitude in the home file the sun would tell)"
            }
        };
        legend.push(format!(
            "Noise: solar readings of {NOISE_LEAST_W} to {NOISE_FLOOR_W:.0} W on average over a half hour {dark} are taken \
             for noise of the clamp. {} kWh were set aside so.",
            kwh(report.totals.noise_kwh)
        ));
    }
    legend.push(format!(
        "All night: the median over the nights (midnight to 6) of the least hour of the home without its controlled loads. \
         An hour of export has more than {EXPORT_HOUR_KWH} kWh out. Peaks are readings, of each day the highest; what ran \
         is the mean of that half hour."
    ));
    if !home.loads.is_empty() {
        legend.push(
            "From spare power: of each half hour of the loads, what the roof could feed after the rest of the home (and a \
             battery that is served first). From the grid: the rest."
                .to_owned(),
        );
    }
    if let Some(money) = report.money.as_ref().or(told.other.as_ref()) {
        let mut text =
            "Cost and income are of the energy that is known, by the prices of the tariff with VAT; rounded once."
                .to_owned();
        if !money.bill.unpriced_kwh.is_zero() {
            text.push_str(&format!(
                " For {:.2} kWh no price is known; they are not in it.",
                money.bill.unpriced_kwh
            ));
        }
        legend.push(text);
    }
    if let Some(carbon) = &report.carbon {
        let used = carbon.used.iter().map(|(factor, kwh)| {
            let year = factor.year.map_or(String::new(), |year| format!(" for {year}"));
            format!("{} kg per kWh{year} on {} kWh ({})", factor.kg_per_kwh, self::kwh(*kwh), factor.source)
        });
        legend.push(format!(
            "Carbon: {}. An average factor; what export saves elsewhere is not counted.",
            used.collect::<Vec<_>>().join("; ")
        ));
    }
    legend.extend(told.notes.iter().cloned());
    legend
}

//! What the rules are tried on: made-up hours of a home, each in words.

use overspill_rules::home::{
    Home, InputId, LoadId, Measures, PointId, Setting, SettingId, SettingValue, Side as GridSide, Takes,
};
use overspill_rules::tariff::Side;
use overspill_rules::time::{Span, WallTime};

use crate::workbench::case::{Does, Given, GivenLoad, Person};
use crate::workbench::drive::SECOND;
use crate::workbench::moments;
use crate::workbench::series::Series;

/// A made-up time of the home.
pub(super) struct Situation {
    pub(super) words: String,
    pub(super) start: WallTime,
    pub(super) lasts: Span,
    pub(super) step: Span,
    pub(super) clock_unset_for: Span,
    pub(super) given: Given,
    pub(super) people: Vec<Person>,
}

pub(super) const DAY: Span = Span::hours(24);
const A_WHILE: Span = Span::minutes(10);

/// Long times are looked over in steps of this; meters and inputs tell as often.
pub(super) const COARSE: Span = Span::minutes(2);

/// Broken cloud, made up: clouds of a minute or so, and one of ten minutes in each of eight hours.
const CLOUDS: &str = "0 for 6h, ramp 0..1500 over 2h, \
     ((4200 for 2m, 1000 for 1m, 4500 for 3m, 600 for 90s) x 6, 600 for 10m, 4500 for 5m) x 8, \
     ramp 1500..0 over 2h, 0";

/// A house with something that heats for four minutes in every hour.
const PEOPLE: &str = "(400 for 50m, 2400 for 4m, 400 for 6m) x 24";

/// Prices that change by the half hour, for a while below nothing, and are not known beyond 32 hours.
const PRICES: &str = "(0.25 for 2h, 0.08 for 2h, -0.02 for 1h, 0.3 for 3h) x 4, silent";

/// Prices below nothing for hours.
const BELOW_NOTHING: &str = "-0.05 for 8h, 0.1";

/// A whole day of broken cloud.
pub(super) fn clouds(home: &Home) -> Situation {
    Situation { lasts: DAY, ..at(home, "2026-06-18 00:00", "on a day of broken cloud", CLOUDS, PEOPLE) }
}

/// Everything else that must not make a rule fail.
pub(super) fn situations(home: &Home) -> Vec<Situation> {
    let mut all = vec![
        noon(home, "on a sunny noon"),
        at(home, "2026-01-15 03:00", "in a winter night", "-5", "250"),
        at(home, "2026-01-17 18:00", "on a winter evening with 12 kW in the house", "0", "12000"),
        silent(home),
        stale(home),
        unplugged(home),
        Situation { clock_unset_for: A_WHILE, ..noon(home, "while the clock is not set") },
    ];
    all.extend(long(home));
    all.extend(priced(home));
    all.extend(set(home));
    all
}

fn at(home: &Home, text: &str, words: &str, solar: &str, base: &str) -> Situation {
    Situation {
        words: words.to_owned(),
        start: moments::start(text, &home.timezone).unwrap_or_default(),
        lasts: A_WHILE,
        step: SECOND,
        clock_unset_for: Span::ZERO,
        given: given(home, solar, base),
        people: Vec::new(),
    }
}

fn noon(home: &Home, words: &str) -> Situation {
    at(home, "2026-06-18 13:00", words, "5000", "400")
}

fn silent(home: &Home) -> Situation {
    let mut silent = noon(home, "while nothing has been heard of any device");
    silent.given.points.iter_mut().for_each(|(_, s)| *s = series("silent"));
    silent.given.inputs.clear();
    (silent.given.import_price, silent.given.export_price) = (None, None);
    let grids = home.points_measuring(Measures::Grid(GridSide::Both));
    silent.given.points.extend(grids.map(|p| (p, series("silent"))));
    silent
}

fn stale(home: &Home) -> Situation {
    let mut stale = noon(home, "after every device fell silent");
    stale.given.points.iter_mut().for_each(|(_, s)| *s = series("1000 for 3m, silent"));
    stale.given.inputs.iter_mut().for_each(|(_, s)| *s = series("20 for 3m, silent"));
    stale
}

fn unplugged(home: &Home) -> Situation {
    let mut unplugged = noon(home, "with nothing plugged in");
    let out = GivenLoad { plugged: Some(series("no")), takes: Some(series("0")), ..GivenLoad::default() };
    unplugged.given.loads = (0..home.loads.len()).map(|i| (LoadId(i as u16), out.clone())).collect();
    unplugged
}

/// Nights with a car plugged in, past whatever deadline it has, and the nights on which the clocks change: in most of
/// Europe the last Sundays of March and October (EU directive 2000/84/EC and UK law), elsewhere nights like others.
fn long(home: &Home) -> Vec<Situation> {
    let nights = [
        ("2026-01-15 16:00", "in a night with everything plugged in"),
        ("2026-03-28 20:00", "in the night on which the clocks go forward"),
        ("2026-10-24 20:00", "in the night on which the clocks go back"),
    ];
    let night = |(start, words): &(&str, &str)| Situation {
        lasts: Span::hours(16),
        step: COARSE,
        ..at(home, start, words, "0", "300")
    };
    nights.iter().map(night).collect()
}

/// Prices below nothing, and none, where lists bring them.
fn priced(home: &Home) -> Vec<Situation> {
    let mut below = noon(home, "while prices are below nothing");
    let mut none = noon(home, "while no price is known");
    if below.given.import_price.is_none() && below.given.export_price.is_none() {
        return Vec::new();
    }
    for price in [&mut below.given.import_price, &mut below.given.export_price] {
        *price = price.as_ref().map(|_| series(BELOW_NOTHING));
    }
    (none.given.import_price, none.given.export_price) = (None, None);
    vec![below, none]
}

/// Every setting at its bounds and at each of its choices, by day and by night.
fn set(home: &Home) -> Vec<Situation> {
    let mut all = Vec::new();
    for (i, setting) in home.settings.iter().enumerate() {
        for value in extremes(setting).into_iter().filter(|v| *v != setting.default) {
            let words = format!("with `{}` at {value}", setting.id);
            let does = Does::Sets { setting: SettingId(i as u16), value };
            let person = Person { at: Span::ZERO, does, lasts: None };
            let by_day = noon(home, &format!("{words}, on a sunny noon"));
            let night = at(home, "2026-01-15 03:00", &format!("{words}, in a winter night"), "-5", "250");
            all.extend([by_day, night].map(|s| Situation { people: vec![person.clone()], ..s }));
        }
    }
    all
}

fn extremes(setting: &Setting) -> Vec<SettingValue> {
    let text = |text: &str| SettingValue::Text(text.to_owned());
    match &setting.takes {
        Takes::Number { low, high, .. } => vec![SettingValue::Number(*low), SettingValue::Number(*high)],
        Takes::Flag => vec![SettingValue::Flag(false), SettingValue::Flag(true)],
        Takes::Time => vec![text("00:00"), text("23:59")],
        Takes::Choice(words) => words.iter().map(|w| text(w)).collect(),
    }
}

/// Roof and house as given, everything else as it usually is.
pub(super) fn given(home: &Home, solar: &str, base: &str) -> Given {
    let points = home.points.iter().enumerate().filter_map(|(i, point)| {
        let says = match point.measures {
            Measures::Solar => solar,
            Measures::Battery => "0",
            _ => return None,
        };
        Some((PointId(i as u16), series(says)))
    });
    let inputs = home.inputs.iter().enumerate().map(|(i, input)| {
        let usual = input.plausible.map_or(20.0, |(low, high)| (low + high) / 2.0);
        (InputId(i as u16), series(&usual.to_string()))
    });
    let listed = |side| home.tariff.as_ref().is_some_and(|t| t.is_listed(side)).then(|| series(PRICES));
    Given {
        base: Some(series(base)),
        points: points.collect(),
        inputs: inputs.collect(),
        import_price: listed(Side::Import),
        export_price: listed(Side::Export),
        ..Given::default()
    }
}

/// Notations of these files; a test reads each of them.
pub(super) fn series(text: &str) -> Series {
    Series::parse(text).unwrap_or_else(|_| Series::nothing())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_notation_can_be_read() {
        let all = [
            CLOUDS,
            PEOPLE,
            PRICES,
            BELOW_NOTHING,
            "silent",
            "1000 for 3m, silent",
            "20 for 3m, silent",
            "no",
        ];
        for text in all {
            assert!(Series::parse(text).is_ok(), "{text}");
        }
    }

    #[test]
    fn a_setting_is_tried_at_its_bounds_and_choices() {
        let setting = |takes, default| Setting {
            id: "wish".to_owned(),
            name: "wish".to_owned(),
            description: None,
            takes,
            default,
            expires_after: None,
        };
        let number = Takes::Number { unit: String::new(), low: -1.0, high: 5.0, step: None };
        let found = extremes(&setting(number, SettingValue::Number(0.0)));
        assert_eq!(found, [SettingValue::Number(-1.0), SettingValue::Number(5.0)]);
        let words = Takes::Choice(vec!["away".to_owned(), "home".to_owned()]);
        assert_eq!(extremes(&setting(words, SettingValue::Text("home".to_owned()))).len(), 2);
    }
}

//! The objects that a rule holds: the home and the clock. Loads stand in `load_object`.

use std::sync::Arc;

use jiff::Zoned;
use rhai::{Dynamic, Engine, ImmutableString};

use super::clock::{self, TimeOfDay};
use super::engine::Answer;
use super::load_object::{LoadObject, shortened};
use super::nearest::suggest;
use super::price_object::PriceObject;
use super::sun_object::SunObject;
use super::trace::{Evaluation, Name};
use super::view::BALANCE_NAMES;
use crate::home::SettingValue;
use crate::limits;
use crate::time::Span;

/// `home`.
#[derive(Debug, Clone)]
pub(super) struct HomeObject(pub(super) Arc<Evaluation>);

/// `home.clock`.
#[derive(Debug, Clone)]
pub(super) struct ClockObject(Arc<Evaluation>);

/// Registers the home and the clock.
pub(super) fn register(engine: &mut Engine) {
    engine.register_type_with_name::<HomeObject>("Home");
    engine.register_type_with_name::<ClockObject>("Clock");
    for (place, name) in BALANCE_NAMES.into_iter().enumerate() {
        engine.register_get(name, move |home: &mut HomeObject| home.0.balance(place));
    }
    engine.register_get("clock", |home: &mut HomeObject| ClockObject(Arc::clone(&home.0)));
    engine.register_fn("load", HomeObject::load);
    engine.register_fn("point", HomeObject::point);
    engine.register_fn("input", HomeObject::input);
    engine.register_fn("setting", HomeObject::setting);
    engine.register_fn("known", HomeObject::known);
    engine.register_fn("or", HomeObject::or);
    engine.register_fn("or", |home: &mut HomeObject, name: &str, instead: i64| home.or(name, instead as f64));
    // By value: what is reached through a property and taken by reference would be written back into the property, which
    // has no setter; at every call the engine would look for one, write an error and drop it.
    engine.register_fn("between", |clock: ClockObject, start: &str, end: &str| clock.between(start, end));
    engine.register_get("hour", ClockObject::hour);
    engine.register_get("minute", ClockObject::minute);
    engine.register_get("weekday", ClockObject::weekday);
    engine.register_get("day", ClockObject::day);
    engine.register_get("month", ClockObject::month);
    engine.register_get("sun", |home: &mut HomeObject| SunObject(Arc::clone(&home.0)));
    engine.register_get("price", |home: &mut HomeObject| PriceObject(Arc::clone(&home.0)));
    engine.register_fn("tell", HomeObject::tell);
}

impl HomeObject {
    fn load(&mut self, name: &str) -> Answer<LoadObject> {
        match self.0.home.load_named(name) {
            Some(load) => Ok(LoadObject { evaluation: Arc::clone(&self.0), load }),
            None => {
                let help = suggest(name, self.0.home.loads.iter().map(|l| l.id.as_str()));
                self.0.fail(format!("the home has no load `{name}`"), help)
            }
        }
    }

    fn point(&mut self, name: &str) -> Answer<f64> {
        match self.0.home.point_named(name) {
            Some(point) => self.0.point(point),
            None => {
                let help = suggest(name, self.0.home.points.iter().map(|p| p.id.as_str()));
                self.0.fail(format!("the home has no point `{name}`"), help)
            }
        }
    }

    fn input(&mut self, name: &str) -> Answer<f64> {
        match self.0.home.input_named(name) {
            Some(input) => self.0.input(input),
            None => {
                let help = suggest(name, self.0.home.inputs.iter().map(|i| i.id.as_str()));
                self.0.fail(format!("the home has no input `{name}`"), help)
            }
        }
    }

    fn setting(&mut self, name: &str) -> Answer<Dynamic> {
        let found = self.0.home.setting_named(name);
        match found.and_then(|id| self.0.setting(id)) {
            Some(SettingValue::Flag(flag)) => Ok((*flag).into()),
            Some(SettingValue::Number(number)) => Ok((*number).into()),
            Some(SettingValue::Text(text)) => Ok(text.into()),
            None => {
                let help = suggest(name, self.0.home.settings.iter().map(|s| s.id.as_str()));
                self.0.fail(format!("the home has no setting `{name}`"), help)
            }
        }
    }

    fn known(&mut self, name: &str) -> Answer<bool> {
        self.find(name).map(|found| self.0.looked_at(found).value.is_some())
    }

    fn or(&mut self, name: &str, instead: f64) -> Answer<f64> {
        self.find(name).map(|found| self.0.looked_at(found).value.unwrap_or(instead))
    }

    /// A notice for people. The controller gives it out once for as long as the rule goes on saying the same.
    fn tell(&mut self, text: &str) -> Answer<()> {
        let text = text.trim();
        if text.is_empty() {
            return self.0.fail("there is nothing to tell".to_owned(), None);
        }
        let text = shortened(text);
        let mut trace = self.0.trace();
        if trace.tells.len() >= limits::TELLS_AT_ONCE && !trace.tells.contains(&text) {
            drop(trace);
            return self.0.fail(format!("a rule may tell {} things at once", limits::TELLS_AT_ONCE), None);
        }
        if !trace.tells.contains(&text) {
            trace.tells.push(text);
        }
        Ok(())
    }

    fn find(&self, name: &str) -> Answer<Name> {
        match Name::find(&self.0.home, name) {
            Some(found) => Ok(found),
            None => {
                let help = suggest(name, Name::all(&self.0.home));
                self.0.fail(format!("the home has no value, point or input `{name}`"), help)
            }
        }
    }
}

impl Evaluation {
    /// The local time; ends the evaluation as waiting while the clock is not believed.
    pub(super) fn local(&self) -> Answer<Zoned> {
        self.trace().reads.clock = true;
        match self.view.wall.and_then(|wall| wall.in_zone(&self.view.zone)) {
            Some(local) => Ok(local),
            None => self.wait("the clock is not set yet".to_owned()),
        }
    }

    pub(super) fn time_of_day(&self, text: &str) -> Answer<TimeOfDay> {
        TimeOfDay::parse(text).or_else(|message| self.fail(message, None))
    }
}

impl ClockObject {
    fn between(&self, start: &str, end: &str) -> Answer<bool> {
        let (from, until) = (self.0.time_of_day(start)?, self.0.time_of_day(end)?);
        if from == until {
            return self.0.fail(format!("from \"{start}\" to \"{end}\" is no time at all"), None);
        }
        let now = self.0.local()?;
        let inside = clock::is_between(&now, from, until);
        self.0.wake_at(self.0.around(&now, if inside { until } else { from }).next);
        Ok(inside)
    }

    fn hour(&mut self) -> Answer<f64> {
        let now = self.0.local()?;
        self.0.wake_in(Span::minutes(60 - i64::from(now.minute())) - into_minute(&now));
        Ok(f64::from(now.hour()))
    }

    fn minute(&mut self) -> Answer<f64> {
        let now = self.0.local()?;
        self.0.wake_in(Span::minutes(1) - into_minute(&now));
        Ok(f64::from(now.minute()))
    }

    fn weekday(&mut self) -> Answer<ImmutableString> {
        use jiff::civil::Weekday;
        let word = match self.date()?.weekday() {
            Weekday::Monday => "mon",
            Weekday::Tuesday => "tue",
            Weekday::Wednesday => "wed",
            Weekday::Thursday => "thu",
            Weekday::Friday => "fri",
            Weekday::Saturday => "sat",
            Weekday::Sunday => "sun",
        };
        Ok(word.into())
    }

    fn day(&mut self) -> Answer<f64> {
        Ok(f64::from(self.date()?.day()))
    }

    fn month(&mut self) -> Answer<f64> {
        Ok(f64::from(self.date()?.month()))
    }

    fn date(&self) -> Answer<Zoned> {
        let now = self.0.local()?;
        self.0.wake_at(self.0.around(&now, TimeOfDay::MIDNIGHT).next);
        Ok(now)
    }
}

fn into_minute(now: &Zoned) -> Span {
    Span(i64::from(now.second()) * 1000 + i64::from(now.millisecond()))
}

//! From messages to inputs.

use std::collections::BTreeMap;

use overspill_rules::home::{LoadId, PointId, SettingId};
use overspill_rules::input::{About, Input, OtherReading, Reading};
use overspill_rules::payload::{Decoder, Parsed, override_request, price_list, setting_request};
use overspill_rules::tariff::Side;
use serde::Deserialize;

use crate::config::{Config, Route, Target};

use super::Topics;

/// What to make of the messages of each topic.
pub(super) struct Router {
    by_topic: BTreeMap<String, Vec<Destination>>,
}

enum Destination {
    Value { target: Target, decoder: Decoder },
    Flag { target: Target, decoder: Decoder, yes_words: Vec<String> },
    Override(LoadId),
    Service(LoadId),
    Setting(SettingId),
    Prices(Side),
}

/// What a person sends to take a load out of service or put it back.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Service {
    out: bool,
    by: String,
}

impl Router {
    /// Routes of the home file, and what people ask of each load.
    ///
    /// # Errors
    /// A sentence, when an expression of the home file can't be compiled.
    pub(super) fn new(config: &Config, topics: &Topics) -> Result<Router, String> {
        let mut by_topic: BTreeMap<String, Vec<Destination>> = BTreeMap::new();
        for route in &config.routes {
            let destination = destination(route).map_err(|why| format!("topic {}: {why}", route.topic))?;
            by_topic.entry(route.topic.clone()).or_default().push(destination);
        }
        for (i, load) in config.home.loads.iter().enumerate() {
            let id = LoadId(i as u16);
            by_topic.entry(topics.wish(&load.id)).or_default().push(Destination::Override(id));
            by_topic.entry(topics.service(&load.id)).or_default().push(Destination::Service(id));
        }
        for (i, setting) in config.home.settings.iter().enumerate() {
            let id = SettingId(i as u16);
            by_topic.entry(topics.set(&setting.id)).or_default().push(Destination::Setting(id));
        }
        Ok(Router { by_topic })
    }

    /// Every topic to listen to.
    pub(super) fn topics(&self) -> impl Iterator<Item = &str> {
        self.by_topic.keys().map(String::as_str)
    }

    /// The inputs that a message makes. A message that can't be read makes one that says so.
    pub(super) fn inputs(&self, topic: &str, payload: &[u8], retained: bool) -> Vec<Input> {
        let Some(destinations) = self.by_topic.get(topic) else { return Vec::new() };
        let parsed = Parsed::new(payload);
        destinations.iter().map(|d| d.input(payload, &parsed, retained)).collect()
    }
}

fn destination(route: &Route) -> Result<Destination, String> {
    let time = route.time.as_ref().map(|t| t.pointer.as_str());
    let decoder = Decoder::new(&route.extract, time)?;
    Ok(match route.target {
        Target::Point(_) | Target::Extra(..) | Target::Input(_) => {
            Destination::Value { target: route.target, decoder }
        }
        Target::Prices(side) => Destination::Prices(side),
        Target::Plugged(_) | Target::Ready(_) | Target::Island => {
            Destination::Flag { target: route.target, decoder, yes_words: route.yes_words.clone() }
        }
    })
}

impl Destination {
    fn input(&self, payload: &[u8], parsed: &Parsed<'_>, retained: bool) -> Input {
        let made = match self {
            Destination::Value { target, decoder } => value(*target, decoder, parsed, retained),
            Destination::Flag { target, decoder, yes_words } => {
                decoder.decode_flag(parsed, yes_words).map(|yes| flag(*target, yes))
            }
            Destination::Override(load) => override_request(*load, payload, retained).map(Input::Override),
            Destination::Service(load) => service(*load, payload, retained),
            Destination::Prices(side) => {
                price_list(payload).map(|prices| Input::Prices { side: *side, prices })
            }
            Destination::Setting(id) => setting_request(*id, payload, retained).map(Input::Setting),
        };
        made.unwrap_or_else(|why| Input::Unreadable {
            about: self.about(),
            why,
            person: self.is_from_a_person(),
        })
    }

    fn is_from_a_person(&self) -> bool {
        matches!(self, Destination::Override(_) | Destination::Service(_) | Destination::Setting(_))
    }

    fn about(&self) -> About {
        match self {
            Destination::Value { target, .. } | Destination::Flag { target, .. } => match *target {
                Target::Point(id) | Target::Extra(id, _) => About::Point(id),
                Target::Input(id) => About::Input(id),
                Target::Plugged(id) | Target::Ready(id) => About::Load(id),
                Target::Island | Target::Prices(_) => About::Home,
            },
            Destination::Override(id) | Destination::Service(id) => About::Load(*id),
            Destination::Setting(id) => About::Setting(*id),
            Destination::Prices(_) => About::Home,
        }
    }
}

fn value(target: Target, decoder: &Decoder, parsed: &Parsed<'_>, retained: bool) -> Result<Input, String> {
    let decoded = decoder.decode_parsed(parsed)?;
    let (value, device_time) = (decoded.value, decoded.device_time);
    let reading =
        |point: PointId, extra| Input::Reading(Reading { point, extra, value, device_time, retained });
    Ok(match target {
        Target::Point(point) => reading(point, None),
        Target::Extra(point, kind) => reading(point, Some(kind)),
        Target::Input(input) => Input::Other(OtherReading { input, value, device_time, retained }),
        Target::Plugged(_) | Target::Ready(_) | Target::Island | Target::Prices(_) => {
            return Err("not a number".to_owned());
        }
    })
}

fn flag(target: Target, yes: bool) -> Input {
    match target {
        Target::Plugged(load) => Input::LoadState { load, plugged: Some(yes), ready: None },
        Target::Ready(load) => Input::LoadState { load, plugged: None, ready: Some(yes) },
        _ => Input::Island(yes),
    }
}

fn service(load: LoadId, payload: &[u8], retained: bool) -> Result<Input, String> {
    if retained {
        return Err("a retained message can't take it out of service or put it back; send it without retain"
            .to_owned());
    }
    let wish: Service = serde_json::from_slice(payload).map_err(|error| {
        format!("{error}; write {{\"out\": true, \"by\": \"your name\"}}, or false to put it back")
    })?;
    Ok(Input::OutOfService { load, out: wish.out, by: wish.by })
}

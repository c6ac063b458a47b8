//! From typed sections to the description of the home. Each item is built by itself, so that a mistake in one does not
//! hide those in the next; what several items together get wrong is told by [`checks`](super::checks).

mod home;
mod influx;
mod load;
mod mqtt;
pub(crate) mod point;
mod setting;
mod source;
mod tariff;
mod web;

use std::path::{Path, PathBuf};

use overspill_rules::home::{Battery, Circuit, Load, OtherInput, Point, Setting, Supply};
use overspill_rules::tariff::Tariff;

use super::block::{At, Block, Place};
use super::broker::MqttConfig;
use super::diagnostic::Diagnostics;
use super::form::within_sentence;
use super::influx::InfluxConfig;
use super::nearest::nearest;
use super::route::{CommandTopic, Expression, Makes, Route};
use super::web::WebConfig;
pub use tariff::PriceFile;
pub(crate) use tariff::alone as tariff_alone;

/// An item of the home file: where it stands, and what came of it.
pub(crate) struct Item<'b, T> {
    /// Its name.
    pub(crate) id: String,
    /// Where the name stands.
    pub(crate) place: Place,
    /// Its section.
    pub(crate) block: &'b Block,
    /// What came of it; `None` after a mistake, which has been told.
    pub(crate) made: Option<T>,
}

/// All items of the home file, built as far as they could be.
pub(crate) struct Draft<'b> {
    /// The file as a whole.
    pub(crate) root: &'b Block,
    /// The supply.
    pub(crate) supply: Option<Supply>,
    /// Circuits, in the file's order.
    pub(crate) circuits: Vec<Item<'b, Circuit>>,
    /// Points in the file's order, then the loads' own meters.
    pub(crate) points: Vec<Item<'b, Point>>,
    /// Inputs, in the file's order.
    pub(crate) inputs: Vec<Item<'b, OtherInput>>,
    /// Settings, in the file's order.
    pub(crate) settings: Vec<Item<'b, Setting>>,
    /// Loads, in the file's order.
    pub(crate) loads: Vec<Item<'b, Load>>,
    /// The battery.
    pub(crate) battery: Option<Battery>,
    /// What the household pays and is paid.
    pub(crate) tariff: Option<Tariff>,
    /// Files of prices, each with its place.
    pub(crate) price_files: Vec<At<PriceFile>>,
    /// The broker.
    pub(crate) mqtt: Option<MqttConfig>,
    /// The database to forward to.
    pub(crate) influx: Option<InfluxConfig>,
    /// The page.
    pub(crate) web: WebConfig,
    /// What to listen to, each with the place of its topic.
    pub(crate) routes: Vec<At<Route>>,
    /// Where commands go, each with the place of its topic.
    pub(crate) commands: Vec<At<CommandTopic>>,
    /// Rhai expressions.
    pub(crate) expressions: Vec<Expression>,
}

/// What is needed while building.
pub(crate) struct Build<'b, 'f> {
    root: &'b Block,
    folder: PathBuf,
    supply: Option<Supply>,
    names: Names<'b>,
    found: &'f mut Diagnostics,
    routes: Vec<At<Route>>,
    commands: Vec<At<CommandTopic>>,
    expressions: Vec<Expression>,
    price_files: Vec<At<PriceFile>>,
}

/// The names of all items, rightly built or not, so that a reference to a broken item is no second mistake.
struct Names<'b> {
    circuits: Vec<&'b str>,
    points: Vec<&'b str>,
    inputs: Vec<&'b str>,
    loads: Vec<&'b str>,
}

/// Builds everything in `root`; paths are relative to `folder`.
pub(crate) fn build<'b>(root: &'b Block, folder: &Path, found: &mut Diagnostics) -> Draft<'b> {
    let names = Names {
        circuits: names_of(root, "circuit"),
        points: names_of(root, "point"),
        inputs: names_of(root, "input"),
        loads: names_of(root, "load"),
    };
    let mut build = Build { names, ..Build::without_items(root, folder, found) };
    build.supply = build.supply();
    let circuits = build.circuits();
    let inputs = build.inputs();
    let mut points = build.points();
    points.extend(build.own_meters(points.len()));
    let settings = build.settings();
    let loads = build.loads();
    let battery = build.battery(&points);
    let tariff = build.tariff();
    let mqtt = build.mqtt();
    let influx = build.influx();
    let web = build.web();
    let Build { supply, routes, commands, expressions, price_files, .. } = build;
    Draft {
        root,
        supply,
        circuits,
        points,
        inputs,
        loads,
        battery,
        tariff,
        price_files,
        mqtt,
        influx,
        web,
        settings,
        routes,
        commands,
        expressions,
    }
}

fn names_of<'b>(root: &'b Block, section: &str) -> Vec<&'b str> {
    root.named(section).iter().map(|(id, _)| id.value.as_str()).collect()
}

impl<'b, 'f> Build<'b, 'f> {
    fn without_items(root: &'b Block, folder: &Path, found: &'f mut Diagnostics) -> Build<'b, 'f> {
        Build {
            root,
            folder: folder.to_owned(),
            supply: None,
            names: Names { circuits: vec![], points: vec![], inputs: vec![], loads: vec![] },
            found,
            routes: Vec::new(),
            commands: Vec::new(),
            expressions: Vec::new(),
            price_files: Vec::new(),
        }
    }

    /// The place among `names` of the name behind `key`; `None` where nothing is written or after telling.
    fn refer(&mut self, block: &Block, key: &str, section: &str, names: &[&str]) -> Option<u16> {
        let name = block.text(key)?;
        self.find(name, block.place(key), key, section, names)
    }

    fn find(&mut self, name: &str, place: Place, key: &str, section: &str, names: &[&str]) -> Option<u16> {
        if let Some(at) = names.iter().position(|n| *n == name) {
            return Some(at as u16);
        }
        let d = self.found.error(
            "unknown-name",
            place,
            format!("`{key}` names `{name}`, which is not in this file"),
        );
        match nearest(name, names.iter().copied()) {
            Some(near) => d.label(format!("did you mean \"{near}\"?")),
            None => d.label(format!("there is no `[{section}.{name}]`")),
        };
        match names.is_empty() {
            true => d.help(format!("write a section `[{section}.{name}]`, or leave `{key}` out")),
            false => d.help(format!("in this file: {}", names.join(", "))),
        };
        None
    }

    /// A path of the home file, relative to its folder.
    fn path(&self, text: &str) -> PathBuf {
        self.folder.join(text)
    }

    /// The items of a named section, each made by `make`.
    fn items<T>(
        &mut self,
        section: &str,
        mut make: impl FnMut(&mut Self, u16, &str, &'b Block) -> Option<T>,
    ) -> Vec<Item<'b, T>> {
        let root = self.root;
        let named = root.named(section).iter().enumerate();
        named
            .map(|(at, (id, block))| {
                let made = make(self, at as u16, &id.value, block);
                Item { id: id.value.clone(), place: id.place.clone(), block, made }
            })
            .collect()
    }

    /// Tells that `key` must be written here, where the table of keys can't say so.
    fn need(&mut self, block: &Block, key: &str, why: &str) {
        if block.is_written(key) {
            return;
        }
        let allowed = block.keys.iter().find(|k| k.name == key).map_or(String::new(), |k| k.form.allowed());
        self.found
            .error("missing-key", block.header.clone(), format!("`[{}]` lacks `{key}`", block.name))
            .label(format!("`{key}` is missing"))
            .help(format!("{}: write {allowed}", within_sentence(why)));
    }

    /// Keeps the Rhai expression behind `key`, for whoever compiles it.
    fn expression(&mut self, block: &Block, key: &str, makes: Makes) -> Option<String> {
        let source = block.text(key)?.to_owned();
        let about = format!("{}.{key}", block.name);
        self.expressions.push(Expression { about, makes, source: source.clone(), span: block.place(key) });
        Some(source)
    }
}

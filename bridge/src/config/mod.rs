//! The home file: read whole, every mistake told in one pass, and turned into the description of the home and of what
//! the shell reaches out to.
//!
//! The file is parsed into a tree with places (`syntax`), walked by one table of everything it may hold (`table`,
//! `walk`), built item by item (`build`), and checked as a whole (`checks`). A mistake in one step never hides those of
//! the next as long as what it needs could be read.

pub(crate) mod block;
mod broker;
mod build;
mod checks;
mod code;
mod convert;
mod diagnostic;
pub(crate) mod form;
pub(crate) mod grammar;
mod influx;
pub(crate) mod nearest;
mod redact;
pub(crate) mod render;
mod route;
mod rules;
mod schema;
mod secret;
mod shadow;
mod summary;
pub(crate) mod syntax;
mod table;
pub(crate) mod walk;
mod web;

use std::path::{Path, PathBuf};

use jiff::tz::TimeZone;
use overspill_rules::home::Home;
use overspill_rules::tariff::Tariff;
use overspill_rules::time::Span;
use thiserror::Error;

pub use broker::{BrokerUrl, BrokerUser, Embedded, MqttConfig, MqttVersion};
pub use build::PriceFile;
pub(crate) use checks::{has_words, unsuitable};
pub use code::{CodeFindings, ShadowFindings, check_code, check_shadow};
pub use diagnostic::{Diagnostic, Diagnostics, Severity};
pub use influx::{InfluxConfig, InfluxUrl};
pub(crate) use nearest::nearest;
pub use render::Look;
pub use route::{CommandTopic, Expression, Extract, Makes, Route, Target, TimeSource};
pub use rules::{RulesConfig, rule_names};
pub use schema::schema;
pub use secret::{Secret, SecretError, SecretSource};
pub use shadow::ShadowConfig;
pub use summary::{Exposure, LoadSummary, Summary};
pub use web::{HashSource, PageRole, WebConfig, WebToken, WebUser};
pub(crate) use web::{PASSWORD_BYTES, TOKEN_CHARS, check_hash, is_user_name};

use block::Block;

use build::Draft;

/// A home file without mistakes.
#[derive(Debug, Clone)]
pub struct Config {
    /// The home, as the core knows it.
    pub home: Home,
    /// The broker.
    pub mqtt: MqttConfig,
    /// Where everything is kept.
    pub store: StoreConfig,
    /// The database that everything is forwarded to as well, where there is one.
    pub influx: Option<InfluxConfig>,
    /// The page that the home serves.
    pub web: WebConfig,
    /// The household's rules.
    pub rules: RulesConfig,
    /// Candidate rules that run beside them and command nothing.
    pub shadows: Vec<ShadowConfig>,
    /// What to listen to. A topic may feed several targets.
    pub routes: Vec<Route>,
    /// Where commands go, in the order of the home's loads.
    pub commands: Vec<CommandTopic>,
    /// The Rhai expressions of the file, for whoever compiles them; they are also in `routes` and in the loads.
    pub expressions: Vec<Expression>,
    /// Files of prices.
    pub price_files: Vec<PriceFile>,
    /// What only reports ask.
    pub report: ReportConfig,
    /// What is worth knowing about the file although it can be used.
    pub warnings: Diagnostics,
    /// The home file itself.
    pub file: PathBuf,
}

/// What only reports ask of the home file.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct ReportConfig {
    /// What all solar panels together give at most, in watts; `None` unless every solar point says so.
    pub roof_w: Option<f64>,
    /// What a bought kilowatt-hour emits, in kilograms, and who says so.
    pub carbon: Option<(f64, Option<String>)>,
}

/// Where everything is kept.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct StoreConfig {
    /// The file.
    pub path: PathBuf,
    /// Readings are committed this often.
    pub commit_every: Span,
    /// For how long single readings are kept, where not for ever: `point.<id>` or `input.<id>`, and the time.
    pub keep: Vec<(String, Span)>,
    /// Points that had another name before: the old one and the new.
    pub renamed: Vec<(String, String)>,
}

/// Why there is no [`Config`].
#[derive(Debug, Error)]
pub enum ReadError {
    /// The file itself could not be read.
    #[error("the home file {} can't be read: {}", .path.display(), secret::io_words(.why))]
    File {
        /// The file.
        path: PathBuf,
        /// What the system says.
        why: std::io::Error,
    },
    /// It has mistakes.
    #[error("{}", .0.render(Look::PLAIN))]
    Mistakes(Box<Diagnostics>),
}

/// Reads and checks the home file at `path`, and looks for the files and folders it names.
///
/// # Errors
/// When the file can't be read, or has mistakes: then with every one of them.
pub fn read(path: &Path) -> Result<Config, ReadError> {
    let unreadable = |why| ReadError::File { path: path.to_owned(), why };
    let text = std::fs::read_to_string(path).map_err(unreadable)?;
    examine(&text, path, true).map_err(|found| ReadError::Mistakes(Box::new(found)))
}

/// Checks the text of a home file that stands, or would stand, at `path`; looks at nothing else.
///
/// # Errors
/// Every mistake, and the warnings with them.
pub fn parse(text: &str, path: &Path) -> Result<Config, Diagnostics> {
    examine(text, path, false)
}

/// Checks the text of a home file that would stand at `path`, and looks for the files and folders it names.
///
/// # Errors
/// Every mistake, and the warnings with them.
pub fn parse_beside(text: &str, path: &Path) -> Result<Config, Diagnostics> {
    examine(text, path, true)
}

/// Reads the address of a broker; `None` where it is none.
pub(crate) fn read_broker_url(text: &str) -> Option<BrokerUrl> {
    broker::read_url(text).ok()
}

fn examine(text: &str, path: &Path, look_at_files: bool) -> Result<Config, Diagnostics> {
    let mut found = Diagnostics::new(path.display().to_string(), text);
    let folder = path.parent().unwrap_or(Path::new(""));
    let tree = syntax::parse(text, &mut found);
    let root = walk::walk(&tree, table::ROOT, &mut found);
    // Where whole sections may have been swallowed, what they lack and how they fit together can't be told.
    let config = if tree.holes { None } else { put_together(&root, folder, look_at_files, &mut found) };
    found.sort();
    match config {
        Some(mut config) if found.errors() == 0 => {
            config.warnings = found;
            path.clone_into(&mut config.file);
            Ok(config)
        }
        _ => Err(found),
    }
}

fn put_together(root: &Block, folder: &Path, look_at_files: bool, found: &mut Diagnostics) -> Option<Config> {
    let draft = build::build(root, folder, found);
    checks::check(&draft, found);
    let rules = rules_config(root, folder);
    let shadows = shadow::shadows(root, folder);
    shadow::check(root, found);
    let store = root.block("home").and_then(|h| h.text("id")).map(|id| store_config(root, folder, id));
    if look_at_files {
        let named = checks::files::Named {
            root,
            rules: &rules,
            shadows: &shadows,
            store: store.as_ref(),
            mqtt: draft.mqtt.as_ref(),
            influx: draft.influx.as_ref(),
            web: &draft.web,
            price_files: &draft.price_files,
        };
        checks::files::check(&named, found);
    }
    if found.errors() > 0 {
        return None;
    }
    let config = finish(draft, store, (rules, shadows));
    if config.is_none() {
        found
            .error("internal", 0..0, "the home file could not be put together although no mistake was found")
            .note("this is a fault of Overspill, not of the file");
    }
    config
}

/// Puts the items together. Nothing is missing where no mistake was told.
fn finish(
    draft: Draft<'_>,
    store: Option<StoreConfig>,
    (rules, shadows): (RulesConfig, Vec<ShadowConfig>),
) -> Option<Config> {
    let root = draft.root;
    let home = root.block("home")?;
    let id = home.text("id")?;
    let mqtt = draft.mqtt?;
    let coordinates = home.number("latitude").zip(home.number("longitude"));
    Some(Config {
        home: Home {
            id: id.to_owned(),
            name: home.text("name").unwrap_or(id).to_owned(),
            timezone: zone(home.text("timezone")?)?,
            coordinates,
            supply: draft.supply?,
            circuits: all(draft.circuits)?,
            points: all(draft.points)?,
            inputs: all(draft.inputs)?,
            settings: all(draft.settings)?,
            tariff: draft.tariff,
            loads: all(draft.loads)?,
            battery: draft.battery,
            blind_a: home.number("blind_a"),
            restart_gap: home.duration("restart_gap")?,
        },
        mqtt,
        store: store?,
        influx: draft.influx,
        web: draft.web,
        rules,
        shadows,
        routes: draft.routes.into_iter().map(|r| r.value).collect(),
        commands: draft.commands.into_iter().map(|c| c.value).collect(),
        expressions: draft.expressions,
        price_files: draft.price_files.into_iter().map(|f| f.value).collect(),
        report: report_config(root),
        warnings: Diagnostics::new("", ""),
        file: PathBuf::new(),
    })
}

fn report_config(root: &Block) -> ReportConfig {
    let home = root.block("home");
    let carbon = home.and_then(|h| h.number("carbon_kg_per_kwh"));
    let source = home.and_then(|h| h.text("carbon_source")).map(str::to_owned);
    let roofs = root.named("point").iter().filter(|(_, point)| point.text("measures") == Some("solar"));
    let sizes: Option<Vec<f64>> = roofs.map(|(_, point)| point.number("peak_w")).collect();
    let roof_w = sizes.filter(|sizes| !sizes.is_empty()).map(|sizes| sizes.iter().sum());
    ReportConfig { roof_w, carbon: carbon.map(|kg| (kg, source)) }
}

/// Reads a tariff to compare with: from a file that holds `[tariff]` alone, or from a whole home file. `zone` is the zone
/// of the home that it is tried for.
///
/// # Errors
/// When the file can't be read, or has mistakes, or no tariff.
pub fn read_tariff(path: &Path, zone: &TimeZone) -> Result<(Tariff, Vec<PriceFile>), ReadError> {
    let unreadable = |why| ReadError::File { path: path.to_owned(), why };
    let text = std::fs::read_to_string(path).map_err(unreadable)?;
    let mut found = Diagnostics::new(path.display().to_string(), &text);
    let tree = syntax::parse(&text, &mut found);
    let is_home = tree.root.get_ref().keys().any(|key| key.get_ref() == "home");
    if is_home {
        let config = read(path)?;
        return config.home.tariff.map(|tariff| (tariff, config.price_files)).ok_or_else(|| {
            found.error("missing-section", 0..0, "this home file has no `[tariff]` to compare with");
            ReadError::Mistakes(Box::new(found))
        });
    }
    let root = walk::walk(&tree, table::TARIFF_ALONE, &mut found);
    let folder = path.parent().unwrap_or(Path::new(""));
    let (tariff, files) = build::tariff_alone(&root, folder, zone, &mut found);
    found.sort();
    match tariff {
        Some(tariff) if found.errors() == 0 => Ok((tariff, files.into_iter().map(|f| f.value).collect())),
        _ => Err(ReadError::Mistakes(Box::new(found))),
    }
}

/// The tariff of a text that is nothing else, and names no file.
///
/// # Errors
/// What is wrong with it, with the places where.
pub(crate) fn tariff_in_text(text: &str, zone: &TimeZone) -> Result<Tariff, String> {
    let mut found = Diagnostics::new("the tariff", text);
    let tree = syntax::parse(text, &mut found);
    let root = walk::walk(&tree, table::TARIFF_ALONE, &mut found);
    let (tariff, files) = build::tariff_alone(&root, Path::new(""), zone, &mut found);
    if !files.is_empty() {
        return Err(
            "a list of prices in a file can't be read here; `overspill report --tariff` reads one".to_owned()
        );
    }
    found.sort();
    match tariff {
        Some(tariff) if found.errors() == 0 => Ok(tariff),
        _ => Err(found.render(Look::PLAIN)),
    }
}

fn all<T>(items: Vec<build::Item<'_, T>>) -> Option<Vec<T>> {
    items.into_iter().map(|i| i.made).collect()
}

/// Zones are compiled in, so that a home means the same on every machine.
fn zone(name: &str) -> Option<TimeZone> {
    jiff::tz::TimeZoneDatabase::bundled().get(name).ok()
}

fn store_config(root: &Block, folder: &Path, id: &str) -> StoreConfig {
    let section = root.block("store");
    let written = section.and_then(|s| s.text("path"));
    StoreConfig {
        path: folder.join(written.map_or(format!("{id}.db"), str::to_owned)),
        commit_every: section.and_then(|s| s.duration("commit_every")).unwrap_or(COMMIT_EVERY),
        keep: keep(root),
        renamed: renamed(root),
    }
}

/// What the table of keys says too.
const COMMIT_EVERY: Span = Span::seconds(10);

fn keep(root: &Block) -> Vec<(String, Span)> {
    let named = |kind: &'static str| {
        root.named(kind)
            .iter()
            .filter_map(move |(id, block)| Some((format!("{kind}.{}", id.value), block.duration("keep")?)))
    };
    let draws = root.named("load").iter().filter_map(|(id, load)| {
        let draw = load.block("feedback").and_then(|f| f.block("draw"))?;
        Some((format!("point.{}", build::point::draw_id(&id.value)), draw.duration("keep")?))
    });
    named("point").chain(named("input")).chain(draws).collect()
}

fn renamed(root: &Block) -> Vec<(String, String)> {
    let points = root.named("point").iter();
    points.filter_map(|(id, block)| Some((block.text("was")?.to_owned(), id.value.clone()))).collect()
}

fn rules_config(root: &Block, folder: &Path) -> RulesConfig {
    let section = root.block("rules");
    let written = section.and_then(|s| s.text("folder")).unwrap_or("rules");
    let order = section.and_then(|s| s.texts("order")).unwrap_or(&[]);
    RulesConfig { folder: folder.join(written), order: order.iter().map(|o| o.value.clone()).collect() }
}

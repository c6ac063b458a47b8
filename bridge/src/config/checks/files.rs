//! Files and folders that the home file names: whether they are there.

use std::path::Path;

use overspill_rules::payload::price_file;

use super::shadows;
use crate::config::PriceFile;
use crate::config::StoreConfig;
use crate::config::block::{At, Block, Place};
use crate::config::broker::MqttConfig;
use crate::config::diagnostic::Diagnostics;
use crate::config::influx::InfluxConfig;
use crate::config::nearest::nearest;
use crate::config::rules::{RulesConfig, rule_names};
use crate::config::secret::{SecretError, SecretSource, io_words};
use crate::config::shadow::ShadowConfig;
use crate::config::web::{HashSource, TOKEN_CHARS, WebConfig, check_hash};

/// What of the home file is looked up on the disk.
pub(crate) struct Named<'n> {
    /// The file as a whole.
    pub(crate) root: &'n Block,
    /// The rules.
    pub(crate) rules: &'n RulesConfig,
    /// Candidate rules beside them.
    pub(crate) shadows: &'n [ShadowConfig],
    /// The store, where the file says enough to name it.
    pub(crate) store: Option<&'n StoreConfig>,
    /// The broker, where its section could be read.
    pub(crate) mqtt: Option<&'n MqttConfig>,
    /// The database to forward to, where its section could be read.
    pub(crate) influx: Option<&'n InfluxConfig>,
    /// The page, its users and tokens.
    pub(crate) web: &'n WebConfig,
    /// Files of prices, each with its place.
    pub(crate) price_files: &'n [At<PriceFile>],
}

/// Looks at the disk, never at the network.
pub(crate) fn check(named: &Named<'_>, found: &mut Diagnostics) {
    rules(named, found);
    shadows::check(named, found);
    if let Some(config) = named.store {
        store(named.root, config, found);
    }
    prices(named.price_files, found);
    if let (Some(block), Some(config)) = (named.root.block("mqtt"), named.mqtt) {
        secret(block, PASSWORD, config.password.as_ref(), found);
        ca_file(block, config.ca_file.as_deref(), found);
        let users = config.embedded.iter().flat_map(|e| &e.users);
        for user in users {
            let section = block.named("users").iter().find(|(name, _)| name.value == user.name);
            if let Some((_, section)) = section {
                secret(section, PASSWORD, Some(&user.password), found);
            }
        }
    }
    if let (Some(block), Some(config)) = (named.root.block("influxdb"), named.influx) {
        secret(block, TOKEN, config.token.as_ref(), found);
        ca_file(block, config.ca_file.as_deref(), found);
    }
    page(named, found);
}

/// The hashes and tokens of the page: whether they are there, and whether they can be used.
fn page(named: &Named<'_>, found: &mut Diagnostics) {
    let section = |kind: &str, name: &str| {
        named.root.named(kind).iter().find(|(at, _)| at.value == name).map(|(_, block)| block)
    };
    for user in &named.web.users {
        let (Some(block), HashSource::Elsewhere(source)) = (section("user", &user.name), &user.hash) else {
            continue;
        };
        secret(block, HASH, Some(source), found);
        let fault = source.fetch().ok().and_then(|hash| check_hash(hash.reveal()).err());
        if let Some(fault) = fault {
            let d = found.error("bad-hash", place_of(block, HASH), "no hash of a password stands there");
            d.label(fault.label).help(fault.help.unwrap_or_default());
        }
    }
    for token in &named.web.tokens {
        let Some(block) = section("token", &token.name) else { continue };
        secret(block, TOKEN, Some(&token.source), found);
        let chars = token.source.fetch().ok().map(|token| token.reveal().chars().count());
        if let Some(chars) = chars.filter(|chars| *chars < TOKEN_CHARS) {
            found
                .error("weak-token", place_of(block, TOKEN), "the token is too short")
                .label(format!("{chars} characters"))
                .help(format!(
                    "whoever guesses it may do what its role may: write at least {TOKEN_CHARS} random characters"
                ));
        }
    }
}

fn place_of(block: &Block, (_, file_key, env_key): Called) -> Place {
    if block.is_written(file_key) { block.place(file_key) } else { block.place(env_key) }
}

fn prices(files: &[At<PriceFile>], found: &mut Diagnostics) {
    for At { value: file, place } in files {
        let shown = file.path.display();
        match std::fs::read_to_string(&file.path) {
            Err(why) => {
                let message = format!("the file of prices can't be read: {}", io_words(&why));
                found.error("no-such-file", place.clone(), message).label(format!("looked for at {shown}"));
            }
            Ok(text) => {
                if let Err(why) = price_file(&text) {
                    let message = "the file of prices has a mistake";
                    found.error("bad-prices", place.clone(), message).label("read from here").help(why);
                }
            }
        }
    }
}

fn rules(named: &Named<'_>, found: &mut Diagnostics) {
    let (root, config) = (named.root, named.rules);
    let section = root.block("rules");
    let place = |key: &str| section.map_or(0..0, |s| s.place(key));
    let folder = &config.folder;
    let has_loads = !root.named("load").is_empty();
    let names = match rule_names(folder) {
        Ok(names) => names,
        Err(_) if !has_loads && section.is_none() => return,
        Err(why) => {
            let shown = folder.display();
            found
                .error(
                    "no-such-folder",
                    place("folder"),
                    format!("the rules' folder can't be read: {}", io_words(&why)),
                )
                .label("looked for here")
                .help(format!("looked for {shown}: make the folder and put the rules (*.rhai) in it"));
            return;
        }
    };
    if names.is_empty() && has_loads {
        found
            .warning("no-rules", place("folder"), "the rules' folder holds no rules (*.rhai)")
            .label("nothing asks for any load")
            .help("every load stays off until a rule asks for it");
    }
    let written = section.and_then(|s| s.texts("order")).unwrap_or(&[]);
    for name in written.iter().filter(|name| !shadows::has(named, &name.value)) {
        unknown_rule(&name.value, name.place.clone(), &names, found);
    }
}

fn unknown_rule(name: &str, place: Place, names: &[String], found: &mut Diagnostics) {
    if names.iter().any(|n| n == name) {
        return;
    }
    let bare = name.strip_suffix(".rhai").unwrap_or(name);
    let near = nearest(bare, names.iter().map(String::as_str));
    let d = found.error(
        "unknown-name",
        place,
        format!("`order` names `{name}`, which is not in the rules' folder"),
    );
    match near {
        Some(near) => d.label(format!("did you mean \"{near}\"?")),
        None => d.label(format!("there is no {bare}.rhai")),
    };
    d.help(format!("rules are named by their file without its ending; in the folder: {}", names.join(", ")));
}

fn store(root: &Block, config: &StoreConfig, found: &mut Diagnostics) {
    let path = &config.path;
    let folder = path.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or(Path::new("."));
    let place = root.block("store").map_or(0..0, |s| s.place("path"));
    if path.is_dir() {
        found
            .error("no-such-file", place, "the store is a file, and this is a folder")
            .label("a folder")
            .help("write a file in it, such as path = \"home.db\"");
    } else if !folder.is_dir() {
        found
            .error("no-such-folder", place, "the store's folder is not there")
            .label("its folder is missing")
            .help(format!("looked for {}: make the folder first", folder.display()));
    }
}

fn ca_file(block: &Block, file: Option<&Path>, found: &mut Diagnostics) {
    let Some(file) = file else { return };
    if let Err(why) = std::fs::File::open(file) {
        found
            .error(
                "no-such-file",
                block.place("ca_file"),
                format!("the certificate can't be read: {}", io_words(&why)),
            )
            .label("looked for here")
            .help(format!("looked for {}", file.display()));
    }
}

/// What a secret is called, and the keys for its file and its variable.
type Called = (&'static str, &'static str, &'static str);

const PASSWORD: Called = ("password", "password_file", "password_env");
const TOKEN: Called = ("token", "token_file", "token_env");
const HASH: Called = ("hash", "password_hash_file", "password_hash_env");

/// A missing file is a mistake; a missing variable may be set for the daemon only, so it is a warning.
fn secret(block: &Block, called: Called, source: Option<&SecretSource>, found: &mut Diagnostics) {
    let (what, file_key, env_key) = called;
    let Some(why) = source.and_then(|s| s.fetch().err()) else { return };
    match why {
        SecretError::Env { name } => found
            .warning(
                "not-set",
                block.place(env_key),
                format!("the environment variable {name} is not set here"),
            )
            .label("not set, or empty")
            .help("the daemon needs it when it runs"),
        why => found
            .error("no-such-file", block.place(file_key), why.to_string())
            .label("looked for here")
            .help(format!("write the {what} into that file, readable by the daemon's user alone")),
    };
}

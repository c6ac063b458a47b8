//! The demo's home file and rules, compiled in and written to a folder for the time of the demo.

use std::io;
use std::path::{Path, PathBuf};

use super::DemoError;
use crate::config::{self, Config};

const HOME: &str = include_str!("home.toml");

const RULES: &[(&str, &str)] = &[
    ("car.rhai", include_str!("rules/car.rhai")),
    ("water.rhai", include_str!("rules/water.rhai")),
    ("pond.rhai", include_str!("rules/pond.rhai")),
];

/// The address in the home file, whose port is filled in.
const ADDRESS: &str = "mqtt://127.0.0.1:1883";

/// Writes the files into `folder` and reads them as the daemon would.
pub(super) fn set_up(folder: &Path, port: u16) -> Result<Config, DemoError> {
    let path = write(folder, port).map_err(DemoError::Files)?;
    config::read(&path).map_err(|why| DemoError::HomeFile(why.to_string()))
}

fn write(folder: &Path, port: u16) -> io::Result<PathBuf> {
    let rules = folder.join("rules");
    std::fs::create_dir(&rules)?;
    for (name, text) in RULES {
        std::fs::write(rules.join(name), text)?;
    }
    let path = folder.join("home.toml");
    std::fs::write(&path, HOME.replace(ADDRESS, &format!("mqtt://127.0.0.1:{port}")))?;
    Ok(path)
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]

    use overspill_rules::script::Program;

    use super::*;
    use crate::daemon::read_rules;

    #[test]
    fn the_home_and_its_rules_have_no_mistakes() {
        let folder = tempfile::tempdir().unwrap();
        let config = set_up(folder.path(), 1884).unwrap();
        assert_eq!(config.mqtt.broker.port, 1884);
        assert_eq!(config.warnings.list().len(), 0, "{}", config.warnings.render(config::Look::PLAIN));
        let faults = Program::compile(&config.home, &read_rules(&config.rules).unwrap()).faults;
        assert!(faults.is_empty(), "{faults:?}");
    }
}

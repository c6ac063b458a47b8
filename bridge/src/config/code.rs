//! The household's own code: expressions of the home file and rules, compiled to find their mistakes.

use overspill_rules::payload::{Decoder, Extract};
use overspill_rules::script::{Fault, Program};
use overspill_rules::send::Sender;

use super::{Config, Diagnostics, Makes};
use crate::daemon::read_rules;
use crate::workbench::{DryRun, dry_run};

/// What is wrong with a home's code.
#[derive(Debug, Clone, PartialEq)]
pub struct CodeFindings {
    /// Mistakes in expressions of the home file, each with its place there.
    pub expressions: Diagnostics,
    /// Mistakes in rules and what they import.
    pub rules: Vec<Fault>,
    /// What running the rules on made-up input showed; nothing where they have mistakes.
    pub dry: DryRun,
    /// Why the rules could not be read at all.
    pub unreadable: Option<String>,
}

impl CodeFindings {
    /// How many mistakes there are.
    pub fn mistakes(&self) -> usize {
        self.expressions.errors()
            + self.rules.len()
            + self.dry.failures.len()
            + usize::from(self.unreadable.is_some())
    }
}

/// Compiles every expression and every rule of a home.
pub fn check_code(config: &Config) -> CodeFindings {
    let mut expressions = config.warnings.without_findings();
    for expression in &config.expressions {
        let outcome = match expression.makes {
            Makes::Value => Decoder::new(&Extract::Script(expression.source.clone()), None).map(|_| ()),
            Makes::Command => commands(config, &expression.about),
        };
        if let Err(why) = outcome {
            let message = format!("`{}` can't be used", expression.about);
            expressions.error("expression", expression.span.clone(), message).label(why);
        }
    }
    match read_rules(&config.rules) {
        Ok(set) => {
            let rules = Program::compile(&config.home, &set).faults;
            // A broken rule would look like a load that nobody asks for.
            let dry = if rules.is_empty() { dry_run(&config.home, &set) } else { DryRun::default() };
            CodeFindings { expressions, rules, dry, unreadable: None }
        }
        Err(why) => {
            CodeFindings { expressions, rules: Vec::new(), dry: DryRun::default(), unreadable: Some(why) }
        }
    }
}

/// Tries the `send_script` of the load that `about` names, as in `load.car.send_script`.
fn commands(config: &Config, about: &str) -> Result<(), String> {
    let id = about.split('.').nth(1).unwrap_or_default();
    let load = config.home.load_named(id).map(|found| config.home.load(found));
    load.map_or(Ok(()), |load| Sender::new(load).map(|_| ()))
}

//! The household's own code: expressions of the home file and rules, compiled to find their mistakes.

use overspill_rules::payload::{Decoder, Extract};
use overspill_rules::script::{Fault, Program};
use overspill_rules::send::Sender;

use super::render::{self, wrapped};
use super::{Config, Diagnostics, Makes};
use crate::daemon::read_rules;
use crate::shadow::shadow_rules;
use crate::workbench::{DryRun, DryWarning, dry_run};

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
    /// What is wrong with candidate rules.
    pub shadows: Vec<ShadowFindings>,
}

/// What is wrong with the rules of one shadow, those of its live rules included that it does not replace.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct ShadowFindings {
    /// Its name.
    pub name: String,
    /// Mistakes in its rules and what they import.
    pub rules: Vec<Fault>,
    /// What running them on made-up input showed; nothing where they have mistakes.
    pub dry: DryRun,
    /// Why they could not be read at all.
    pub unreadable: Option<String>,
}

impl ShadowFindings {
    /// How many mistakes there are.
    pub fn mistakes(&self) -> usize {
        self.rules.len() + self.dry.failures.len() + usize::from(self.unreadable.is_some())
    }

    /// The mistakes as people read them, each with an empty line after it.
    pub fn to_text(&self, columns: usize) -> String {
        let mut text = String::new();
        let said = |told: &str, end: &str| {
            format!("{}{end}", render::fault(&format!("in shadow {}: {told}", self.name), columns))
        };
        for fault in &self.rules {
            text.push_str(&said(&fault.to_string(), "\n\n"));
        }
        for failure in &self.dry.failures {
            let when = wrapped(&format!("it fails {}", failure.when), columns.saturating_sub(8));
            let when = when.replace('\n', "\n        ");
            text.push_str(&said(&failure.fault.to_string(), &format!("\n  when: {when}\n\n")));
        }
        if let Some(why) = &self.unreadable {
            text.push_str(&format!("in shadow {}: {why}\n\n", self.name));
        }
        text
    }
}

impl CodeFindings {
    /// How many mistakes there are.
    pub fn mistakes(&self) -> usize {
        self.expressions.errors()
            + self.rules.len()
            + self.dry.failures.len()
            + usize::from(self.unreadable.is_some())
            + self.shadows.iter().map(ShadowFindings::mistakes).sum::<usize>()
    }

    /// What the dry runs warn of, of the live rules and of every shadow, which is named then.
    pub fn warnings(&self) -> Vec<DryWarning> {
        let of_shadow = |shadow: &ShadowFindings| {
            let named = |w: &DryWarning| DryWarning {
                message: format!("in shadow {}: {}", shadow.name, w.message),
                ..w.clone()
            };
            shadow.dry.warnings.iter().map(named).collect::<Vec<_>>()
        };
        let shadows = self.shadows.iter().flat_map(of_shadow);
        self.dry.warnings.iter().cloned().chain(shadows).collect()
    }
}

/// Compiles the rules of the shadow `name` as they would be in force, and tries them on made-up input.
pub fn check_shadow(config: &Config, name: &str) -> ShadowFindings {
    let mut found = ShadowFindings { name: name.to_owned(), ..ShadowFindings::default() };
    match shadow_rules(config, name) {
        Ok(set) => {
            found.rules = Program::compile(&config.home, &set).faults;
            if found.rules.is_empty() {
                found.dry = dry_run(&config.home, &set);
            }
        }
        Err(why) => found.unreadable = Some(why),
    }
    found
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
    let mut shadows: Vec<ShadowFindings> =
        config.shadows.iter().map(|shadow| check_shadow(config, &shadow.name)).collect();
    match read_rules(&config.rules) {
        Ok(set) => {
            let rules = Program::compile(&config.home, &set).faults;
            // A broken rule would look like a load that nobody asks for.
            let dry = if rules.is_empty() { dry_run(&config.home, &set) } else { DryRun::default() };
            // What is wrong with a live rule that a shadow takes over is told once.
            for shadow in &mut shadows {
                shadow.rules.retain(|fault| !rules.contains(fault));
                shadow.dry.failures.retain(|failure| !dry.failures.contains(failure));
                shadow.dry.warnings.retain(|warning| !dry.warnings.contains(warning));
            }
            CodeFindings { expressions, rules, dry, unreadable: None, shadows }
        }
        Err(why) => {
            let (rules, dry) = (Vec::new(), DryRun::default());
            CodeFindings { expressions, rules, dry, unreadable: Some(why), shadows }
        }
    }
}

/// Tries the `send_script` of the load that `about` names, as in `load.car.send_script`.
fn commands(config: &Config, about: &str) -> Result<(), String> {
    let id = about.split('.').nth(1).unwrap_or_default();
    let load = config.home.load_named(id).map(|found| config.home.load(found));
    load.map_or(Ok(()), |load| Sender::new(load).map(|_| ()))
}

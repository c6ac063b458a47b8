//! What each rule does now, and what is wrong with it.

use std::collections::BTreeSet;

use overspill_rules::home::Home;
use overspill_rules::output::{RuleReport, RuleState};
use overspill_rules::script::Program;
use overspill_rules::time::WallTime;
use serde::Serialize;
use utoipa::ToSchema;

use super::files::{self, FileName, Kind, mark};
use super::trial::Mistake;
use crate::config::Config;
use crate::daemon::{Facts, read_rules};
use crate::web::speech::{self, sentence};
use crate::words;

/// One rule.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
pub(crate) struct RuleNow {
    /// Its name.
    pub(crate) name: String,
    /// Its place in the order of rank, from 1; null where it is not among the files.
    pub(crate) rank: Option<usize>,
    /// `ok`, `waiting`, `failed`, `suspended`; null where it did not run yet.
    pub(crate) state: Option<&'static str>,
    /// What is wrong, or what it waits for.
    pub(crate) message: Option<String>,
    /// Line of the fault, from 1.
    pub(crate) line: Option<usize>,
    /// Column of the fault, from 1.
    pub(crate) column: Option<usize>,
    /// What it asked last.
    pub(crate) requests: Vec<Asks>,
    /// Mistakes in its file as it is on the disk.
    pub(crate) mistakes: Vec<Mistake>,
    /// How it stands, in a sentence.
    pub(crate) words: String,
}

/// What a rule asks of one load.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
pub(crate) struct Asks {
    /// The load.
    pub(crate) load: String,
    /// What it asks, in words.
    pub(crate) asks: String,
    /// Why, in the rule's words.
    pub(crate) reason: String,
    /// The load's name.
    #[serde(skip)]
    pub(crate) name: String,
}

/// A file of the rules' folder.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
pub(crate) struct FileNow {
    /// As it is written in addresses: `car`, `lib:sums`, `test:car`.
    pub(crate) file: String,
    /// Its place below the rules' folder.
    pub(crate) path: String,
    /// `rule`, `library` or `test`.
    pub(crate) kind: &'static str,
}

/// All that there is of rules.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, ToSchema)]
pub(crate) struct RulesNow {
    /// The rules, highest rank first.
    pub(crate) rules: Vec<RuleNow>,
    /// Every file.
    pub(crate) files: Vec<FileNow>,
    /// Files that were removed and can be put back.
    pub(crate) removed: Vec<FileNow>,
    /// Files that the page does not handle: links, or names with other letters.
    pub(crate) others: Vec<String>,
    /// Mistakes in library files.
    pub(crate) library_mistakes: Vec<Mistake>,
}

/// The source of one file, and how it stands.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
pub(crate) struct Source {
    /// The file.
    pub(crate) file: FileNow,
    /// What it holds.
    pub(crate) text: String,
    /// The mark of what it holds, to be sent along with a change.
    pub(crate) mark: String,
    /// How the rule stands, where the file is one.
    pub(crate) rule: Option<RuleNow>,
    /// Mistakes in the file.
    pub(crate) mistakes: Vec<Mistake>,
}

impl FileNow {
    pub(super) fn of(file: &FileName) -> FileNow {
        let kind = match file.kind {
            Kind::Rule => "rule",
            Kind::Library => "library",
            Kind::Test => "test",
        };
        FileNow { file: file.address(), path: file.path(), kind }
    }
}

/// All that there is of rules, from the disk and from the running home.
///
/// # Errors
/// A sentence, when the rules' folder can't be read.
pub(crate) fn all(config: &Config, facts: &Facts) -> Result<RulesNow, String> {
    let listed = files::list(&config.rules.folder)?;
    let set = read_rules(&config.rules)?;
    let mistakes: Vec<Mistake> =
        Program::compile(&config.home, &set).faults.iter().map(|fault| Mistake::of(fault, None)).collect();
    let on_disk = set.rules.iter().map(|rule| rule.name.as_str());
    let mut seen: BTreeSet<&str> = BTreeSet::new();
    let mut rules = Vec::new();
    for (n, name) in on_disk.enumerate() {
        seen.insert(name);
        rules.push(one(&config.home, facts, name, Some(n + 1), &mistakes));
    }
    for name in facts.rules.keys().filter(|name| !seen.contains(name.as_str())) {
        rules.push(one(&config.home, facts, name, None, &mistakes));
    }
    let in_library = mistakes.iter().filter(|mistake| mistake.file.contains('/'));
    let mut library_mistakes: Vec<Mistake> = Vec::new();
    in_library.for_each(|mistake| {
        if !library_mistakes.contains(mistake) {
            library_mistakes.push(mistake.clone());
        }
    });
    let removed = super::versions::removed(&config.rules.folder);
    Ok(RulesNow {
        rules,
        files: listed.files.iter().map(FileNow::of).collect(),
        removed: removed.iter().map(FileNow::of).collect(),
        others: listed.others,
        library_mistakes,
    })
}

/// One file with its source; `None` where there is no such file.
///
/// # Errors
/// A sentence, when it can't be read.
pub(crate) fn source(config: &Config, facts: &Facts, file: &FileName) -> Result<Option<Source>, String> {
    let Some(bytes) = file.read(&config.rules.folder)? else { return Ok(None) };
    let text = String::from_utf8(bytes.clone())
        .map_err(|_| format!("{file} holds something that is no text; mend it on the disk"))?;
    let mut mistakes = Vec::new();
    let mut rule = None;
    if file.kind != Kind::Test {
        let set = read_rules(&config.rules)?;
        let all: Vec<Mistake> = Program::compile(&config.home, &set)
            .faults
            .iter()
            .map(|fault| Mistake::of(fault, None))
            .collect();
        let rank = set.rules.iter().position(|r| r.name == file.name).map(|n| n + 1);
        rule = file.is_rule().then(|| one(&config.home, facts, &file.name, rank, &all));
        mistakes = all.into_iter().filter(|mistake| mistake.file == file.path()).collect();
        mistakes.dedup();
    }
    Ok(Some(Source { file: FileNow::of(file), mark: mark(Some(&bytes)), text, rule, mistakes }))
}

fn one(home: &Home, facts: &Facts, name: &str, rank: Option<usize>, mistakes: &[Mistake]) -> RuleNow {
    let report = facts.rules.get(name);
    let path = format!("{name}.rhai");
    let mistakes: Vec<Mistake> = mistakes.iter().filter(|mistake| mistake.file == path).cloned().collect();
    RuleNow {
        name: name.to_owned(),
        rank,
        state: report.map(|r| state_word(r.state)),
        message: report.and_then(|r| r.message.clone()),
        line: report.and_then(|r| r.line),
        column: report.and_then(|r| r.column),
        requests: report.map(|r| asks(home, r)).unwrap_or_default(),
        words: stands(home, report, rank.is_some(), !mistakes.is_empty()),
        mistakes,
    }
}

fn asks(home: &Home, report: &RuleReport) -> Vec<Asks> {
    let one = |asked: &overspill_rules::output::Asked| {
        let load = home.load(asked.load);
        Asks {
            load: load.id.clone(),
            name: load.name.clone(),
            asks: words::request(&asked.request),
            reason: asked.reason.clone(),
        }
    };
    report.requests.iter().map(one).collect()
}

fn state_word(state: RuleState) -> &'static str {
    match state {
        RuleState::Ok => "ok",
        RuleState::Waiting => "waiting",
        RuleState::Failed => "failed",
        RuleState::Suspended => "suspended",
    }
}

/// How a rule stands, in a sentence.
fn stands(home: &Home, report: Option<&RuleReport>, on_disk: bool, broken: bool) -> String {
    let Some(report) = report else {
        return match broken {
            true => "Not in force: its file has mistakes.".to_owned(),
            false => "Not in force yet; the program looks at the folder each second.".to_owned(),
        };
    };
    let place = report.line.map_or(String::new(), |line| format!(" in line {line}"));
    let why = report.message.clone().unwrap_or_default();
    let since = report.at.and_then(|at: WallTime| at.in_zone(&home.timezone));
    let since = since.map_or(String::new(), |at| at.strftime(" (since %a %-d %B, %H:%M)").to_string());
    let told = match report.state {
        RuleState::Ok if report.requests.is_empty() => "it runs and asks for nothing now".to_owned(),
        RuleState::Ok => "it runs".to_owned(),
        RuleState::Waiting => format!("it waits: {why}"),
        RuleState::Failed => format!("it failed{place}: {why}"),
        RuleState::Suspended => format!("it is suspended{place}: {why}"),
    };
    let more = match (on_disk, broken) {
        (false, _) => ". Its file is not there any more",
        (true, true) => ". The file on the disk has mistakes; an earlier text is in force",
        (true, false) => "",
    };
    sentence(&format!("{told}{since}{more}"))
}

/// A note of the rule's past.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
pub(crate) struct Noted {
    /// When.
    pub(crate) at: Option<String>,
    /// `info`, `warning` or `problem`.
    pub(crate) severity: String,
    /// A stable word for its kind.
    pub(crate) code: String,
    /// What was told.
    pub(crate) text: String,
    /// When, in words.
    #[serde(skip)]
    pub(crate) time: String,
}

/// What was told about a rule, the newest first.
///
/// # Errors
/// When the journal can't be read.
pub(crate) fn log(
    journal: &crate::store::StoreReader,
    home: &Home,
    rule: &str,
    most: usize,
) -> Result<Vec<Noted>, crate::store::StoreError> {
    let rows = journal.notices_about(&format!("rule.{rule}"), most)?;
    let one = |row: crate::store::NoticeRow| Noted {
        at: row.at.map(WallTime::to_rfc3339),
        time: speech::exact(row.at, &home.timezone),
        severity: row.severity,
        code: row.code,
        text: row.text,
    };
    Ok(rows.into_iter().map(one).collect())
}

//! `overspill commission`: the points proved, and the hand-over sheet.

mod correction;
mod history;
mod listening;
mod page;

use std::io::{self, BufRead, IsTerminal, Write};
use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use std::time::Duration;

use clap::{Args as _, FromArgMatches as _};
use overspill_rules::time::WallTime;
use serde_json::{Value, json};
use tokio::sync::mpsc;

use super::args::{Format, duration};
use super::opening::{complain, complain_in_full, home_file, now, print};
use super::run::asked_to_end;
use crate::cli::Outcome;
use crate::commission::record::{self, Record, WhyNot};
use crate::commission::{self, Answers, AtTheKeys, Ended, Installer, Options, Paper, Print, sheet, standing};
use crate::config::Config;
use crate::daemon::HomeClock;

/// Prove every measuring point and load while you watch, and write the hand-over sheet
///
/// Goes through the steps one after the other, each with what to do, its caution, what is seen meanwhile, and a verdict:
/// good, wrong (and how to mend it), or not proven yet (and why). It commands loads only through the running daemon. At
/// any time type repeat, back, skip or stop, at a question also ?. Ctrl-C keeps what was done and takes back every
/// override; the same command goes on where it was. This work is for a competent person; nothing here is an electrical certificate. Ends with 0 when all
/// is proved, 1 when something is wrong or open, 2 when it could not run.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The home file
    #[arg(value_name = "HOME.toml", required_unless_present_any = ["broker", "listen"])]
    home: Option<PathBuf>,
    /// Answer the questions from this TOML file: `[step]` and `question = answer`
    #[arg(long, value_name = "FILE", conflicts_with_all = ["listen", "from", "sheet_only"])]
    answers: Option<PathBuf>,
    /// Serve the page of this commissioning, for a phone at the fuse board: 127.0.0.1:8181 without an address; 0.0.0.0:8181
    /// for a phone in the same network, which is let in by a code that is shown here
    #[arg(long, value_name = "ADDR", num_args = 0..=1, default_missing_value = page::USUAL, value_parser = page::address,
          conflicts_with_all = ["answers", "apply", "listen", "from", "sheet_only"])]
    page: Option<SocketAddr>,
    /// Do this step only, even if it was good before
    #[arg(long, value_name = "ID", conflicts_with_all = ["listen", "from", "sheet_only"])]
    step: Option<String>,
    /// Write the proposed correction into the home file without asking, keeping a copy of the old one
    #[arg(long, conflicts_with_all = ["listen", "from", "sheet_only"])]
    apply: bool,
    /// Judge by recorded readings alone, from here on; what they prove completes open steps
    #[arg(long, value_name = "T", conflicts_with_all = ["listen", "sheet_only"])]
    from: Option<String>,
    /// The end of the recorded readings; now where it is not given
    #[arg(long, value_name = "T", requires = "from")]
    to: Option<String>,
    /// Issue the sheet again, and do nothing else
    #[arg(long, conflicts_with = "listen")]
    sheet_only: bool,
    /// Listen to everything at the broker for this long, such as 60s, and draft a home file
    #[arg(long, value_name = "DURATION", value_parser = duration)]
    listen: Option<Duration>,
    /// The broker to listen to, where there is no home file yet: mqtt://HOST:PORT
    #[arg(long, value_name = "URL", requires = "listen", conflicts_with = "home")]
    broker: Option<String>,
    /// Where the draft goes; the standard output without it
    #[arg(long, value_name = "FILE", requires = "listen")]
    out: Option<PathBuf>,
    /// The record; `NAME.commission.json` beside the home file without it
    #[arg(long, value_name = "FILE")]
    record: Option<PathBuf>,
    /// The sheet; `NAME.commission.html` beside the home file without it
    #[arg(long, value_name = "FILE")]
    sheet: Option<PathBuf>,
    /// How to print the result
    #[arg(long, value_enum, default_value_t = Format::Text)]
    format: Format,
}

/// Whose time and hands a sitting has.
struct Around {
    clock: HomeClock,
    /// Other hands than those at the keys or of a file of answers.
    hands: Option<Box<dyn Installer>>,
}

/// Runs the command.
pub fn run(args: &Args) -> Outcome {
    run_around(args, Around { clock: HomeClock::real(), hands: None })
}

/// Runs the command in another time and with other hands, as tests do. `words` are those behind its name.
pub fn run_with(words: &[&str], clock: HomeClock, hands: Box<dyn Installer>) -> Outcome {
    let command = Args::augment_args(clap::Command::new("commission").no_binary_name(true));
    let args = command.try_get_matches_from(words).and_then(|found| Args::from_arg_matches(&found));
    match args {
        Ok(args) => run_around(&args, Around { clock, hands: Some(hands) }),
        Err(why) => complain(&why.to_string()),
    }
}

fn run_around(args: &Args, around: Around) -> Outcome {
    if let Some(lasts) = args.listen {
        return listening::listening(args, lasts);
    }
    let Some(path) = &args.home else { return complain("Name the home file.") };
    let config = match home_file(path) {
        Ok(config) => config,
        Err(outcome) => return outcome,
    };
    let files = Files::of(args, path);
    let done = if args.sheet_only {
        sheet_only(args.format, &config, &files)
    } else if let Some(from) = &args.from {
        history::from_history(args, &config, &files, from)
    } else if let Some(listen) = args.page {
        page::by_page(args, &files, listen)
    } else {
        by_procedure(args, &config, &files, around)
    };
    done.unwrap_or_else(|why| complain_in_full(&why))
}

/// Issues the sheet of a home again, as `--sheet-only` does.
pub fn issue_again(home: &Path) -> Outcome {
    let config = match home_file(home) {
        Ok(config) => config,
        Err(outcome) => return outcome,
    };
    let beside = |ending: &str| home.with_extension(format!("commission.{ending}"));
    let files = Files { home: home.to_owned(), record: beside("json"), sheet: beside("html") };
    sheet_only(Format::Text, &config, &files).unwrap_or_else(|why| complain_in_full(&why))
}

/// What is read and written.
struct Files {
    home: PathBuf,
    record: PathBuf,
    sheet: PathBuf,
}

impl Files {
    fn of(args: &Args, home: &Path) -> Files {
        let beside = |ending: &str| commission::beside(home, ending);
        Files {
            home: home.to_owned(),
            record: args.record.clone().unwrap_or_else(|| beside("json")),
            sheet: args.sheet.clone().unwrap_or_else(|| beside("html")),
        }
    }

    fn text(&self) -> Result<String, String> {
        std::fs::read_to_string(&self.home).map_err(|why| format!("{}: {why}", self.home.display()))
    }

    fn fingerprint(&self) -> Result<String, String> {
        Ok(record::fingerprint(self.text()?.as_bytes()))
    }
}

/// Columns of the terminal; 80 where there is none.
fn paper(format: Format) -> Paper {
    let terminal = io::stdout().is_terminal();
    let columns = if terminal { crossterm::terminal::size().map_or(80, |(columns, _)| columns) } else { 80 };
    let set = |name: &str| std::env::var_os(name).is_some_and(|v| !v.is_empty());
    let dumb = std::env::var("TERM").is_ok_and(|t| t == "dumb");
    let live = terminal && !dumb && format == Format::Text;
    Paper::new(usize::from(columns), live && !set("NO_COLOR"), live)
}

fn by_procedure(args: &Args, config: &Config, files: &Files, around: Around) -> Result<Outcome, String> {
    let Around { clock, hands } = around;
    let lines = if args.answers.is_some() || hands.is_some() { mpsc::channel(1).1 } else { typed_lines() };
    let installer: Box<dyn Installer> = match (hands, &args.answers) {
        (Some(hands), _) => hands,
        (None, Some(path)) => Box::new(Answers::read(path).map_err(|why| why.to_string())?),
        (None, None) => Box::new(AtTheKeys),
    };
    let format = args.format;
    let paper = paper(format);
    let options = Options {
        clock,
        paper,
        print: printer(format),
        installer,
        lines,
        only: args.step.clone(),
        record: files.record.clone(),
        fingerprint: files.fingerprint()?,
    };
    let runtime = tokio::runtime::Runtime::new().map_err(|why| format!("no threads to run on: {why}"))?;
    let mut interrupted = false;
    let end = async {
        asked_to_end().await;
        interrupted = true;
    };
    let ended = runtime.block_on(commission::run(config, options, end)).map_err(|why| why.to_string())?;
    let Ended { mut record, procedure, mut lines, .. } = ended;
    let said = |text: &str| {
        if format == Format::Text {
            print(text)
        }
    };
    let at = clock.wall();
    if let Some(proposed) = correction::proposed(config, files, &procedure, paper, said)? {
        let at_the_keys = args.answers.is_none() && format == Format::Text && io::stdin().is_terminal();
        if args.apply || (at_the_keys && !interrupted && runtime.block_on(correction::is_wanted(&mut lines)))
        {
            let by = procedure.who();
            correction::written(&proposed, config, files, (&mut record, by, at), paper, said)?;
        } else {
            correction::not_written(paper, said);
        }
    }
    issue(format, config, files, record, (paper, at))
}

/// Prints the dialogue. With JSON it goes to standard error, so that a program reads the result alone.
fn printer(format: Format) -> Print {
    Box::new(move |text| match format {
        Format::Text => {
            let mut out = io::stdout();
            let _ = out.write_all(text.as_bytes()).and_then(|()| out.flush());
        }
        Format::Json => {
            let _ = io::stderr().write_all(text.as_bytes());
        }
    })
}

/// Lines of the standard input, read by a thread of their own.
fn typed_lines() -> mpsc::Receiver<String> {
    let (to, lines) = mpsc::channel(8);
    std::thread::spawn(move || {
        for line in io::stdin().lock().lines() {
            let Ok(line) = line else { return };
            if to.blocking_send(line).is_err() {
                return;
            }
        }
    });
    lines
}

/// Writes the record and the sheet; gives what is missing.
fn write_out(
    config: &Config,
    files: &Files,
    record: &mut Record,
    at: WallTime,
) -> Result<Vec<WhyNot>, String> {
    let fingerprint = files.fingerprint()?;
    record::lapse(record, &fingerprint);
    record::issue(record, jiff::Timestamp::from_millisecond(at.0).unwrap_or(jiff::Timestamp::UNIX_EPOCH));
    record::write(&files.record, record).map_err(|why| why.to_string())?;
    let html = sheet::html(record, &sheet::Context::of(config, &files.home, &fingerprint));
    sheet::write(&files.sheet, &html).map_err(|why| format!("{}: {why}", files.sheet.display()))?;
    Ok(record::complete(record, &fingerprint).err().unwrap_or_default())
}

fn tell_issued(files: &Files, missing: &[WhyNot]) {
    let word = if missing.is_empty() { "Complete" } else { "Not complete" };
    print(&format!("{word}. The sheet:\n  {}\n", files.sheet.display()));
}

fn issued_as_json(files: &Files, missing: &[WhyNot]) -> Value {
    let missing = missing.iter().map(|w| json!({ "what": w.what, "why": w.why, "next": w.next }));
    let missing: Vec<Value> = missing.collect();
    json!({
        "complete": missing.is_empty(),
        "record": files.record.display().to_string(),
        "sheet": files.sheet.display().to_string(),
        "missing": missing,
    })
}

/// Writes the record and the sheet, and tells how all stands.
fn issue(
    format: Format,
    config: &Config,
    files: &Files,
    mut record: Record,
    (paper, at): (Paper, WallTime),
) -> Result<Outcome, String> {
    let missing = write_out(config, files, &mut record, at)?;
    match format {
        Format::Text => {
            print(&paper.summary(&standing(&record)));
            tell_issued(files, &missing);
        }
        Format::Json => {
            let mut body = issued_as_json(files, &missing);
            body["tests"] = json!(record.tests);
            print(&format!("{body:#}\n"));
        }
    }
    Ok(if missing.is_empty() { Outcome::Done } else { Outcome::No })
}

fn known(files: &Files) -> Result<Option<Record>, String> {
    record::read(&files.record).map_err(|why| why.to_string())
}

fn sheet_only(format: Format, config: &Config, files: &Files) -> Result<Outcome, String> {
    let Some(record) = known(files)? else {
        return Err(format!("there is no record {}: nothing was commissioned yet", files.record.display()));
    };
    issue(format, config, files, record, (paper(format), now()))
}

//! `overspill correct`: put right what a wrongly fitted clamp recorded.

use std::fmt::Write as _;
use std::io::{self, BufRead, IsTerminal, Write as _};
use std::path::PathBuf;

use clap::ArgGroup;
use jiff::tz::TimeZone;
use serde_json::{Value, json};

use super::args::Format;
use super::opening::{complain_in_full, counted, home_file, local, moment, now, person, print, span};
use crate::cli::Outcome;
use crate::config::Config;
use crate::history::{Change, Preview, REPLACED_REACHES, correct, corrections, preview};
use crate::progress::Progress;
use crate::store::{Correction, Kind, NewCorrection, StoreReader};

/// Put right what a wrongly fitted clamp recorded
///
/// The numbers stay as they were received; the correction stands beside them with who made it and when, and what was
/// believed until then stays in the table `believed`. Half hours and days are counted again by the same code that counted
/// them first, and what goes to another database is sent again. Corrections of one span hold in the order in which they were
/// made. Mend the home file as well, for the readings that are still to come.
///
/// First shows what would change, then asks; without a terminal it wants --yes. A time is RFC 3339, a local time, or a local
/// date; a date in --to means that day's end. Ends with 0 when done, 1 when you said no, 2 when it could not be done.
#[derive(Debug, clap::Args)]
#[command(group(ArgGroup::new("what").required(true).args(["negate", "scale", "swap_with", "replaced", "undo", "list"])))]
pub struct Args {
    /// The home file
    #[arg(value_name = "HOME.toml")]
    home: PathBuf,
    /// The point
    #[arg(required_unless_present_any = ["undo", "list"])]
    point: Option<String>,
    /// The beginning of what was recorded wrongly
    #[arg(long, value_name = "T", required_unless_present_any = ["undo", "list", "replaced"])]
    from: Option<String>,
    /// Its end
    #[arg(long, value_name = "T", required_unless_present_any = ["undo", "list", "replaced"])]
    to: Option<String>,
    /// The clamp was the wrong way round
    #[arg(long)]
    negate: bool,
    /// The ratio was wrong: what was recorded, times this, is right
    #[arg(long, value_name = "FACTOR", value_parser = factor)]
    scale: Option<f64>,
    /// The clamp sat where that of this other point belongs, and the other way round
    #[arg(long, value_name = "POINT")]
    swap_with: Option<String>,
    /// The device was replaced at this moment, so that its register began anew
    #[arg(long, value_name = "T", conflicts_with_all = ["from", "to"])]
    replaced: Option<String>,
    /// Take a correction back
    #[arg(long, value_name = "NUMBER", conflicts_with_all = ["point", "from", "to"])]
    undo: Option<i64>,
    /// List all corrections
    #[arg(long, conflicts_with_all = ["point", "from", "to"])]
    list: bool,
    /// Who says so; else the user's name on this computer
    #[arg(long, value_name = "NAME")]
    by: Option<String>,
    /// Do it without asking
    #[arg(long)]
    yes: bool,
    /// How to print it
    #[arg(long, value_enum, default_value_t = Format::Text)]
    format: Format,
}

fn factor(text: &str) -> Result<f64, String> {
    let factor: f64 = text.parse().map_err(|_| "write a number such as 0.5".to_owned())?;
    if factor.is_finite() && factor > 0.0 && (1e-6..=1e6).contains(&factor) {
        return Ok(factor);
    }
    Err("the factor must lie between 0.000001 and 1000000; --negate turns a sign round".to_owned())
}

/// Runs the command.
pub fn run(args: &Args) -> Outcome {
    let config = match home_file(&args.home) {
        Ok(config) => config,
        Err(outcome) => return outcome,
    };
    let done = if args.list { show_list(args, &config) } else { change(args, &config) };
    done.unwrap_or_else(|why| complain_in_full(&why))
}

fn change(args: &Args, config: &Config) -> Result<Outcome, String> {
    let change = wanted(args, &config.home.timezone)?;
    let by = person(args.by.as_deref(), "puts it right")?;
    let reader = StoreReader::open_read_only(&config.store.path).map_err(|why| why.to_string())?;
    let (home, now) = (&config.home, now());
    let preview = preview(&reader, home, change, now, &mut Progress::new()).map_err(|why| why.to_string())?;
    drop(reader);
    if args.format == Format::Text {
        print(&as_text(&preview, &home.timezone));
    }
    match agreed(args)? {
        true => {}
        false => {
            print("Nothing was changed.\n");
            return Ok(Outcome::No);
        }
    }
    let number = correct(&config.store.path, home, &preview, &by, now).map_err(|why| why.to_string())?;
    print(&match args.format {
        Format::Text => done(&preview, number, &by, config.influx.is_some()),
        Format::Json => format!("{:#}\n", as_json(&preview, number, &by)),
    });
    Ok(Outcome::Done)
}

fn wanted(args: &Args, zone: &TimeZone) -> Result<Change, String> {
    if let Some(id) = args.undo {
        return Ok(Change::Undo(id));
    }
    let point = args.point.clone().unwrap_or_default();
    if let Some(replaced) = &args.replaced {
        let from = moment(replaced, zone, false)?;
        let what = NewCorrection { point, from, to: from + REPLACED_REACHES, kind: Kind::Replaced };
        return past(from).map(|()| Change::Correct(what));
    }
    let (from, to) = span(args.from.as_deref().unwrap_or(""), args.to.as_deref().unwrap_or(""), zone)?;
    let kind = match (&args.swap_with, args.scale) {
        (Some(other), _) => Kind::SwapWith(other.clone()),
        (None, Some(factor)) => Kind::Scale(factor),
        (None, None) => Kind::Negate,
    };
    past(from).map(|()| Change::Correct(NewCorrection { point, from, to, kind }))
}

fn past(from: overspill_rules::time::WallTime) -> Result<(), String> {
    if from < now() {
        return Ok(());
    }
    Err("that time is still to come; what is to be read differently from now on is changed in the home file"
        .to_owned())
}

fn agreed(args: &Args) -> Result<bool, String> {
    if args.yes {
        return Ok(true);
    }
    if !io::stdin().is_terminal() || args.format == Format::Json {
        return Err("nothing was changed; --yes does it".to_owned());
    }
    print("Shall it be done? [y/N] ");
    let _ = io::stdout().flush();
    let mut answer = String::new();
    let _ = io::stdin().lock().read_line(&mut answer);
    Ok(matches!(answer.trim().to_lowercase().as_str(), "y" | "yes"))
}

fn sentence(what: &NewCorrection, zone: &TimeZone) -> String {
    let point = &what.point;
    let (from, to) = (local(what.from, zone), local(what.to, zone));
    match &what.kind {
        Kind::Negate => format!("{point} turned round, {from} to {to}"),
        Kind::Scale(factor) => format!("{point} times {factor}, {from} to {to}"),
        Kind::SwapWith(other) => format!("{point} and {other} swapped, {from} to {to}"),
        Kind::Replaced => format!("device of {point} replaced, {from}"),
    }
}

fn as_text(preview: &Preview, zone: &TimeZone) -> String {
    let undo = if matches!(preview.change, Change::Undo(_)) { "Taken back: " } else { "" };
    let mut text = format!("{undo}{}\n\n", sentence(&preview.what, zone));
    if preview.half_hours == 0 {
        text.push_str("No half hour changes. Energy that was imported in kWh stays as it came.\n\n");
        return text;
    }
    let _ = writeln!(text, "  {:<20} {:>14} {:>14}", "energy of the span", "as it is", "as it would be");
    for (flow, (before, after)) in &preview.totals {
        let _ = writeln!(text, "  {flow:<20} {:>10.3} kWh {:>10.3} kWh", before, after);
    }
    let _ = writeln!(text, "\n{} change.\n", counted(preview.half_hours as u64, "half hour"));
    text
}

fn done(preview: &Preview, number: i64, by: &str, forwards: bool) -> String {
    let mut text = match preview.change {
        Change::Correct(_) => {
            format!("Correction {number} was made by {by}; --undo {number} takes it back.\n")
        }
        Change::Undo(_) => format!("Correction {number} was taken back by {by}.\n"),
    };
    if forwards {
        text.push_str("It is forwarded again.\n");
        if matches!(preview.what.kind, Kind::SwapWith(_)) {
            text.push_str(
                "Numbers of two points rarely have the same times, so that in the other database the wrong ones stay\n\
                 beside the right ones: delete both points there in this span first.\n",
            );
        }
    }
    text
}

fn as_json(preview: &Preview, number: i64, by: &str) -> Value {
    let totals = preview
        .totals
        .iter()
        .map(|(flow, (before, after))| (flow.clone(), json!({ "before_kwh": before, "after_kwh": after })));
    json!({
        "correction": number,
        "undone": matches!(preview.change, Change::Undo(_)),
        "by": by,
        "half_hours": preview.half_hours,
        "energy": totals.collect::<serde_json::Map<String, Value>>(),
    })
}

fn show_list(args: &Args, config: &Config) -> Result<Outcome, String> {
    let reader = StoreReader::open_read_only(&config.store.path).map_err(|why| why.to_string())?;
    let all = corrections(&reader).map_err(|why| why.to_string())?;
    let zone = &config.home.timezone;
    print(&match args.format {
        Format::Text if all.is_empty() => "Nothing was ever put right.\n".to_owned(),
        Format::Text => all.iter().map(|c| listed(c, zone)).collect(),
        Format::Json => format!("{:#}\n", all.iter().map(listed_json).collect::<Value>()),
    });
    Ok(Outcome::Done)
}

fn listed(c: &Correction, zone: &TimeZone) -> String {
    let mut text = format!("{:>3}  {}\n", c.id, sentence(&c.what, zone));
    let _ = writeln!(text, "     made by {}, {}", c.by, local(c.at, zone));
    if let Some((by, at)) = &c.undone {
        let _ = writeln!(text, "     taken back by {by}, {}", local(*at, zone));
    }
    text
}

fn listed_json(c: &Correction) -> Value {
    let (kind, factor, other) = match &c.what.kind {
        Kind::Negate => ("negate", None, None),
        Kind::Scale(factor) => ("scale", Some(*factor), None),
        Kind::SwapWith(other) => ("swap", None, Some(other.as_str())),
        Kind::Replaced => ("replaced", None, None),
    };
    json!({
        "correction": c.id, "point": c.what.point, "from": c.what.from.to_rfc3339(), "to": c.what.to.to_rfc3339(),
        "kind": kind, "factor": factor, "other": other, "by": c.by, "at": c.at.to_rfc3339(),
        "undone_by": c.undone.as_ref().map(|(by, _)| by),
        "undone_at": c.undone.as_ref().map(|(_, at)| at.to_rfc3339()),
    })
}

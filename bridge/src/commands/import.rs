//! `overspill import`: history from a CSV file.

use std::path::{Path, PathBuf};

use jiff::tz::TimeZone;
use overspill_rules::time::Span;
use serde_json::{Value, json};

use super::args::Format;
use super::opening::{complain_in_full, counted, grouped, home_file, local, now, print};
use crate::cli::Outcome;
use crate::config::Config;
use crate::history::{
    BadLine, ColumnReport, ImportError, ImportOptions, ImportReport, Survey, TimeIs, Wishes, import, listing,
};
use crate::progress::Progress;

/// Bring in history from a CSV file
///
/// The header is `time` and a column for each point with its unit: grid_w, solar_kw, grid_import_kwh, grid_export_kwh,
/// solar_kwh, battery_charge_kwh; an input's column is its id. Power is positive as in the balance: import, generation,
/// use, discharge. Times are RFC 3339 with an offset, Unix seconds, or local times in the home's zone: of the hour that
/// comes twice when clocks go back the first is meant until it is over, by the order of the rows. Blank fields lower the
/// coverage and never count as zero. Files with semicolons may have decimal commas.
///
/// What is there already stays, so the same file may be imported again. The daemon may be running. Ends with 0 when done,
/// 1 with --strict when lines are bad, 2 when nothing could be read.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The home file
    #[arg(value_name = "HOME.toml")]
    home: PathBuf,
    /// The file to bring in
    #[arg(value_name = "FILE.csv")]
    file: PathBuf,
    /// Whether a row's time is the start or the end of its interval
    #[arg(long, value_enum, default_value_t)]
    interval_at: TimeIs,
    /// Read a column under another name, such as --rename load=house_w
    #[arg(long, value_name = "OLD=NEW", value_parser = pair)]
    rename: Vec<(String, String)>,
    /// Leave a column out
    #[arg(long, value_name = "COLUMN")]
    ignore: Vec<String>,
    /// A number stands until the next one of its column where that comes within this time, such as 5m; 1.5 times the
    /// commonest distance unless given
    #[arg(long, value_name = "D", value_parser = Span::parse)]
    stands: Option<Span>,
    /// Take nothing when a line is bad
    #[arg(long)]
    strict: bool,
    /// Say what would be done, and change nothing
    #[arg(long)]
    dry_run: bool,
    /// How to print what was done
    #[arg(long, value_enum, default_value_t = Format::Text)]
    format: Format,
}

fn pair(text: &str) -> Result<(String, String), String> {
    let (old, new) = text.split_once('=').ok_or("write OLD=NEW")?;
    Ok((old.to_owned(), new.to_owned()))
}

/// Runs the command.
pub fn run(args: &Args) -> Outcome {
    let config = match home_file(&args.home) {
        Ok(config) => config,
        Err(outcome) => return outcome,
    };
    let options = ImportOptions {
        wishes: Wishes { rename: args.rename.clone(), ignore: args.ignore.clone() },
        time_is: args.interval_at,
        stands: args.stands,
        strict: args.strict,
        dry_run: args.dry_run,
        now: now(),
    };
    let mut progress = Progress::new();
    let result = import(&config.store.path, &config.home, &args.file, &options, &mut progress);
    progress.clear();
    match result {
        Ok(report) => {
            print(&match args.format {
                Format::Text => as_text(&args.file, &report, &config.home.timezone, args.dry_run),
                Format::Json => format!("{:#}\n", as_json(&report, args.dry_run)),
            });
            Outcome::Done
        }
        Err(why @ ImportError::Strict { .. }) => {
            complain_in_full(&failure(&why, &config));
            Outcome::No
        }
        Err(why) => complain_in_full(&failure(&why, &config)),
    }
}

/// Why nothing was imported, with what is needed to mend it.
fn failure(why: &ImportError, config: &Config) -> String {
    match why {
        ImportError::Header { faults, .. } => {
            let list: String = faults.iter().map(|f| format!("  {f}\n")).collect();
            format!(
                "{why}:\n{list}Columns that this home can take, beside `time`:\n{}  each _w also as _kw, each _kwh as _wh\n\
                 --rename OLD=NEW reads a column under another name, --ignore COLUMN leaves it out.",
                listing(&config.home)
            )
        }
        ImportError::Nothing { survey, .. } | ImportError::Strict { survey, .. } => {
            format!("{}{why}", bad_lines(survey))
        }
        why => why.to_string(),
    }
}

fn as_text(file: &Path, report: &ImportReport, zone: &TimeZone, dry_run: bool) -> String {
    let survey = &report.survey;
    let mut text = format!("{}: {}", file.display(), counted(survey.rows, "row"));
    if let (Some(first), Some(last)) = (survey.first, survey.last) {
        let name = zone.iana_name().unwrap_or("local time");
        text.push_str(&format!(", {} to {} ({name})", local(first, zone), local(last, zone)));
    }
    text.push_str("\n\n");
    text.push_str(&format!(
        "  {:<22} {:>9} {:>9} {:>9} {:>9}  {:>14}\n",
        "column", "every", "numbers", "new", "there", "energy"
    ));
    report.columns.iter().for_each(|c| text.push_str(&column(c)));
    text.push('\n');
    for name in &report.netted {
        text.push_str(&format!(
            "{name} is netted: what was imported and exported within one interval hides in it, so the true import\n\
             and export were more. Use the supplier's separate files where you can have them.\n\n"
        ));
    }
    if !survey.worked_out.is_empty() {
        let names = survey.worked_out.join(", ");
        text.push_str(&format!("Left out: {names}. This home works that out from its points.\n\n"));
    }
    text.push_str(&bad_lines(survey));
    text.push_str(&verdict(report, dry_run));
    text
}

fn column(c: &ColumnReport) -> String {
    let energy = c.kwh.map_or_else(|| "-".to_owned(), |kwh| format!("{kwh:.3} kWh"));
    let changed = if c.changed > 0 { format!("  ({} put right)", grouped(c.changed)) } else { String::new() };
    format!(
        "  {:<22} {:>9} {:>9} {:>9} {:>9}  {energy:>14}{changed}\n",
        c.name,
        if c.numbers == 0 { "-".to_owned() } else { c.usual.to_string() },
        grouped(c.numbers),
        grouped(c.new),
        grouped(c.there),
    )
}

fn bad_lines(survey: &Survey) -> String {
    if survey.bad == 0 {
        return String::new();
    }
    let each = |b: &BadLine| format!("  line {}: {}\n", b.line, b.why);
    let mut text = format!("{} could not be taken:\n", counted(survey.bad, "line"));
    survey.bad_lines.iter().for_each(|b| text.push_str(&each(b)));
    let more = survey.bad - survey.bad_lines.len() as u64;
    if more > 0 {
        text.push_str(&format!("  and {} more\n", grouped(more)));
    }
    text.push('\n');
    text
}

fn verdict(report: &ImportReport, dry_run: bool) -> String {
    let new: u64 = report.columns.iter().map(|c| c.new).sum();
    let changed: u64 = report.columns.iter().map(|c| c.changed).sum();
    let there: u64 = report.columns.iter().map(|c| c.there).sum();
    let mut text = match (dry_run, new + changed) {
        (true, _) => format!("Would import {}; nothing was changed.", counted(new + changed, "number")),
        (false, 0) => "Nothing new: everything was there already.".to_owned(),
        (false, taken) => format!("Imported {}.", counted(taken, "number")),
    };
    if there > 0 && new + changed > 0 {
        text.push_str(&format!(" {} left out, since values were there already.", were(there)));
    }
    text.push('\n');
    text
}

fn were(n: u64) -> String {
    if n == 1 { "1 was".to_owned() } else { format!("{} were", grouped(n)) }
}

fn as_json(report: &ImportReport, dry_run: bool) -> Value {
    let columns = report.columns.iter().map(|c| {
        json!({
            "column": c.name, "numbers": c.numbers, "new": c.new, "there": c.there, "changed": c.changed,
            "kwh": c.kwh, "interval_s": c.usual.as_seconds(),
        })
    });
    let survey = &report.survey;
    json!({
        "dry_run": dry_run,
        "rows": survey.rows,
        "from": survey.first.map(|t| t.to_rfc3339()),
        "to": survey.last.map(|t| t.to_rfc3339()),
        "columns": columns.collect::<Vec<_>>(),
        "netted": report.netted,
        "bad_lines": survey.bad,
        "first_bad_lines": survey.bad_lines.iter()
            .map(|b| json!({ "line": b.line, "why": b.why })).collect::<Vec<_>>(),
        "half_hours": report.half_hours,
    })
}

//! `overspill commission --from --to`: judged from a chair, by what was recorded.

use overspill_rules::time::WallTime;
use serde_json::json;

use super::{Args, Files, issued_as_json, known, paper, tell_issued, write_out};
use crate::cli::Outcome;
use crate::commands::args::Format;
use crate::commands::opening::{now, print, span};
use crate::commission::{by_history, passive, record, sheet};
use crate::config::Config;
use crate::store::StoreReader;

/// Judges, completes what that proves of the record, and issues the sheet again where it does.
pub(super) fn from_history(
    args: &Args,
    config: &Config,
    files: &Files,
    from: &str,
) -> Result<Outcome, String> {
    let home = &config.home;
    let at = now();
    let to = args.to.clone().unwrap_or_else(|| at.to_rfc3339());
    let span: (WallTime, WallTime) = span(from, &to, &home.timezone)?;
    let journal = StoreReader::open_read_only(&config.store.path).map_err(|why| why.to_string())?;
    let report = passive::judge(&journal, home, span, |_| {}).map_err(|why| why.to_string())?;
    let known = known(files)?;
    let mut body = passive::json(home, &report);
    let paper = paper(args.format);
    if args.format == Format::Text {
        print(&passive::text(home, &report, paper.columns));
    }
    if let Some(mut record) = known {
        record::lapse(&mut record, &files.fingerprint()?);
        let decided = by_history(&mut record, home, &report, at);
        if decided.is_empty() {
            record::write(&files.record, &record).map_err(|why| why.to_string())?;
        } else {
            let missing = write_out(config, files, &mut record, at)?;
            let told = sheet::to_be_told(&record);
            if args.format == Format::Text {
                let decided = format!("Decided by recorded readings: {}.", decided.join("; "));
                print(&crate::words::wrapped(&decided, "", paper.columns));
                let told = told.map(|who| format!("To be told, since the sheet was issued again: {who}."));
                print(&told.map_or_else(String::new, |t| crate::words::wrapped(&t, "", paper.columns)));
                tell_issued(files, &missing);
            } else {
                body["decided"] = json!(decided);
                body["to_be_told"] = json!(told);
                body["issued"] = issued_as_json(files, &missing);
            }
        }
    }
    if args.format == Format::Json {
        print(&format!("{body:#}\n"));
    }
    Ok(if report.is_good() { Outcome::Done } else { Outcome::No })
}

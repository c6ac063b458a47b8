//! Prints the plant bench: `cargo run --release -p overspill-tests --bin bench`.
//!
//! `--part NAME` and `--case TEXT` narrow it (TEXT is any part of a case's name), `--json` prints it for a machine. The
//! column `design` has what the mechanism of the design reached in its own simulation. Exit 1 when a bar is missed, 2
//! when nothing could be run.
#![allow(clippy::print_stderr)]

use std::process::ExitCode;

use overspill_tests::bench::cases::{self, Planned};
use overspill_tests::bench::table::{Row, head, json, print};

#[derive(Default)]
struct Wish {
    part: Option<String>,
    case: Option<String>,
    json: bool,
}

fn main() -> ExitCode {
    match wish(std::env::args().skip(1)).and_then(|wish| Ok((chosen(&wish)?, wish.json))) {
        Ok((cases, as_json)) => show(&cases, as_json),
        Err(why) => {
            eprintln!("{why}");
            ExitCode::from(2)
        }
    }
}

fn wish(mut arguments: impl Iterator<Item = String>) -> Result<Wish, String> {
    let mut wish = Wish::default();
    while let Some(argument) = arguments.next() {
        let mut value = || arguments.next().ok_or_else(|| format!("{argument} needs a value"));
        match argument.as_str() {
            "--part" => wish.part = Some(value()?),
            "--case" => wish.case = Some(value()?),
            "--json" => wish.json = true,
            _ => return Err(format!("{argument} is not known; there are --part NAME, --case TEXT, --json")),
        }
    }
    Ok(wish)
}

fn chosen(wish: &Wish) -> Result<Vec<Planned>, String> {
    let fits = |planned: &Planned| {
        wish.part.as_ref().is_none_or(|part| planned.part == part)
            && wish.case.as_ref().is_none_or(|text| planned.name.contains(text))
    };
    let cases: Vec<Planned> = cases::all().into_iter().filter(fits).collect();
    if !cases.is_empty() {
        return Ok(cases);
    }
    let mut parts: Vec<&str> = cases::all().iter().map(|c| c.part).collect();
    parts.dedup();
    Err(format!("no case fits; the parts are {}", parts.join(", ")))
}

fn show(cases: &[Planned], as_json: bool) -> ExitCode {
    let mut rows: Vec<Row> = Vec::new();
    let mut part = "";
    for planned in cases {
        let row = planned.run();
        if !as_json {
            if part != planned.part {
                part = planned.part;
                println!("== {part}\n{}", head());
            }
            print!("{}", print(&row));
        }
        rows.push(row);
    }
    let missed = rows.iter().filter(|r| !r.is_reached()).count();
    if as_json {
        println!("{:#}", json(&rows));
    } else {
        println!("{} of {} rows reached", rows.len() - missed, rows.len());
    }
    if missed == 0 { ExitCode::SUCCESS } else { ExitCode::from(1) }
}

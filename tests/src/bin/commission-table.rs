//! Prints the table of verdicts: `cargo run --release -p overspill-tests --bin commission-table`.
//!
//! `--seeds N` (200 unless said), `--noise TEXT`, `--pairs` or `--singles` alone, `--case TEXT`, `--tell` for each wrong verdict.
//! Exit 1 when a bar is missed: a wrong verdict anywhere, or at ordinary noise fewer than 99 % of single faults found or
//! more than 5 % left open; 2 when an argument is not known.
#![allow(clippy::print_stderr)]

use std::process::ExitCode;

use overspill_rules::commission::Site;
use overspill_tests::commission::faults::{Injected, pairs, singles};
use overspill_tests::commission::flows::Noise;
use overspill_tests::commission::plan::{one_phase, plan, three_phases};
use overspill_tests::commission::table::{Count, row};

struct Wish {
    seeds: u64,
    noise: Option<String>,
    case: String,
    singles: bool,
    pairs: bool,
    tell: bool,
}

fn main() -> ExitCode {
    match wish(std::env::args().skip(1)) {
        Ok(wish) => show(&wish),
        Err(why) => {
            eprintln!("{why}");
            ExitCode::from(2)
        }
    }
}

fn wish(mut arguments: impl Iterator<Item = String>) -> Result<Wish, String> {
    let mut wish =
        Wish { seeds: 200, noise: None, case: String::new(), singles: true, pairs: true, tell: false };
    while let Some(argument) = arguments.next() {
        let mut value = || arguments.next().ok_or_else(|| format!("{argument} needs a value"));
        match argument.as_str() {
            "--seeds" => {
                wish.seeds = value()?.parse().map_err(|_| "--seeds takes a whole number".to_owned())?
            }
            "--noise" => wish.noise = Some(value()?),
            "--case" => wish.case = value()?,
            "--singles" => wish.pairs = false,
            "--pairs" => wish.singles = false,
            "--tell" => wish.tell = true,
            _ => return Err(format!("{argument} is not known")),
        }
    }
    Ok(wish)
}

fn show(wish: &Wish) -> ExitCode {
    println!("faults of {} afternoons each; set: mean number of explanations (single causes)", wish.seeds);
    println!("{:58}  points     found      open  wrong  good said      set", "");
    let mut missed = false;
    for (home, site) in [("one phase", one_phase()), ("three phases", three_phases())] {
        for noise in Noise::ALL.into_iter().filter(|n| wish.noise.as_ref().is_none_or(|w| n.word() == w)) {
            println!("\n{home}, {}", noise.word());
            missed |= part(wish, &site, noise);
        }
    }
    ExitCode::from(u8::from(missed))
}

fn part(wish: &Wish, site: &Site, noise: Noise) -> bool {
    let example = plan(site.clone(), 0);
    let nothing = Injected { name: "nothing".to_owned(), faults: Vec::new() };
    let mut missed = sum(wish, site, noise, "nothing wrong", &[nothing], false).wrong > 0;
    if wish.singles {
        let count = sum(wish, site, noise, "single faults", &singles(&example), true);
        let bars =
            noise == Noise::Ordinary && (count.found_share() < 0.99 || count.inconclusive_share() > 0.05);
        missed |= count.wrong > 0 || bars;
    }
    if wish.pairs {
        missed |= sum(wish, site, noise, "pairs", &pairs(&example), false).wrong > 0;
    }
    missed
}

fn sum(wish: &Wish, site: &Site, noise: Noise, title: &str, all: &[Injected], each: bool) -> Count {
    let mut total = Count::default();
    let mut told = |text: String| {
        if wish.tell {
            println!("{text}");
        }
    };
    for injected in all.iter().filter(|i| i.name.contains(&wish.case)) {
        let count = row(|seed| plan(site.clone(), seed), injected, noise, 0..wish.seeds, &mut told);
        if each {
            println!("  {:56}{}", injected.name, count.line());
        }
        total.add(count);
    }
    println!("{title:58}{}", total.line());
    total
}

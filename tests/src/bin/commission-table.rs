//! Prints the table of verdicts: `cargo run --release -p overspill-tests --bin commission-table`.
//!
//! `--seeds N` (200 unless said), `--from SEED` (0 unless said), `--noise TEXT`, `--pairs` or `--singles` alone, `--case TEXT`, `--tell` for each wrong verdict, `--open` for each
//! that leaves a point open; `--procedure` switches as often as the procedure does (without it generously), and
//! `--every SECONDS` (1 unless said) is how often a point reports then, `--no-display` for an inverter that shows nothing.
//! Exit 1 when a bar is missed: a wrong verdict anywhere, or at ordinary noise fewer than 99 % of single faults found or
//! more than 5 % left open; 2 when an argument is not known.
#![allow(clippy::print_stderr)]

use std::process::ExitCode;

use overspill_rules::commission::Site;
use overspill_tests::commission::faults::{Injected, pairs, singles};
use overspill_tests::commission::flows::Noise;
use overspill_tests::commission::plan::{Display, Plan, generous, one_phase, procedure, three_phases};
use overspill_tests::commission::score::Outcome;
use overspill_tests::commission::table::{Count, rows};

struct Wish {
    from: u64,
    seeds: u64,
    noise: Option<String>,
    case: String,
    singles: bool,
    pairs: bool,
    tell: bool,
    open: bool,
    procedure: bool,
    every_s: usize,
    display: Display,
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
    let mut wish = Wish {
        from: 0,
        seeds: 200,
        noise: None,
        case: String::new(),
        singles: true,
        pairs: true,
        tell: false,
        open: false,
        procedure: false,
        every_s: 1,
        display: Display::Once,
    };
    while let Some(argument) = arguments.next() {
        let mut value = || arguments.next().ok_or_else(|| format!("{argument} needs a value"));
        match argument.as_str() {
            "--seeds" => {
                wish.seeds = value()?.parse().map_err(|_| "--seeds takes a whole number".to_owned())?
            }
            "--from" => wish.from = value()?.parse().map_err(|_| "--from takes a whole number".to_owned())?,
            "--noise" => wish.noise = Some(value()?),
            "--case" => wish.case = value()?,
            "--singles" => wish.pairs = false,
            "--pairs" => wish.singles = false,
            "--tell" => wish.tell = true,
            "--open" => wish.open = true,
            "--procedure" => wish.procedure = true,
            "--no-display" => (wish.procedure, wish.display) = (true, Display::Missing),
            "--every" => {
                wish.procedure = true;
                let seconds: u8 = value()?.parse().map_err(|_| "--every takes whole seconds".to_owned())?;
                wish.every_s = usize::from(seconds).max(1);
            }
            _ => return Err(format!("{argument} is not known")),
        }
    }
    Ok(wish)
}

impl Wish {
    fn plan(&self, site: &Site, seed: u64) -> Plan {
        if self.procedure {
            procedure(site.clone(), seed, self.every_s, self.display)
        } else {
            generous(site.clone(), seed)
        }
    }
}

fn show(wish: &Wish) -> ExitCode {
    let how = if wish.procedure {
        format!("the procedure's own numbers, a reading every {} s", wish.every_s)
    } else {
        "generous numbers, a reading every second".to_owned()
    };
    println!("{how}");
    println!(
        "faults of {} afternoons each; set: mean number of explanations (single causes); minutes to the verdicts",
        wish.seeds
    );
    println!("{:58}  points     found      open  wrong  good said      set       min", "");
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
    let example = wish.plan(site, 0);
    let mut missed = sum(wish, site, noise, "nothing wrong", vec![Injected::nothing()], false).wrong > 0;
    if wish.singles {
        let count = sum(wish, site, noise, "single faults", singles(&example), true);
        let bars = noise == Noise::Ordinary
            && wish.every_s == 1
            && (count.found_share() < 0.99 || count.inconclusive_share() > 0.05);
        missed |= count.wrong > 0 || bars;
    }
    if wish.pairs {
        missed |= sum(wish, site, noise, "pairs", pairs(&example), false).wrong > 0;
    }
    missed
}

fn sum(wish: &Wish, site: &Site, noise: Noise, title: &str, mut all: Vec<Injected>, each: bool) -> Count {
    all.retain(|i| i.name.contains(&wish.case));
    let mut total = Count::default();
    for (injected, count) in all.iter().zip(on_all_cores(wish, site, noise, &all)) {
        if each {
            println!("  {:56}{}", injected.name, count.line());
        }
        total.add(count);
    }
    println!("{title:58}{}", total.line());
    total
}

/// The rows, each core with seeds of its own.
fn on_all_cores(wish: &Wish, site: &Site, noise: Noise, all: &[Injected]) -> Vec<Count> {
    let cores = std::thread::available_parallelism().map_or(1, std::num::NonZero::get);
    let some = |core: usize| {
        let mut tell = |outcome, text: &dyn Fn() -> String| {
            if wish.tell && outcome == Outcome::Wrong || wish.open && outcome == Outcome::Inconclusive {
                println!("{}", text());
            }
        };
        let seeds = (wish.from..wish.from + wish.seeds).skip(core).step_by(cores);
        rows(|seed| wish.plan(site, seed), all, noise, seeds, &mut tell)
    };
    let some = &some;
    let mut counts = vec![Count::default(); all.len()];
    std::thread::scope(|scope| {
        let threads: Vec<_> = (0..cores).map(|core| scope.spawn(move || some(core))).collect();
        for thread in threads {
            let Ok(part) = thread.join() else { std::process::exit(2) };
            counts.iter_mut().zip(part).for_each(|(all, part)| all.add(part));
        }
    });
    counts
}

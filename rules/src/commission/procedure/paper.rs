//! What is written down: who, the sources, the instruments, the fuse, the registers, whom to call.

use crate::home::{Home, Measures, SendAs};

use super::form::{Answers, Form, number, some_words, words};
use super::question::{Answer, Ask, Question};
use super::result::{Fact, Made};
use super::world::World;

fn text(key: &str, words: &str) -> Question {
    Question::new(key, words, Ask::Text { optional: false })
}

fn optional(key: &str, words: &str) -> Question {
    Question::new(key, words, Ask::Text { optional: true })
}

/// Who does it, and that the cautions were read.
pub(super) fn cautions() -> Form {
    let questions = vec![
        text("cautions.name", "Your name"),
        optional("cautions.company", "Your firm"),
        optional("cautions.registration", "Your registration number"),
        optional("cautions.telephone", "Your telephone"),
        optional("cautions.address", "The address of this home"),
        Question::new(
            "cautions.agreed",
            "Have you read the cautions, and are you competent for this work?",
            Ask::YesNo,
        ),
    ];
    Form::new(questions, |world, a| {
        if a.get(5) != Some(&Answer::Yes(true)) {
            let next = "Have a competent person do this work. Watching is harmless: `--step watch`.";
            return Made::open("The cautions were not acknowledged.", next);
        }
        let name = words(a, 0);
        world.by.clone_from(&name);
        let mut facts = vec![
            Fact::Acknowledged(name.clone()),
            Fact::Who {
                name: name.clone(),
                company: some_words(a, 1),
                registration: some_words(a, 2),
                telephone: some_words(a, 3),
            },
        ];
        facts.extend(some_words(a, 4).map(Fact::Address));
        Made::good(format!("Acknowledged by {name}.")).facts(facts)
    })
}

/// Every source of energy, and how it is isolated.
pub(super) fn sources(home: &Home) -> Form {
    let mut names = vec!["the supply"];
    if home.measures(Measures::Solar) {
        names.push("the roof");
    }
    if home.battery.is_some() || home.measures(Measures::Battery) {
        names.push("the battery");
    }
    let keys = |name: &str| format!("sources.{}", name.trim_start_matches("the "));
    let ask = |n: &&str| text(&keys(n), &format!("Where and how is {n} isolated?"));
    let mut questions: Vec<Question> = names.iter().map(ask).collect();
    questions.push(optional(
        "sources.other",
        "Any other source (battery, generator, second supply, car that gives power back), and how it is isolated? Enter for none",
    ));
    Form::new(questions, move |_, a| {
        let mut facts: Vec<Fact> =
            names.iter().enumerate().map(|(i, n)| Fact::Source((*n).to_owned(), words(a, i))).collect();
        facts.extend(some_words(a, names.len()).map(|w| Fact::Source("another source".to_owned(), w)));
        Made::good(format!("{} listed, each with its isolator.", count(facts.len(), "source"))).facts(facts)
    })
}

pub(super) fn count(n: usize, word: &str) -> String {
    if n == 1 { format!("1 {word}") } else { format!("{n} {word}s") }
}

/// The instrument that readings are compared with.
pub(super) fn instruments() -> Form {
    let questions = vec![
        text("instruments.make", "Make of the instrument that you compare with (none, where you have none)"),
        optional("instruments.model", "Its model"),
        optional("instruments.serial", "Its serial number"),
        Question::new(
            "instruments.calibrated",
            "Date of its last calibration, as 2026-05-31",
            Ask::Date { optional: true },
        ),
    ];
    Form::new(questions, instrument).ends_when(has_none)
}

fn has_none(answers: &Answers) -> bool {
    words(answers, 0).eq_ignore_ascii_case("none")
}

fn instrument(world: &mut World, a: &Answers) -> Made {
    if has_none(a) {
        let next = "Compare each point with a calibrated clamp meter: a heater proves direction, and scale only roughly.";
        return Made::open("No instrument was named, so no scale is proved closely.", next);
    }
    let [make, model, serial, calibrated] = [0, 1, 2, 3].map(|i| words(a, i));
    let today = world.now.in_zone(&world.home.timezone).map(|z| z.date());
    let is_to_come = calibrated.parse::<jiff::civil::Date>().ok().zip(today).is_some_and(|(d, now)| d > now);
    let why = match (serial.is_empty(), calibrated.is_empty()) {
        (true, true) => "its serial number and the date of its calibration are missing",
        (true, false) => "its serial number is missing",
        (false, true) => "the date of its calibration is missing",
        (false, false) if is_to_come => "the date of its calibration is still to come",
        (false, false) => "",
    };
    let made = if why.is_empty() {
        Made::good(format!("{make} {model}, calibrated {calibrated}."))
    } else {
        let next =
            "Repeat this step with what is on its certificate: a reading is worth what its instrument is.";
        Made::open(format!("{make}: {why}."), next)
    };
    made.facts(vec![Fact::Instrument([make, model, serial, calibrated])])
}

/// The main fuse.
pub(super) fn fuse(home: &Home) -> Form {
    let rating = home.supply.rating_a;
    let questions = vec![
        Question::new(
            "fuse.rating",
            "Rating of the main fuse or cut-out",
            Ask::Number { unit: "A", low: 5.0, high: 1000.0, optional: false },
        ),
        Question::new(
            "fuse.known-by",
            "How is that known?",
            Ask::Choice(vec!["printed on its carrier", "told by the network operator", "assumed"]),
        ),
    ];
    Form::new(questions, move |_, a| {
        let (amps, by) = (number(a, 0).unwrap_or(0.0), words(a, 1));
        let facts = vec![Fact::Fuse(amps, by.clone())];
        let made = if amps < rating {
            let why = format!("The fuse is rated {amps} A, and the home file says {rating} A.");
            Made::wrong(why, format!("Write `rating_a = {amps}` below [supply] in the home file."))
        } else if by == "assumed" {
            Made::open("The rating is only assumed.", "Ask the network operator, who owns it.")
        } else {
            Made::good(format!("{amps} A, {by}; the home file holds the home to {rating} A."))
        };
        made.read("main fuse", amps, "A").facts(facts)
    })
}

/// Opening readings of the supply meter.
pub(super) fn registers() -> Form {
    let kwh = |optional| Ask::Number { unit: "kWh", low: 0.0, high: 1e9, optional };
    let questions = vec![
        Question::new("registers.import", "The supply meter's import register", kwh(false)),
        Question::new("registers.export", "Its export register (Enter where it has none)", kwh(true)),
        Question::new("registers.solar", "The generation meter (Enter where there is none)", kwh(true)),
    ];
    Form::new(questions, |_, a| {
        let all = ["import", "export", "generation"];
        let read: Vec<(&'static str, f64)> =
            all.into_iter().enumerate().filter_map(|(i, n)| Some((n, number(a, i)?))).collect();
        let facts = read.iter().map(|(n, v)| Fact::Register(n, *v)).collect();
        let mut made = Made::good(format!("{} read.", count(read.len(), "register"))).facts(facts);
        for (name, value) in read {
            made = made.read(name, value, "kWh");
        }
        made
    })
}

/// Whom to call, and how each load is worked by hand.
pub(super) fn contacts(home: &Home) -> Form {
    let mut questions = vec![
        text("contacts.installer", "Whom does the household call about this installation?"),
        text("contacts.installer-telephone", "Telephone"),
        optional("contacts.network", "Network operator (power cut)"),
        optional("contacts.network-telephone", "Telephone"),
    ];
    let loads: Vec<String> = home.loads.iter().map(|l| l.id.clone()).collect();
    questions.extend(home.loads.iter().map(|l| {
        let what = if matches!(l.send, SendAs::OnOff { .. }) { "switched" } else { "worked" };
        text(
            &format!("contacts.by-hand.{}", l.id),
            &format!("How is {} {what} by hand, at the device?", l.name),
        )
    }));
    Form::new(questions, move |_, a| {
        let mut facts = vec![Fact::Contact("installer".to_owned(), words(a, 0), words(a, 1))];
        if let Some(name) = some_words(a, 2) {
            facts.push(Fact::Contact("network operator (power cut)".to_owned(), name, words(a, 3)));
        }
        facts.extend(loads.iter().enumerate().map(|(i, l)| Fact::ByHand(l.clone(), words(a, 4 + i))));
        Made::good("Written down.").facts(facts)
    })
}

/// What only eyes can tell of a point's clamp.
pub(super) fn clamp(id: &str) -> Form {
    let key = |what: &str| format!("clamp.{id}.{what}");
    let questions = vec![
        Question::new(
            key("conductor"),
            "Which conductor is in the jaw?",
            Ask::Choice(vec!["line", "neutral", "none"]),
        ),
        optional(
            &key("ratio"),
            "Ratio as printed, such as 100 A : 50 mA (Enter for a meter without a clamp)",
        ),
    ];
    let id = id.to_owned();
    Form::new(questions, move |_, a| {
        let conductor = words(a, 0);
        let said = if conductor == "none" {
            "No clamp: wired through.".to_owned()
        } else {
            format!("On the {conductor}.")
        };
        let fact = Fact::Clamp { point: id.clone(), conductor, ratio: some_words(a, 1) };
        Made::good(said).facts(vec![fact])
    })
}

//! A test file into tests: every mistake is told in one pass, each at its place.

use std::path::Path;

use overspill_rules::home::{Home, LoadId};
use overspill_rules::tariff::Side;
use overspill_rules::time::{Span, WallTime};

use super::case::{Before, Case, Expect, Given, GivenLoad, Person, Wanted, When};
use super::moments;
use super::series::Series;
use super::table::{REMEMBERED, ROOT};
use crate::config::block::{At, Block, Place};
use crate::config::form::Key;
use crate::config::nearest::nearest;
use crate::config::{Diagnostics, syntax, walk};

/// What a test file is read against.
#[derive(Clone, Copy)]
pub(crate) struct Names<'a> {
    pub(crate) home: &'a Home,
    /// The names of the home's rules.
    pub(crate) rules: &'a [String],
}

/// Reads the text of a test file that stands at `path`.
///
/// # Errors
/// Every mistake.
pub(crate) fn read(text: &str, path: &Path, names: Names<'_>) -> Result<Vec<Case>, Diagnostics> {
    let file = path.display().to_string();
    let mut found = Diagnostics::new(file.clone(), text);
    let tree = syntax::parse(text, &mut found);
    let root = walk::walk(&tree, ROOT, &mut found);
    let stem = path.file_name().and_then(|n| n.to_str()).unwrap_or_default();
    let stem = stem.strip_suffix(ENDING).unwrap_or(stem);
    let mut cases = Vec::new();
    for (id, block) in root.named("test") {
        let line = found.line_column(id.place.start).0;
        let mut reader = Reader { names, text, found: &mut found };
        if let Some(mut case) = reader.case(block) {
            (case.name, case.file, case.line) = (format!("{stem}/{}", id.value), file.clone(), line);
            cases.push(case);
        }
    }
    found.sort();
    if found.errors() == 0 { Ok(cases) } else { Err(found) }
}

/// What the names of test files end with.
pub(crate) const ENDING: &str = ".test.toml";

pub(super) struct Reader<'r> {
    pub(super) names: Names<'r>,
    text: &'r str,
    pub(super) found: &'r mut Diagnostics,
}

impl Reader<'_> {
    fn case(&mut self, block: &Block) -> Option<Case> {
        let zone = &self.names.home.timezone;
        let start = match moments::start(block.text("start")?, zone) {
            Ok(start) => start,
            Err(why) => {
                self.found.error("bad-time", block.place("start"), why);
                return None;
            }
        };
        let given = self.given(block);
        let expect: Vec<Expect> =
            block.blocks("expect").iter().filter_map(|b| self.expect(b, start)).collect();
        let people: Vec<Person> =
            block.blocks("people").iter().filter_map(|b| self.person(b, start)).collect();
        if block.is_written("expect") && block.blocks("expect").is_empty() && !block.is_broken("expect") {
            self.found
                .error("no-expectation", block.place("expect"), format!("`[{}]` expects nothing", block.name))
                .help("a test that expects nothing can't fail; say what must be seen");
        }
        let last = expect.iter().map(|e| e.when.ends().1).max().unwrap_or_default();
        let lasts = block.duration("lasts").unwrap_or((last + Span::seconds(1)).max(Span::seconds(1)));
        self.within(block, lasts, last);
        Some(Case {
            name: String::new(),
            about: block.text("about").map(str::to_owned),
            file: String::new(),
            line: 0,
            start,
            lasts,
            clock_unset_for: block.duration("clock_unset_for").unwrap_or_default(),
            nothing_else: block.flag("nothing_else").unwrap_or(false),
            given,
            people,
            expect,
        })
    }

    fn within(&mut self, block: &Block, lasts: Span, last: Span) {
        if last > lasts {
            self.found
                .error("after-the-end", block.place("lasts"), format!("`[{}]` ends too early", block.name))
                .label(format!("an expectation looks at {last} after the start"))
                .help("a time of day is the next time that the clock shows it; let the test last longer");
        } else if lasts > super::table::LONGEST {
            self.found
                .error("too-long", block.place("start"), format!("`[{}]` lasts {lasts}", block.name))
                .help(format!("a test lasts {} at most", super::table::LONGEST));
        }
    }

    fn given(&mut self, block: &Block) -> Given {
        let mut given = Given::default();
        let home = self.names.home;
        for (name, value) in block.series("given") {
            let Some(series) = self.series(value) else { continue };
            if name.value == "base" {
                self.not_metered(&series, value);
                given.base = Some(series);
            } else if let Some(side) = listed_price(&name.value) {
                self.not_metered(&series, value);
                self.has_a_list(side, name);
                match side {
                    Side::Import => given.import_price = Some(series),
                    Side::Export => given.export_price = Some(series),
                }
            } else if let Some(point) = home.point_named(&name.value) {
                if can_not_be_metered(home, point) {
                    self.not_metered(&series, value);
                }
                given.points.push((point, series));
            } else if let Some(input) = home.input_named(&name.value) {
                self.not_metered(&series, value);
                given.inputs.push((input, series));
            } else {
                let points = home.points.iter().map(|p| p.id.as_str());
                let known = points.chain(home.inputs.iter().map(|i| i.id.as_str())).chain(["base"]);
                self.unknown("point or input", name, known.collect());
            }
        }
        given.island = self.one_series(block, "island");
        for (name, inner) in block.named("load") {
            if let Some(load) = self.load(name) {
                given.loads.push((load, self.given_load(inner)));
            }
        }
        given
    }

    fn given_load(&mut self, block: &Block) -> GivenLoad {
        GivenLoad {
            plugged: self.one_series(block, "plugged"),
            ready: self.one_series(block, "ready"),
            takes: self.one_series(block, "takes"),
            before: block.block("before").and_then(|b| self.before(b)),
            tank: None,
        }
    }

    fn before(&mut self, block: &Block) -> Option<Before> {
        let (kwh, run_time) = (block.number("kwh")?, block.duration("run_time")?);
        let ended = block.duration("ended")?;
        if run_time + ended > REMEMBERED {
            self.found
                .error("too-long", block.header.clone(), "nobody remembers what was so long ago")
                .label(format!("it began {} before the start", run_time + ended))
                .help(format!("what a load took is known for {REMEMBERED}"));
            return None;
        }
        Some(Before { kwh, run_time, ended })
    }

    fn one_series(&mut self, block: &Block, key: &str) -> Option<Series> {
        let value = At { value: block.text(key)?.to_owned(), place: block.place(key) };
        let series = self.series(&value)?;
        self.not_metered(&series, &value);
        Some(series)
    }

    fn series(&mut self, value: &At<String>) -> Option<Series> {
        match Series::parse(&value.value) {
            Ok(series) => Some(series),
            Err(why) => {
                let place = self.inside(&value.place, why.place);
                self.found.error("bad-series", place, why.message).help(
                    "parts stand in a row, such as \"500 for 10m, ramp 500..3000 over 1h, silent for 5m\"",
                );
                None
            }
        }
    }

    fn not_metered(&mut self, series: &Series, value: &At<String>) {
        if series.is_ever_metered() {
            self.found
                .error("bad-series", value.place.clone(), "nothing in the home makes this")
                .label("`metered` needs a meter")
                .help("write what it is; `metered` is for points of the grid, the house and loads");
        }
    }

    /// The place within a quoted text; the whole text where that can't be told.
    fn inside(&self, whole: &Place, part: Place) -> Place {
        let written = self.text.get(whole.clone()).unwrap_or_default();
        let plain = (written.starts_with('"') || written.starts_with('\'')) && !written.contains('\\');
        let quoted = plain && !written.starts_with("\"\"\"") && !written.starts_with("'''");
        match quoted {
            true => whole.start + 1 + part.start..whole.start + 1 + part.end,
            false => whole.clone(),
        }
    }

    fn load(&mut self, name: &At<String>) -> Option<LoadId> {
        let found = self.names.home.load_named(&name.value);
        if found.is_none() {
            let known = self.names.home.loads.iter().map(|l| l.id.as_str()).collect();
            self.unknown("load", name, known);
        }
        found
    }

    pub(super) fn load_in(&mut self, block: &Block) -> Option<LoadId> {
        let name = At { value: block.text("load")?.to_owned(), place: block.place("load") };
        self.load(&name)
    }

    pub(super) fn unknown(&mut self, what: &str, name: &At<String>, known: Vec<&str>) {
        let message = format!("the home has no {what} `{}`", name.value);
        let d = self.found.error("unknown-name", name.place.clone(), message);
        match nearest(&name.value, known.iter().copied()) {
            Some(near) => d.label(format!("did you mean `{near}`?")),
            None => d.label("unknown").help(format!("there is {}", known.join(", "))),
        };
    }

    pub(super) fn moment(&mut self, block: &Block, key: &str, start: WallTime) -> Option<Span> {
        match moments::after_start(block.text(key)?, start, &self.names.home.timezone) {
            Ok(at) => Some(at),
            Err(why) => {
                self.found.error("bad-time", block.place(key), why);
                None
            }
        }
    }

    /// Prices are given only where the home takes them from a list: else the test would show what never comes.
    fn has_a_list(&mut self, side: Side, name: &At<String>) {
        if !self.names.home.tariff.as_ref().is_some_and(|t| t.is_listed(side)) {
            self.found
                .error("no-price-list", name.place.clone(), "the home's prices don't come by a list")
                .label("nothing takes this")
                .help("leave it out: the prices of [tariff] hold in tests as well");
        }
    }

    fn expect(&mut self, block: &Block, start: WallTime) -> Option<Expect> {
        let when = self.when(block, start);
        let load = self.load_in(block);
        let wants = self.wants(block);
        self.fits(block, when?, &wants).then_some(())?;
        let line = self.found.line_column(block.header.start).0;
        Some(Expect { line, when: when?, load, wants })
    }

    fn when(&mut self, block: &Block, start: WallTime) -> Option<When> {
        let written = ["at", "from", "until"].map(|key| block.is_written(key));
        match written {
            [true, false, false] => self.moment(block, "at", start).map(When::At),
            [false, true, true] => {
                let (from, until) = (self.moment(block, "from", start)?, self.moment(block, "until", start)?);
                if from < until {
                    return Some(When::During(from, until));
                }
                self.found.error("bad-time", block.place("until"), "this is not after `from`").help(
                    "a time of day is the next time that the clock shows it after the start of the test",
                );
                None
            }
            _ => {
                self.found
                    .error("bad-time", block.header.clone(), "it is not said when to look")
                    .help("write `at` for one moment, or `from` and `until` for all the time between");
                None
            }
        }
    }

    fn wants(&mut self, block: &Block) -> Vec<Wanted> {
        let range = |key: &str| block.range(key);
        let none = |text: &str| (text != "none").then(|| text.to_owned());
        let rule = block.text("rule").map(none);
        if let Some(Some(name)) = &rule
            && !self.names.rules.contains(name)
        {
            let name = At { value: name.clone(), place: block.place("rule") };
            self.unknown("rule", &name, self.names.rules.iter().map(String::as_str).collect());
        }
        let wants = [
            block.flag("on").map(Wanted::On),
            range("watts").map(|(a, b)| Wanted::Watts(a, b)),
            range("amps").map(|(a, b)| Wanted::Amps(a, b)),
            range("draws").map(|(a, b)| Wanted::Draws(a, b)),
            rule.map(Wanted::Rule),
            block.text("limited_by").map(|l| Wanted::LimitedBy(none(l))),
            block.text("reason").map(|r| Wanted::Reason(r.to_owned())),
            range("starts").map(|(a, b)| Wanted::Starts(a, b)),
            range("stops").map(|(a, b)| Wanted::Stops(a, b)),
            range("changes").map(|(a, b)| Wanted::Changes(a, b)),
            range("kwh").map(|(a, b)| Wanted::Kwh(a, b)),
            block.text("notice").map(|code| Wanted::Notice {
                code: code.to_owned(),
                text: block.text("text").map(str::to_owned),
            }),
        ];
        wants.into_iter().flatten().collect()
    }

    /// Whether what is wanted fits with when and of what.
    fn fits(&mut self, block: &Block, when: When, wants: &[Wanted]) -> bool {
        let keys: &'static [Key] = block.keys;
        let before = self.found.errors();
        if wants.is_empty() && !block.has_broken() {
            let known: Vec<&str> = keys.iter().skip(4).map(|k| k.name).collect();
            self.found
                .error("no-expectation", block.header.clone(), "nothing is expected here")
                .help(format!("write what must be seen: {}", known.join(", ")));
        }
        for want in wants {
            let place = block.key_place(want.key());
            if want.is_of_a_time() && matches!(when, When::At(_)) {
                self.found
                    .error(
                        "bad-time",
                        place.clone(),
                        format!("`{}` is about a time, not about a moment", want.key()),
                    )
                    .help("write `from` and `until` instead of `at`");
            }
            if want.is_of_a_load() && !block.is_written("load") {
                self.found
                    .error("missing-key", place, format!("`{}` is about a load", want.key()))
                    .help("write `load = \"NAME\"` beside it");
            }
        }
        if block.is_written("text") && !block.is_written("notice") {
            self.found
                .error("missing-key", block.key_place("text"), "`text` is a part of a notice's text")
                .help("write `notice = \"CODE\"` beside it; the reason of a load is `reason`");
        }
        self.found.errors() == before
    }
}

/// What a name in `given` says of prices.
fn listed_price(name: &str) -> Option<Side> {
    match name {
        "import_price" => Some(Side::Import),
        "export_price" => Some(Side::Export),
        _ => None,
    }
}

/// Whether nothing in the made-up home makes what this point measures: a roof and a battery are given, not made.
fn can_not_be_metered(home: &Home, point: overspill_rules::home::PointId) -> bool {
    use overspill_rules::home::Measures;
    matches!(home.point(point).measures, Measures::Solar | Measures::Battery)
}

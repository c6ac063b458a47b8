//! A home in a folder of its own, and the program run on it.

use std::path::{Path, PathBuf};
use std::process::{Command, Output};

use overspill::store::StoreReader;
use overspill_rules::time::WallTime;

/// All time that a test can mean.
pub(crate) const EVER: (WallTime, WallTime) = (WallTime(0), WallTime(4_000_000_000_000));

pub(crate) struct Place {
    folder: tempfile::TempDir,
}

impl Place {
    /// A home with these points, each `(id, what it measures)`, in watts and the program's own signs.
    pub(crate) fn new(zone: &str, points: &[(&str, &str)]) -> Place {
        let each = points.iter().map(|(id, measures)| {
            let positive = match *measures {
                "grid" => "positive = \"import\"\n",
                "battery" => "positive = \"discharge\"\n",
                _ => "",
            };
            format!(
                "[point.{id}]\nmeasures = \"{measures}\"\ntopic = \"meter/{id}\"\nunit = \"W\"\n{positive}interval = \"10s\"\n"
            )
        });
        Place::with(zone, &each.collect::<String>())
    }

    /// A home with this text after the sections that every home has.
    pub(crate) fn with(zone: &str, rest: &str) -> Place {
        let place = Place { folder: tempfile::tempdir().unwrap() };
        let head = format!(
            "[home]\nid = \"wren\"\nname = \"Wren Cottage\"\ntimezone = \"{zone}\"\n\n\
             [supply]\nphases = 1\nvolts = 230\nrating_a = 60\n\n\
             [mqtt]\nurl = \"mqtt://127.0.0.1:1883\"\n\n"
        );
        place.write("home.toml", &format!("{head}{rest}"));
        std::fs::create_dir_all(place.path("rules")).unwrap();
        place
    }

    pub(crate) fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    pub(crate) fn write(&self, name: &str, text: &str) {
        std::fs::write(self.path(name), text).unwrap();
    }

    /// Runs the program in the home's folder, so that what it prints names no folder.
    pub(crate) fn run(&self, args: &[&str]) -> Ran {
        let output = Command::new(env!("CARGO_BIN_EXE_overspill"))
            .args(args)
            .current_dir(self.folder.path())
            .output()
            .unwrap();
        Ran(output)
    }

    /// Runs the program and wants it to succeed; gives what it printed.
    pub(crate) fn done(&self, args: &[&str]) -> String {
        let ran = self.run(args);
        assert_eq!(ran.code(), 0, "{}{}", ran.out(), ran.err());
        ran.out()
    }

    pub(crate) fn reader(&self) -> StoreReader {
        StoreReader::open_read_only(&self.path("wren.db")).unwrap()
    }

    /// Energy and coverage of a flow in all.
    pub(crate) fn total(&self, flow: &str) -> (f64, f64) {
        let rows = self.reader().half_hours(EVER.0, EVER.1).unwrap();
        let of_flow = rows.iter().filter(|r| r.flow == flow);
        of_flow.fold((0.0, 0.0), |sum, r| (sum.0 + r.kwh, sum.1 + r.covered_s))
    }
}

pub(crate) struct Ran(Output);

impl Ran {
    pub(crate) fn code(&self) -> i32 {
        self.0.status.code().unwrap()
    }

    pub(crate) fn out(&self) -> String {
        String::from_utf8(self.0.stdout.clone()).unwrap()
    }

    pub(crate) fn err(&self) -> String {
        String::from_utf8(self.0.stderr.clone()).unwrap()
    }
}

/// A file among the tests' data.
pub(crate) fn data(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../tests/data").join(name)
}

pub(crate) fn near(found: f64, wanted: f64, what: &str) {
    assert!((found - wanted).abs() < 1e-6, "{what}: {found}, not {wanted}");
}

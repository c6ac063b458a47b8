//! What a process did to its files, as `strace` writes it down.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::process::Command;

/// One thing that reached the system, in order.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum Deed {
    Write {
        file: PathBuf,
        at: usize,
        bytes: Vec<u8>,
    },
    Truncate {
        file: PathBuf,
        to: usize,
    },
    Sync {
        file: PathBuf,
    },
    Remove {
        file: PathBuf,
    },
    /// A line on the standard output.
    Told(String),
}

/// Runs `program` under `strace` and gives its deeds on files below `folder`, and what it told.
pub(super) fn trace(program: &str, args: &[&str], folder: &Path) -> Vec<Deed> {
    let log = folder.join("trace.txt");
    let calls = "trace=write,pwrite64,lseek,fsync,fdatasync,ftruncate,unlink,openat,rename,renameat,pwritev";
    let status = Command::new("strace")
        .args(["-f", "-y", "-xx", "-s", "2000000", "-e", calls, "-e", "signal=none", "-o"])
        .arg(&log)
        .arg(program)
        .args(args)
        .stdout(std::process::Stdio::null())
        .status()
        .expect("strace can be started (tests/all.sh installs it)");
    assert!(status.success(), "the writer under strace ended with {status}");
    let text = std::fs::read_to_string(&log).unwrap();
    let mut reader = Reader { folder: folder.to_owned(), ..Reader::default() };
    text.lines().for_each(|line| reader.line(line));
    assert!(reader.open.is_empty(), "every call was answered");
    reader.deeds
}

/// Puts together calls that `strace` tells in two parts, since another thread came between.
#[derive(Default)]
struct Reader {
    folder: PathBuf,
    open: BTreeMap<String, String>,
    places: BTreeMap<String, usize>,
    deeds: Vec<Deed>,
}

impl Reader {
    fn line(&mut self, line: &str) {
        let (process, rest) = line.split_once(' ').unwrap();
        let rest = rest.trim_start();
        if let Some(begun) = rest.strip_suffix(" <unfinished ...>") {
            self.open.insert(process.to_owned(), begun.to_owned());
        } else if rest.starts_with("+++ ") {
            // The end of the program cuts off what another of its threads was about. Whether that still took effect is
            // not known, and nothing was promised of it: left out, it is one of the states a cut may leave.
            self.open.remove(process);
        } else if let Some(resumed) = rest.strip_prefix("<... ") {
            let (_, end) = resumed.split_once(" resumed>").unwrap();
            let begun = self.open.remove(process).unwrap();
            self.call(&format!("{begun}{end}"));
        } else {
            self.call(rest);
        }
    }

    fn call(&mut self, call: &str) {
        let Some((name, rest)) = call.split_once('(') else { return };
        let Some((args, result)) = rest.rsplit_once(')') else { return };
        let Some(result) = result.trim().strip_prefix("= ").filter(|r| *r != "?") else { return };
        let result: i64 =
            result.split(|c: char| !c.is_ascii_digit() && c != '-').next().unwrap().parse().unwrap();
        if name == "unlink" && result == 0 {
            let file = PathBuf::from(text(args));
            if file.starts_with(&self.folder) {
                self.deeds.push(Deed::Remove { file });
            }
            return;
        }
        assert!(!name.starts_with("rename") || result != 0, "a rename is not known to this test");
        // A descriptor is told with its path: 3</path>.
        let Some((descriptor, rest)) = args.split_once('<') else { return };
        let Some((path, rest)) = rest.split_once('>') else { return };
        if descriptor == "1" && name == "write" {
            return self.deeds.push(Deed::Told(text(rest.trim_start_matches(", "))));
        }
        let file = PathBuf::from(plain(path));
        // The lock and the index of the log are no part of what must survive.
        let shared = file.to_string_lossy().ends_with("-shm") || file.to_string_lossy().ends_with(".lock");
        if !file.starts_with(&self.folder) || shared || result < 0 {
            return;
        }
        let numbers: Vec<&str> = rest.rsplit(", ").collect();
        match name {
            "pwrite64" => {
                let at = numbers[0].parse().unwrap();
                self.write(file, at, rest, result);
            }
            "write" => {
                let at = self.places.get(descriptor).copied().unwrap_or(0);
                self.places.insert(descriptor.to_owned(), at + result as usize);
                self.write(file, at, rest, result);
            }
            "lseek" => {
                self.places.insert(descriptor.to_owned(), result as usize);
            }
            "ftruncate" => self.deeds.push(Deed::Truncate { file, to: numbers[0].parse().unwrap() }),
            "fsync" | "fdatasync" => self.deeds.push(Deed::Sync { file }),
            "openat" => {}
            other => panic!("{other} is not known to this test"),
        }
    }

    fn write(&mut self, file: PathBuf, at: usize, rest: &str, written: i64) {
        let bytes = bytes(rest.trim_start_matches(", "));
        assert_eq!(bytes.len() as i64, written, "a write is whole in the trace");
        self.deeds.push(Deed::Write { file, at, bytes });
    }
}

/// The first text in quotes, all of it as `\xNN`.
fn bytes(quoted: &str) -> Vec<u8> {
    let inside = quoted.strip_prefix('"').unwrap();
    let inside = &inside[..inside.find('"').unwrap()];
    inside.split("\\x").skip(1).map(|two| u8::from_str_radix(two, 16).unwrap()).collect()
}

fn text(quoted: &str) -> String {
    String::from_utf8(bytes(quoted)).unwrap()
}

/// A path beside a descriptor; some versions write it as it is, some as `\xNN`.
fn plain(path: &str) -> String {
    if path.contains("\\x") { text(&format!("\"{path}\"")) } else { path.to_owned() }
}

#[test]
fn a_call_that_the_end_of_the_program_cuts_off_is_left_out() {
    let mut reader = Reader { folder: "/f".into(), ..Reader::default() };
    for line in [
        r#"7  pwrite64(5</f/a>, "\x01"..., 1, 0 <unfinished ...>"#,
        r#"6  write(1</dev/null>, "\x6b", 1) = 1"#,
        "7  +++ exited with 0 +++",
        r#"8  fsync(5</f/a> <unfinished ...>"#,
        "8  <... fsync resumed>) = ?",
        "8  +++ exited with 0 +++",
        "6  +++ exited with 0 +++",
    ] {
        reader.line(line);
    }
    assert!(reader.open.is_empty());
    assert_eq!(reader.deeds, [Deed::Told("k".to_owned())]);
}

//! The files of the rules' folder: their names, and no way out of it.

use std::fmt;
use std::io::{self, Read};
use std::path::{Path, PathBuf};

use overspill_rules::limits::RULE_FILE_BYTES;
use sha2::{Digest, Sha256};

/// Letters of a name.
const NAME_CHARS: usize = 64;

/// Name of the library's folder within the rules' folder.
const LIBRARY: &str = "lib";

/// What a file of the rules' folder is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) enum Kind {
    /// A rule: `car.rhai`.
    Rule,
    /// A file that rules import: `lib/sums.rhai`.
    Library,
    /// Tests: `car.test.toml`.
    Test,
}

/// A file that the page may show and change, by its name. There is no name that leads out of the rules' folder.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) struct FileName {
    pub(crate) kind: Kind,
    /// Without its ending.
    pub(crate) name: String,
}

impl FileName {
    /// A file of this kind and name.
    ///
    /// # Errors
    /// What a name may hold.
    pub(crate) fn new(kind: Kind, name: &str) -> Result<FileName, String> {
        // With its ending another file would be meant: `car.rhai.rhai`.
        if name.ends_with(".rhai") || name.ends_with(".toml") {
            return Err(format!("write the name without its ending: not {name}"));
        }
        let plain = |c: char| c.is_ascii_alphanumeric() || matches!(c, '-' | '_' | '.');
        let good = !name.is_empty()
            && name.len() <= NAME_CHARS
            && name.chars().all(plain)
            && !name.starts_with('.')
            && !name.ends_with('.');
        match good {
            true => Ok(FileName { kind, name: name.to_owned() }),
            false => Err(format!(
                "a name has 1 to {NAME_CHARS} of the letters a to z, digits, `-`, `_` and, within it, `.`"
            )),
        }
    }

    /// Reads it as it stands in an address: `car`, `lib:sums`, `test:car`.
    ///
    /// # Errors
    /// What a name may hold.
    pub(crate) fn of_address(text: &str) -> Result<FileName, String> {
        match text.split_once(':') {
            Some(("lib", name)) => FileName::new(Kind::Library, name),
            Some(("test", name)) => FileName::new(Kind::Test, name),
            _ => FileName::new(Kind::Rule, text),
        }
    }

    /// As it stands in an address.
    pub(crate) fn address(&self) -> String {
        match self.kind {
            Kind::Rule => self.name.clone(),
            Kind::Library => format!("lib:{}", self.name),
            Kind::Test => format!("test:{}", self.name),
        }
    }

    /// Its place below the rules' folder: `car.rhai`, `lib/sums.rhai`, `car.test.toml`.
    pub(crate) fn path(&self) -> String {
        match self.kind {
            Kind::Rule => format!("{}.rhai", self.name),
            Kind::Library => format!("{LIBRARY}/{}.rhai", self.name),
            Kind::Test => format!("{}.test.toml", self.name),
        }
    }

    /// What it is, in a word.
    pub(crate) fn what(&self) -> &'static str {
        match self.kind {
            Kind::Rule => "rule",
            Kind::Library => "library file",
            Kind::Test => "test file",
        }
    }

    /// Whether it is a rule.
    pub(crate) fn is_rule(&self) -> bool {
        self.kind == Kind::Rule
    }

    /// Where it is on the disk.
    ///
    /// # Errors
    /// When it, or the library's folder, is a link or no plain file: a link may lead anywhere.
    pub(crate) fn place(&self, folder: &Path) -> Result<PathBuf, String> {
        let link = |path: &Path| std::fs::symlink_metadata(path).is_ok_and(|meta| meta.is_symlink());
        if self.kind == Kind::Library && link(&folder.join(LIBRARY)) {
            return Err(format!(
                "{LIBRARY} is a link; the page neither shows nor changes what a link leads to"
            ));
        }
        let path = folder.join(self.path());
        match std::fs::symlink_metadata(&path) {
            Ok(meta) if meta.is_symlink() => {
                Err(format!("{self} is a link; the page neither shows nor changes what a link leads to"))
            }
            Ok(meta) if !meta.is_file() => Err(format!("{self} is no file")),
            _ => Ok(path),
        }
    }

    /// What it holds; `None` where there is no such file.
    ///
    /// # Errors
    /// When it can't be read, is larger than a rule may be, or is reached by a link.
    pub(crate) fn read(&self, folder: &Path) -> Result<Option<Vec<u8>>, String> {
        let told = |why: &io::Error| format!("{self} can't be read: {why}");
        let file = match std::fs::File::open(self.place(folder)?) {
            Ok(file) => file,
            Err(why) if why.kind() == io::ErrorKind::NotFound => return Ok(None),
            Err(why) => return Err(told(&why)),
        };
        let mut bytes = Vec::new();
        file.take(RULE_FILE_BYTES as u64 + 1).read_to_end(&mut bytes).map_err(|why| told(&why))?;
        if bytes.len() > RULE_FILE_BYTES {
            return Err(format!("{self} has more than the {RULE_FILE_BYTES} bytes that a rule may have"));
        }
        Ok(Some(bytes))
    }
}

impl fmt::Display for FileName {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.path())
    }
}

/// What is in the rules' folder.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub(crate) struct Listed {
    /// Files that the page handles, by name.
    pub(crate) files: Vec<FileName>,
    /// Rules, tests and library files that it does not: their names hold other letters, or they are links.
    pub(crate) others: Vec<String>,
}

/// Looks through the rules' folder and its library. A folder that is not there holds nothing.
///
/// # Errors
/// When it can't be read.
pub(crate) fn list(folder: &Path) -> Result<Listed, String> {
    let mut listed = Listed::default();
    for in_library in [false, true] {
        let place = if in_library { folder.join(LIBRARY) } else { folder.to_owned() };
        let entries = match std::fs::read_dir(&place) {
            Ok(entries) => entries,
            Err(why) if why.kind() == io::ErrorKind::NotFound => continue,
            Err(why) => return Err(format!("the rules' folder can't be read: {why}")),
        };
        for entry in entries.filter_map(Result::ok) {
            let name = entry.file_name().to_string_lossy().into_owned();
            let (kind, stem) = match (name.strip_suffix(".rhai"), name.strip_suffix(".test.toml")) {
                (Some(stem), _) if in_library => (Kind::Library, stem),
                (Some(stem), _) => (Kind::Rule, stem),
                (None, Some(stem)) if !in_library => (Kind::Test, stem),
                _ => continue,
            };
            match FileName::new(kind, stem).ok().filter(|file| file.place(folder).is_ok()) {
                Some(file) => listed.files.push(file),
                None => listed.others.push(name),
            }
        }
    }
    listed.files.sort();
    listed.others.sort();
    Ok(listed)
}

/// The mark of a file that is not there.
pub(crate) const NO_FILE: &str = "none";

/// A mark of what a file holds, to see whether it is still what somebody began with.
pub(crate) fn mark(bytes: Option<&[u8]>) -> String {
    let Some(bytes) = bytes else { return NO_FILE.to_owned() };
    Sha256::digest(bytes).iter().take(16).map(|byte| format!("{byte:02x}")).collect()
}

/// Writes a file whole: beside its place, onto the disk, and then in one step into its place. Who may read it stays as it
/// was.
///
/// # Errors
/// Why it could not be written; the former file is still there then.
pub(crate) fn write(folder: &Path, file: &FileName, bytes: &[u8]) -> Result<(), String> {
    let path = file.place(folder)?;
    let staged = folder.join(format!("{}.new", file.path()));
    let write = || -> io::Result<()> {
        let parent = path.parent().unwrap_or(folder);
        std::fs::create_dir_all(parent)?;
        // Never through a link that somebody left there.
        drop(std::fs::remove_file(&staged));
        let mut new = std::fs::OpenOptions::new().write(true).create_new(true).open(&staged)?;
        io::Write::write_all(&mut new, bytes)?;
        if let Ok(former) = std::fs::metadata(&path) {
            std::fs::set_permissions(&staged, former.permissions())?;
        }
        new.sync_all()?;
        std::fs::rename(&staged, &path)?;
        // The renaming itself; a file system that can't do this has written all the same.
        drop(std::fs::File::open(parent).and_then(|folder| folder.sync_all()));
        Ok(())
    };
    write().map_err(|why| {
        drop(std::fs::remove_file(&staged));
        format!("{file} can't be written: {why}")
    })
}

/// Takes a file away.
///
/// # Errors
/// Why it could not be removed.
pub(crate) fn remove(folder: &Path, file: &FileName) -> Result<(), String> {
    std::fs::remove_file(file.place(folder)?).map_err(|why| format!("{file} can't be removed: {why}"))
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    #[test]
    fn no_name_leads_out_of_the_folder() {
        for bad in [
            "",
            ".",
            "..",
            "../car",
            "/etc/passwd",
            "a/b",
            "a\\b",
            "a\0b",
            ".hidden",
            "a ",
            "ä",
            "car.",
            "lib/x",
            "lib:../x",
            "test:/x",
            "lib:",
            "other:x",
            "%2e%2e",
        ] {
            assert!(FileName::of_address(bad).is_err(), "{bad:?}");
        }
        assert!(FileName::of_address(&"a".repeat(65)).is_err());
        for (good, path) in [
            ("car", "car.rhai"),
            ("lib:sums", "lib/sums.rhai"),
            ("test:car", "car.test.toml"),
            ("a..b", "a..b.rhai"),
        ] {
            let file = FileName::of_address(good).unwrap();
            assert_eq!((file.path().as_str(), file.address().as_str()), (path, good));
        }
    }

    #[cfg(unix)]
    #[test]
    fn links_are_neither_read_nor_written() {
        let home = tempfile::tempdir().unwrap();
        let folder = home.path().join("rules");
        std::fs::create_dir(&folder).unwrap();
        std::fs::write(home.path().join("secret"), "token").unwrap();
        std::fs::create_dir(home.path().join("elsewhere")).unwrap();
        std::fs::write(home.path().join("elsewhere/sums.rhai"), "token").unwrap();
        std::os::unix::fs::symlink(home.path().join("secret"), folder.join("car.rhai")).unwrap();
        std::os::unix::fs::symlink(home.path().join("elsewhere"), folder.join("lib")).unwrap();
        for address in ["car", "lib:sums"] {
            let file = FileName::of_address(address).unwrap();
            assert!(file.read(&folder).unwrap_err().contains("is a link"), "{address}");
            assert!(write(&folder, &file, b"x").unwrap_err().contains("is a link"), "{address}");
            assert!(remove(&folder, &file).is_err());
        }
        assert_eq!(std::fs::read_to_string(home.path().join("secret")).unwrap(), "token");
        let listed = list(&folder).unwrap();
        assert_eq!(
            (listed.files, listed.others),
            (Vec::new(), vec!["car.rhai".to_owned(), "sums.rhai".to_owned()])
        );

        // Nor through a link in the place where a new text is staged.
        let water = FileName::of_address("water").unwrap();
        std::os::unix::fs::symlink(home.path().join("secret"), folder.join("water.rhai.new")).unwrap();
        write(&folder, &water, b"new").unwrap();
        assert_eq!(std::fs::read_to_string(home.path().join("secret")).unwrap(), "token");
        assert_eq!(water.read(&folder).unwrap().unwrap(), b"new");
    }

    #[test]
    fn what_is_too_large_is_not_read() {
        let folder = tempfile::tempdir().unwrap();
        let file = FileName::of_address("car").unwrap();
        assert_eq!(file.read(folder.path()), Ok(None));
        std::fs::write(folder.path().join("car.rhai"), vec![b' '; RULE_FILE_BYTES]).unwrap();
        assert!(file.read(folder.path()).is_ok());
        std::fs::write(folder.path().join("car.rhai"), vec![b' '; RULE_FILE_BYTES + 1]).unwrap();
        assert!(file.read(folder.path()).unwrap_err().contains("more than"));
    }
}

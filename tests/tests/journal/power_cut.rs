//! What a power cut leaves behind, which a kill can't show: writes that were not synced may be missing, whole or in part.
//!
//! A writer runs under `strace`, which writes down each write and sync. The files are then made again as a disk may hold
//! them after a cut: of each file everything up to its last sync, and of the writes after that a random choice, each
//! torn at random into sectors of 512 bytes. (A file's name and the removal of a file count as done at once: SQLite
//! syncs the folder where it depends on it.)

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use overspill::store::StoreReader;
use overspill_tests::journal::fill::Dice;
use tempfile::tempdir;

use super::trace::{Deed, trace};
use super::{WRITER, readings};

/// Commits of the writer that is traced.
const COMMITS: &str = "120";

/// At each cut, the files are made so many times: with nothing, everything, and random parts of what was not synced.
const WAYS: u64 = 4;

const SECTOR: usize = 512;

/// A file: what is on the disk for certain, and what came after its last sync.
#[derive(Debug, Clone, Default)]
struct Kept {
    sure: Vec<u8>,
    pending: Vec<Pending>,
}

#[derive(Debug, Clone)]
enum Pending {
    Write(usize, Vec<u8>),
    Truncate(usize),
}

impl Pending {
    /// Does it to `file`; a write only in those sectors that `wanted` says.
    fn apply(&self, file: &mut Vec<u8>, mut wanted: impl FnMut() -> bool) {
        match self {
            Pending::Truncate(to) => {
                if wanted() {
                    file.resize(*to, 0);
                }
            }
            Pending::Write(at, bytes) => {
                let mut from = 0;
                while from < bytes.len() {
                    // Sectors are those of the disk, not of the write.
                    let sector_ends = (at + from) / SECTOR * SECTOR + SECTOR;
                    let to = bytes.len().min(sector_ends - at);
                    if wanted() {
                        let end = at + to;
                        if file.len() < end {
                            file.resize(end, 0);
                        }
                        file[at + from..end].copy_from_slice(&bytes[from..to]);
                    }
                    from = to;
                }
            }
        }
    }
}

impl Kept {
    fn sync(&mut self) {
        for pending in std::mem::take(&mut self.pending) {
            pending.apply(&mut self.sure, || true);
        }
    }

    fn after_the_cut(&self, way: u64, dice: &mut Dice) -> Vec<u8> {
        let mut file = self.sure.clone();
        for pending in &self.pending {
            match way {
                0 => {}
                1 => pending.apply(&mut file, || true),
                _ => {
                    // Some writes not at all, some whole, some in part.
                    let share = dice.bits() % 3;
                    pending.apply(&mut file, || share == 1 || share == 2 && dice.bits().is_multiple_of(2));
                }
            }
        }
        file
    }
}

#[test]
fn a_power_cut_loses_nothing_committed_and_corrupts_nothing() {
    let folder = tempdir().unwrap();
    let path = folder.path().join("wren.db");
    let deeds = trace(WRITER, &[path.to_str().unwrap(), "0", COMMITS], folder.path());
    let syncs = deeds.iter().filter(|d| matches!(d, Deed::Sync { .. })).count();
    let mut files: BTreeMap<PathBuf, Kept> = BTreeMap::new();
    let (mut told, mut cuts, mut sealed) = (-1, 0, 0);
    let mut dice = Dice(5);
    for deed in &deeds {
        // The power fails just before this.
        if matches!(deed, Deed::Sync { .. } | Deed::Told(_)) {
            for way in 0..WAYS {
                cuts += 1;
                sealed = sealed.max(check(&files, told, way, &mut dice));
            }
        }
        match deed {
            Deed::Write { file, at, bytes } => {
                let pending = Pending::Write(*at, bytes.clone());
                files.entry(file.clone()).or_default().pending.push(pending);
            }
            Deed::Truncate { file, to } => {
                files.entry(file.clone()).or_default().pending.push(Pending::Truncate(*to));
            }
            Deed::Sync { file } => files.entry(file.clone()).or_default().sync(),
            Deed::Remove { file } => {
                files.remove(file);
            }
            Deed::Told(line) => told = line.trim().strip_prefix("kept ").unwrap().parse().unwrap(),
        }
    }
    println!("{syncs} syncs, {cuts} cuts, {told} readings told as kept, {sealed} stretches at most");
    assert!(syncs > 120 && told > 10_000 && sealed > 0, "{syncs} {told} {sealed}");
    let main = deeds.iter().filter(|d| matches!(d, Deed::Write { file, .. } if *file == path)).count();
    assert!(main > 100, "the log was copied into the file several times: {main} writes");
}

/// Makes the files as they may be after a cut, and opens them. Gives how many stretches are sealed in them.
fn check(files: &BTreeMap<PathBuf, Kept>, told: i64, way: u64, dice: &mut Dice) -> u64 {
    let folder = tempdir().unwrap();
    for (path, kept) in files {
        let name = path.file_name().unwrap();
        std::fs::write(folder.path().join(name), kept.after_the_cut(way, dice)).unwrap();
    }
    let path = folder.path().join("wren.db");
    let Some(journal) = ready(&path) else {
        assert_eq!(told, -1, "only a file that was never ready can't be opened");
        return 0;
    };
    let stretches = journal.inventory().unwrap().stretches;
    drop(journal);
    let held = readings(&path);
    assert!(held > told, "{held} readings, of {told} told as kept");
    stretches
}

/// `None` for a file that was not ready yet.
fn ready(path: &Path) -> Option<StoreReader> {
    if path.exists() { StoreReader::open_read_only(path).ok() } else { None }
}

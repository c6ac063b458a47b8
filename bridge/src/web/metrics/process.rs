//! What the process takes of the computer, under the names that the format's documentation gives ("Writing client
//! libraries", process metrics). Told where the system has /proc.

use super::exposition::{Exposition, Kind};

/// /proc/self/status tells memory in kB, which are 1024 bytes each (proc_pid_status(5)).
const KIB: f64 = 1024.0;

pub(super) fn tell(out: &mut Exposition) {
    let status = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    for (name, line, help) in [
        ("process_resident_memory_bytes", "VmRSS:", "Memory of the process in the computer's memory."),
        ("process_virtual_memory_bytes", "VmSize:", "Address space of the process."),
    ] {
        if let Some(kib) = number(&status, line) {
            out.family(name, Kind::Gauge, help).sample(&[], kib * KIB);
        }
    }
    if let Some(threads) = number(&status, "Threads:") {
        out.family("process_threads", Kind::Gauge, "Threads of the process.").sample(&[], threads);
    }
    if let Ok(open) = std::fs::read_dir("/proc/self/fd") {
        // The folder itself is open while it is read.
        let files = open.count().saturating_sub(1);
        out.family("process_open_fds", Kind::Gauge, "Open files and connections of the process.")
            .sample(&[], files as f64);
    }
}

fn number(status: &str, line: &str) -> Option<f64> {
    status.lines().find_map(|l| l.strip_prefix(line))?.split_whitespace().next()?.parse().ok()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn memory_is_told_in_bytes() {
        assert_eq!(number("VmPeak:\t 10 kB\nVmRSS:\t  2048 kB\n", "VmRSS:"), Some(2048.0));
        assert_eq!(number("", "VmRSS:"), None);
    }
}

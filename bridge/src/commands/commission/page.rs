//! The commissioning with its page.

use std::net::SocketAddr;

use super::{Args, Files, issue, paper, printer, typed_lines};
use crate::cli::Outcome;
use crate::commands::run::asked_to_end;
use crate::commission::{Attended, attend};
use crate::daemon::HomeClock;

/// Where the page is without an address.
pub(super) const USUAL: &str = "127.0.0.1:8181";

/// An address to listen at; a port alone is one of this computer alone.
pub(super) fn address(text: &str) -> Result<SocketAddr, String> {
    let alone = text.parse::<u16>().map(|port| SocketAddr::from(([127, 0, 0, 1], port)));
    let why = "write an address with its port, such as 127.0.0.1:8181 for this computer alone or 0.0.0.0:8181 for a phone in the same network";
    alone.or_else(|_| text.parse()).map_err(|_| why.to_owned())
}

/// Goes through the procedure with a page at `listen`, until Ctrl-C; then the sheet is issued.
pub(super) fn by_page(args: &Args, files: &Files, listen: SocketAddr) -> Result<Outcome, String> {
    let format = args.format;
    let (paper, clock) = (paper(format), HomeClock::real());
    let attended = Attended {
        home: files.home.clone(),
        record: files.record.clone(),
        sheet: files.sheet.clone(),
        listen,
        clock,
        paper,
        print: printer(format),
        lines: typed_lines(),
        only: args.step.clone(),
    };
    let runtime = tokio::runtime::Runtime::new().map_err(|why| format!("no threads to run on: {why}"))?;
    let ended = runtime.block_on(attend(attended, asked_to_end()));
    // A thread may still wait for a line of the terminal.
    runtime.shutdown_background();
    let (ended, config) = ended.map_err(|why| why.to_string())?;
    issue(format, &config, files, ended.record, (paper, clock.wall()))
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::address;

    #[test]
    fn an_address_has_a_port_and_a_port_alone_is_of_this_computer() {
        assert_eq!(address("8181").unwrap().to_string(), "127.0.0.1:8181");
        assert_eq!(address("0.0.0.0:80").unwrap().to_string(), "0.0.0.0:80");
        assert_eq!(address("[::1]:80").unwrap().to_string(), "[::1]:80");
        for wrong in ["home.toml", "localhost:80", "1.2.3.4", "99999"] {
            assert!(address(wrong).unwrap_err().contains("0.0.0.0:8181"), "{wrong}");
        }
    }
}

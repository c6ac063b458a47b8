//! The program `overspill`.

use std::process::ExitCode;

fn main() -> ExitCode {
    overspill::cli::main()
}

//! The `overwinter` program.

use std::process::ExitCode;

fn main() -> ExitCode {
    overwinter::cli::main()
}

//! The program, for tests to kill.

use std::process::ExitCode;

fn main() -> ExitCode {
    drupeline::command::run()
}

//! The program `drupeline`.

use std::process::ExitCode;

fn main() -> ExitCode {
    drupeline::command::run()
}

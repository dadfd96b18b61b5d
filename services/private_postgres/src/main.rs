//! Runs a private PostgreSQL server on a folder until its standard input ends or it is killed:
//! a scratch server for developers, and a parent that tests can kill.
//!
//! `private-postgres DATA_DIR` prints the server's process id and the superuser's URL.

use std::error::Error;
use std::io::{self, Read, Write};

use private_postgres::{Options, PrivatePostgres, binaries_from_environment};

fn main() -> Result<(), Box<dyn Error>> {
    let data_dir = std::env::args_os()
        .nth(1)
        .ok_or("usage: private-postgres DATA_DIR")?;
    let options = Options {
        binaries: binaries_from_environment(),
        ..Options::lasting(data_dir)
    };
    let server = PrivatePostgres::start(options).map_err(|error| error.to_string())?;
    println!("{} {}", server.pid(), server.url());
    io::stdout().flush()?;
    io::copy(&mut io::stdin().lock().by_ref(), &mut io::sink())?;
    server.stop()?;
    Ok(())
}

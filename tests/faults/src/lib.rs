//! Faults that Drupeline outlives: nothing acknowledged is lost, nothing is done twice, and nothing is
//! refused that could have been done.
//!
//! Each file in `tests/` is a room for one kind of fault. A test says how often it did what, so that a
//! run tells what it stands for:
//!
//! ```text
//! cargo test -p faults -- --nocapture                       minutes
//! DRUPELINE_FAULTS_LONG=1 cargo test -p faults -- --nocapture   much longer
//! ```
//!
//! [`ledger`] writes and remembers what was acknowledged; [`program`] runs the program as its users do.

pub mod ledger;
pub mod program;

/// How much of something to do: a little, or much when the long form is asked for
/// (`DRUPELINE_FAULTS_LONG`).
pub fn scaled<T>(short: T, long: T) -> T {
    let asked = std::env::var("DRUPELINE_FAULTS_LONG");
    if asked.is_ok_and(|value| !value.is_empty() && value != "0") {
        long
    } else {
        short
    }
}

/// Tells what a test did, as `faults: kills of the program: 3 kills, 410 writes acknowledged`.
pub fn tell(what: &str, counts: &[(&str, usize)]) {
    let counts: Vec<String> = counts
        .iter()
        .map(|(name, n)| format!("{n} {name}"))
        .collect();
    println!("faults: {what}: {}", counts.join(", "));
}

/// A whole number below a limit, by chance.
pub fn below(limit: u64) -> u64 {
    use rand::RngExt as _;
    rand::rng().random_range(0..limit)
}

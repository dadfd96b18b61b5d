//! A partner asking for release status.

use std::collections::BTreeMap;
use std::net::SocketAddr;
use std::path::Path;
use std::time::Duration;

use platform::peers::Peers;
use sqlx::PgPool;
use tokio::process::Command;

use super::{CONNECTIONS, Measured, Outcome, account, load};
use crate::demo::accounts::{self, Account};

/// Rows of pgbench's table are 100,000 times this.
const SCALE: &str = "10";

/// Asks for the status of one denomination, with the token checked and the rows scoped, against
/// `pgbench`'s select of one row: the same number of clients, one kind after the other.
pub(super) async fn measure(
    peers: &Peers,
    accounts: &BTreeMap<String, Account>,
    address: SocketAddr,
    database_url: &str,
    plain: &PgPool,
    time: Duration,
) -> Outcome<Measured> {
    let token = accounts::sign_in(peers, account(accounts, "partner_a")?).await?;
    let denomination: String = sqlx::query_scalar(
        "select d.name from release.denomination d join release.licence l using (candidate_id) \
         where d.state = 'published' limit 1",
    )
    .fetch_optional(plain)
    .await?
    .unwrap_or_default();
    let query = serde_html_form::to_string([("denomination", denomination)])?;
    let path = format!("/api/release/v1/partner/release-status?{query}");
    // The first calls open connections and prepare statements.
    load::read(
        address,
        &path,
        &token,
        CONNECTIONS,
        Duration::from_millis(500),
    )
    .await?;
    let load = load::read(address, &path, &token, CONNECTIONS, time).await?;

    let folder: String = sqlx::query_scalar("select setting from pg_config where name = 'BINDIR'")
        .fetch_one(plain)
        .await?;
    let pgbench = Path::new(&folder).join("pgbench");
    sqlx::query("create database pgbench")
        .execute(plain)
        .await?;
    let url = with_database(database_url, "pgbench")?;
    text_of(Command::new(&pgbench).args(["-i", "-q", "-s", SCALE, &url])).await?;
    let seconds = time.as_secs().max(1).to_string();
    let said = text_of(Command::new(&pgbench).args([
        "-n",
        "-S",
        "-c",
        &CONNECTIONS.to_string(),
        "-j",
        "2",
        "-T",
        &seconds,
        &url,
    ]))
    .await?;
    Ok(Measured {
        what: "partner's release status over HTTP",
        rate: load.rate,
        baseline: "pgbench -S, 16 clients",
        baseline_rate: selects_a_second(&said)?,
        remark: format!("; p99 {:.1} ms", load.p99.as_secs_f64() * 1e3),
    })
}

/// The same server's URL with another database.
fn with_database(url: &str, database: &str) -> Outcome<String> {
    let (rest, query) = url.split_once('?').unwrap_or((url, ""));
    let (server, _) = rest.rsplit_once('/').ok_or("the URL names no database")?;
    Ok(if query.is_empty() {
        format!("{server}/{database}")
    } else {
        format!("{server}/{database}?{query}")
    })
}

async fn text_of(command: &mut Command) -> Outcome<String> {
    let output = command.output().await.map_err(|error| {
        format!("pgbench cannot be run ({error}); it comes with Debian's package postgresql")
    })?;
    if output.status.success() {
        Ok(String::from_utf8(output.stdout)?)
    } else {
        Err(String::from_utf8_lossy(&output.stderr).into())
    }
}

/// The rate that `pgbench` prints, in selects a second.
fn selects_a_second(said: &str) -> Outcome<f64> {
    said.lines()
        .filter_map(|line| line.trim().strip_prefix("tps = "))
        .find_map(|rest| rest.split_whitespace().next()?.parse().ok())
        .ok_or_else(|| format!("pgbench printed no rate: {said}").into())
}

#[cfg(test)]
mod tests {
    use super::{selects_a_second, with_database};

    #[test]
    fn the_rate_is_read_from_what_is_printed() {
        let said = "latency average = 0.4 ms\ntps = 39211.25 (without initial connection time)\n";
        assert_eq!(selects_a_second(said).unwrap(), 39211.25);
        assert!(selects_a_second("nothing").is_err());
    }

    #[test]
    fn the_database_alone_is_replaced() {
        let url = with_database("postgres://u:p@localhost:5/one?sslmode=disable", "two").unwrap();
        assert_eq!(url, "postgres://u:p@localhost:5/two?sslmode=disable");
    }
}

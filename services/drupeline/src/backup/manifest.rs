//! What a database holds, told so that two databases can be compared.

use std::collections::BTreeMap;
use std::fmt;

use platform::audit::chain;
use platform::ownership::OWNER;
use serde::{Deserialize, Serialize};
use sqlx::{AssertSqlSafe, PgConnection, Row as _};

use crate::assembly;

/// Number of the form of a backup that this program writes.
pub const FORMAT: u32 = 1;

/// What is in a backup, as it was in one snapshot of the database.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Manifest {
    /// Form of the backup.
    pub format: u32,
    /// When it was begun.
    pub made_at: String,
    /// Version of the program that made it.
    pub program: String,
    /// Version of the PostgreSQL that was dumped.
    pub server: String,
    /// Major version of the program that dumped it; what restores it must not be older.
    pub dumped_with: u32,
    /// Newest migrations by schema: of the platform, then of the service.
    pub migrations: BTreeMap<String, [i64; 2]>,
    /// Every table with what it holds.
    pub tables: BTreeMap<String, Contents>,
    /// Every sequence with the last number it had given between the snapshot and the dump: no row of
    /// the snapshot has a higher one, and the dump has none that is lower.
    pub sequences: BTreeMap<String, i64>,
    /// Database roles that can sign in, with what their passwords are checked against where the
    /// administrator could read that.
    pub roles: BTreeMap<String, Option<String>>,
    /// Heads of the audit trail's chains, against which it can be checked at any time to come.
    pub audit_heads: Vec<String>,
}

/// What a table holds.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Contents {
    /// Number of rows.
    pub rows_n: i64,
    /// Sums of the halves of the rows' SHA-256 digests, so that the order of rows does not matter.
    pub digest: String,
}

impl Manifest {
    /// Takes stock of a database. The connection must be in a transaction of one snapshot; sequences
    /// are no part of one and are read before it is dumped ([`sequences`]).
    ///
    /// # Errors
    /// When the database refuses.
    pub async fn take(
        connection: &mut PgConnection,
        dumped_with: u32,
        sequences: BTreeMap<String, i64>,
    ) -> Result<Self, sqlx::Error> {
        // How rows are written as text must not hang on anybody's settings.
        sqlx::raw_sql(
            "set local timezone = 'UTC'; set local datestyle = 'ISO, YMD'; \
             set local intervalstyle = 'postgres'; set local extra_float_digits = 1; \
             set local bytea_output = 'hex'; set local search_path = pg_catalog; \
             set local row_security = off",
        )
        .execute(&mut *connection)
        .await?;
        let mut migrations = BTreeMap::new();
        let mut audit_heads = Vec::new();
        for service in assembly::WITH_TABLES {
            let schema = service.schema();
            let newest = async |connection: &mut PgConnection, table: &str| {
                let query =
                    format!("select coalesce(max(version), 0) from {schema}.{table} where success");
                sqlx::query_scalar::<_, i64>(AssertSqlSafe(query))
                    .fetch_one(connection)
                    .await
            };
            let platform = newest(connection, "_platform_migrations").await?;
            let own = newest(connection, "_sqlx_migrations").await?;
            migrations.insert(schema.to_owned(), [platform, own]);
            let heads = chain::heads(connection, schema).await?;
            audit_heads.extend(heads.iter().map(ToString::to_string));
        }
        Ok(Self {
            format: FORMAT,
            made_at: jiff::Timestamp::now().to_string(),
            program: env!("CARGO_PKG_VERSION").to_owned(),
            server: sqlx::query_scalar("select current_setting('server_version')")
                .fetch_one(&mut *connection)
                .await?,
            dumped_with,
            migrations,
            tables: tables(connection).await?,
            sequences,
            roles: roles(connection).await?,
            audit_heads,
        })
    }

    /// What differs between a backup and what was made of it. Sequences may have gone on: they are no
    /// part of a snapshot, and a number that was given is not given again.
    pub fn differences(&self, restored: &Self) -> Vec<Difference> {
        let mut found = Vec::new();
        for (table, held) in &self.tables {
            match restored.tables.get(table) {
                Some(holds) if holds == held => {}
                holds => found.push(Difference {
                    what: table.clone(),
                    was: told(Some(held)),
                    is: told(holds),
                }),
            }
        }
        for (table, holds) in &restored.tables {
            if !self.tables.contains_key(table) {
                found.push(Difference {
                    what: table.clone(),
                    was: told(None),
                    is: told(Some(holds)),
                });
            }
        }
        for (sequence, last) in &self.sequences {
            let now = restored.sequences.get(sequence);
            if now.is_none_or(|now| now < last) {
                found.push(Difference {
                    what: sequence.clone(),
                    was: format!("at {last}"),
                    is: now.map_or_else(|| "unused".to_owned(), |now| format!("at {now}")),
                });
            }
        }
        found
    }

    /// Rows of all tables together.
    pub fn rows_n(&self) -> i64 {
        self.tables.values().map(|table| table.rows_n).sum()
    }
}

fn told(contents: Option<&Contents>) -> String {
    contents.map_or_else(
        || "not there".to_owned(),
        |held| format!("{} rows of digest {}", held.rows_n, held.digest),
    )
}

/// Something that is not what it was.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Difference {
    /// Table or sequence.
    pub what: String,
    /// In the backup.
    pub was: String,
    /// In the database.
    pub is: String,
}

impl fmt::Display for Difference {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}: was {}, is {}", self.what, self.was, self.is)
    }
}

/// Schemas that belong to the program, as a list in SQL.
fn own_schemas() -> String {
    assembly::WITH_TABLES
        .iter()
        .map(|service| format!("'{}'", service.schema()))
        .chain(["'installation'".to_owned()])
        .collect::<Vec<_>>()
        .join(", ")
}

async fn tables(connection: &mut PgConnection) -> Result<BTreeMap<String, Contents>, sqlx::Error> {
    let names: Vec<String> = sqlx::query_scalar(AssertSqlSafe(format!(
        "select format('%I.%I', n.nspname, c.relname) from pg_class c \
         join pg_namespace n on n.oid = c.relnamespace \
         where n.nspname in ({}) and c.relkind in ('r', 'p') and not c.relispartition order by 1",
        own_schemas()
    )))
    .fetch_all(&mut *connection)
    .await?;
    let mut tables = BTreeMap::new();
    for name in names {
        let query = format!(
            "select count(*) as rows_n, \
                 coalesce(sum(('x' || substr(digest, 1, 16))::bit(64)::bigint::numeric), 0)::text \
                 || ':' || \
                 coalesce(sum(('x' || substr(digest, 17, 16))::bit(64)::bigint::numeric), 0)::text \
                 as digest \
             from (select encode(sha256(convert_to(each_row::text, 'UTF8')), 'hex') as digest \
                 from {name} each_row) digests"
        );
        let row = sqlx::query(AssertSqlSafe(query))
            .fetch_one(&mut *connection)
            .await?;
        tables.insert(
            name,
            Contents {
                rows_n: row.get("rows_n"),
                digest: row.get("digest"),
            },
        );
    }
    Ok(tables)
}

/// Every sequence with the last number it gave, as of now: sequences are no part of a snapshot. To be
/// held against a dump, they are read after its snapshot was taken and before it is begun.
///
/// # Errors
/// When the database refuses.
pub async fn sequences(
    connection: &mut PgConnection,
) -> Result<BTreeMap<String, i64>, sqlx::Error> {
    let rows = sqlx::query(AssertSqlSafe(format!(
        "select format('%I.%I', schemaname, sequencename) as name, last_value from pg_sequences \
         where schemaname in ({}) and last_value is not null",
        own_schemas()
    )))
    .fetch_all(connection)
    .await?;
    Ok(rows
        .into_iter()
        .map(|row| (row.get("name"), row.get("last_value")))
        .collect())
}

/// Roles of the services; what their passwords are checked against only a superuser can read.
async fn roles(
    connection: &mut PgConnection,
) -> Result<BTreeMap<String, Option<String>>, sqlx::Error> {
    let names: Vec<String> = assembly::WITH_TABLES
        .iter()
        .map(|service| service.database_role())
        .collect();
    let is_superuser: bool =
        sqlx::query_scalar("select rolsuper from pg_roles where rolname = current_user")
            .fetch_one(&mut *connection)
            .await?;
    let query = if is_superuser {
        "select rolname::text as name, rolpassword as verifier from pg_authid \
         where rolname = any($1) and rolname <> $2"
    } else {
        "select rolname::text as name, null::text as verifier from pg_roles \
         where rolname = any($1) and rolname <> $2"
    };
    let rows = sqlx::query(query)
        .bind(&names)
        .bind(OWNER)
        .fetch_all(connection)
        .await?;
    Ok(rows
        .into_iter()
        .map(|row| (row.get("name"), row.get("verifier")))
        .collect())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn manifest(tables: &[(&str, i64, &str)], sequences: &[(&str, i64)]) -> Manifest {
        Manifest {
            format: FORMAT,
            made_at: String::new(),
            program: String::new(),
            server: String::new(),
            dumped_with: 15,
            migrations: BTreeMap::new(),
            tables: tables
                .iter()
                .map(|&(name, rows_n, digest)| {
                    let digest = digest.to_owned();
                    (name.to_owned(), Contents { rows_n, digest })
                })
                .collect(),
            sequences: sequences
                .iter()
                .map(|&(name, last)| (name.to_owned(), last))
                .collect(),
            roles: BTreeMap::new(),
            audit_heads: Vec::new(),
        }
    }

    #[test]
    fn every_difference_is_told_and_sequences_may_go_on() {
        let was = manifest(
            &[
                ("a.same", 2, "1:2"),
                ("a.less", 3, "3:4"),
                ("a.gone", 1, "5:6"),
            ],
            &[("a.on", 5), ("a.back", 7)],
        );
        let is = manifest(
            &[
                ("a.same", 2, "1:2"),
                ("a.less", 2, "3:3"),
                ("a.more", 1, "7:8"),
            ],
            &[("a.on", 9), ("a.back", 6)],
        );
        let found: Vec<String> = was
            .differences(&is)
            .into_iter()
            .map(|difference| difference.what)
            .collect();
        assert_eq!(found, ["a.gone", "a.less", "a.more", "a.back"]);
        assert_eq!(was.differences(&was), []);
    }
}

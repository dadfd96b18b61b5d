//! Checks that the audit trail is whole.
//!
//! Each entry's hash is SHA-256 over the hash before it, its number in its chain and its content, so
//! that an entry that was taken away, changed or moved shows. The last hash of a chain is its head;
//! whoever keeps the heads elsewhere also finds out when a trail was cut off or written anew.

use std::collections::BTreeMap;
use std::fmt;
use std::str::FromStr;

use futures_util::TryStreamExt as _;
use sha2::{Digest as _, Sha256};
use sqlx::{AssertSqlSafe, Connection as _, PgConnection, Row as _};
use uuid::Uuid;

use crate::peers::ServiceName;

type Hash = [u8; 32];

/// One chain: a programme's entries in one service are bound in a few of them side by side.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub struct Chain {
    /// Schema of the service.
    pub schema: String,
    /// The programme; the nil id for what belongs to none.
    pub programme: Uuid,
    /// Which of its chains.
    pub lane: i16,
}

impl Chain {
    /// What stands before the first entry, and tells this chain from every other.
    fn start(&self) -> Hash {
        Sha256::digest(format!(
            "drupeline audit {} {} {}",
            self.schema, self.programme, self.lane
        ))
        .into()
    }
}

impl fmt::Display for Chain {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} {} {}", self.schema, self.programme, self.lane)
    }
}

/// How far a chain went, and the hash of its last entry. Written and read as one line of text.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Head {
    /// The chain.
    pub chain: Chain,
    /// How many entries it had.
    pub entries_n: i64,
    /// Hash of the last.
    pub hash: Hash,
}

impl fmt::Display for Head {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} {} ", self.chain, self.entries_n)?;
        self.hash
            .iter()
            .try_for_each(|byte| write!(f, "{byte:02x}"))
    }
}

/// A line that is no head.
#[derive(Debug, thiserror::Error)]
#[error("{0:?} is not the head of a chain: service, programme, lane, number of entries and hash")]
pub struct NotAHead(String);

impl FromStr for Head {
    type Err = NotAHead;

    fn from_str(line: &str) -> Result<Self, Self::Err> {
        let read = || {
            let mut words = line.split_whitespace();
            let chain = Chain {
                schema: words.next()?.to_owned(),
                programme: words.next()?.parse().ok()?,
                lane: words.next()?.parse().ok()?,
            };
            let entries_n = words.next()?.parse().ok()?;
            let digits = words
                .next()
                .filter(|text| text.len() == 64 && text.is_ascii())?;
            let mut hash = [0; 32];
            for (at, byte) in hash.iter_mut().enumerate() {
                *byte = u8::from_str_radix(&digits[2 * at..2 * at + 2], 16).ok()?;
            }
            words.next().is_none().then_some(Head {
                chain,
                entries_n,
                hash,
            })
        };
        read().ok_or_else(|| NotAHead(line.to_owned()))
    }
}

/// What is wrong with a trail.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Break {
    /// Entries of a chain are gone, from one number to another.
    Gone(Chain, i64, i64),
    /// An entry is not what it was, or not where it was.
    Changed(Chain, i64, String),
    /// An entry was put in past the chain.
    Unbound(String, i64),
    /// The chain does not lead to the hash that its head, or one kept elsewhere, has for this number.
    Rewritten(Chain, i64),
}

impl fmt::Display for Break {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Gone(chain, first, last) if first == last => {
                write!(f, "{chain}: entry {first} is gone")
            }
            Self::Gone(chain, first, last) => {
                write!(f, "{chain}: entries {first} to {last} are gone")
            }
            Self::Changed(chain, entry, what) => {
                write!(f, "{chain}: entry {entry} was changed or moved ({what})")
            }
            Self::Unbound(schema, id) => {
                write!(f, "{schema}: the entry of id {id} is in no chain")
            }
            Self::Rewritten(chain, entry) => write!(
                f,
                "{chain}: does not lead to the hash kept for entry {entry}; it was written anew"
            ),
        }
    }
}

/// What a check found.
#[derive(Debug, Default)]
pub struct Report {
    /// Entries checked.
    pub entries_n: u64,
    /// Heads of all chains, as they are now.
    pub heads: Vec<Head>,
    /// What is wrong.
    pub breaks: Vec<Break>,
}

/// Checks the trails of services, as the administrator or the owner of their tables, against
/// themselves and against heads that were kept elsewhere. All is read of one snapshot, so that
/// writing may go on.
///
/// # Errors
/// When the database refuses.
pub async fn verify(
    connection: &mut PgConnection,
    services: &[ServiceName],
    kept: &[Head],
) -> Result<Report, sqlx::Error> {
    let mut transaction = connection
        .begin_with("BEGIN ISOLATION LEVEL REPEATABLE READ READ ONLY")
        .await?;
    let mut report = Report::default();
    for service in services {
        let schema = service.schema();
        let heads = heads(&mut transaction, schema).await?;
        let mut anchors: BTreeMap<Chain, BTreeMap<i64, Hash>> = BTreeMap::new();
        for head in heads
            .iter()
            .chain(kept)
            .filter(|h| h.chain.schema == schema)
        {
            let of_chain = anchors.entry(head.chain.clone()).or_default();
            let other = of_chain.insert(head.entries_n, head.hash);
            if other.is_some_and(|other| other != head.hash) {
                report
                    .breaks
                    .push(Break::Rewritten(head.chain.clone(), head.entries_n));
            }
        }
        walk(&mut transaction, schema, &anchors, &mut report).await?;
        let unbound = format!(
            "select a.id from {schema}.audit a \
             where not exists (select from {schema}.audit_link l where l.audit_id = a.id) order by 1"
        );
        let ids: Vec<i64> = sqlx::query_scalar(AssertSqlSafe(unbound))
            .fetch_all(&mut *transaction)
            .await?;
        report
            .breaks
            .extend(ids.into_iter().map(|id| Break::Unbound(schema.into(), id)));
        report.heads.extend(heads);
    }
    transaction.commit().await?;
    Ok(report)
}

/// Heads of a service's chains.
///
/// # Errors
/// When the database refuses.
pub async fn heads(connection: &mut PgConnection, schema: &str) -> Result<Vec<Head>, sqlx::Error> {
    let query = format!(
        "select programme_id, lane, entries_n, hash from {schema}.audit_head \
         order by programme_id, lane"
    );
    let rows = sqlx::query(AssertSqlSafe(query))
        .fetch_all(connection)
        .await?;
    Ok(rows
        .into_iter()
        .map(|row| Head {
            chain: Chain {
                schema: schema.to_owned(),
                programme: row.get("programme_id"),
                lane: row.get("lane"),
            },
            entries_n: row.get("entries_n"),
            hash: hash_in(&row),
        })
        .collect())
}

/// A hash of another length is none, and matches nothing.
fn hash_in(row: &sqlx::postgres::PgRow) -> Hash {
    row.get::<Vec<u8>, _>("hash").try_into().unwrap_or([0; 32])
}

/// Where a walk along a chain has come to.
struct Walk {
    chain: Chain,
    entry_n: i64,
    hash: Hash,
    /// Hashes that entries of the chain must have, by number.
    anchors: BTreeMap<i64, Hash>,
}

impl Walk {
    fn of(chain: Chain, anchors: &BTreeMap<Chain, BTreeMap<i64, Hash>>) -> Self {
        Self {
            entry_n: 0,
            hash: chain.start(),
            anchors: anchors.get(&chain).cloned().unwrap_or_default(),
            chain,
        }
    }

    /// Goes on to an entry with its kept hash and its content, none where the entry is gone.
    fn step(&mut self, entry_n: i64, kept: Hash, entry: Option<(String, String)>) -> Vec<Break> {
        let mut breaks = Vec::new();
        let follows = entry_n == self.entry_n + 1;
        if !follows {
            breaks.push(Break::Gone(
                self.chain.clone(),
                self.entry_n + 1,
                entry_n - 1,
            ));
        }
        match entry {
            None => breaks.push(Break::Gone(self.chain.clone(), entry_n, entry_n)),
            // What the first entry after a gap was bound to is gone with the gap.
            Some(_) if !follows => {}
            Some((content, what)) => {
                if bound(&self.hash, entry_n, &content) != kept {
                    breaks.push(Break::Changed(self.chain.clone(), entry_n, what));
                }
            }
        }
        if self
            .anchors
            .remove(&entry_n)
            .is_some_and(|hash| hash != kept)
        {
            breaks.push(Break::Rewritten(self.chain.clone(), entry_n));
        }
        (self.entry_n, self.hash) = (entry_n, kept);
        breaks
    }

    /// What is missing at the end: a head or a kept anchor knows of more entries.
    fn end(mut self) -> Option<Break> {
        let (last, _) = self.anchors.pop_last()?;
        (last > self.entry_n).then(|| Break::Gone(self.chain, self.entry_n + 1, last))
    }
}

fn bound(before: &Hash, entry_n: i64, content: &str) -> Hash {
    let mut digest = Sha256::new();
    digest.update(before);
    digest.update(entry_n.to_be_bytes());
    digest.update(content.as_bytes());
    digest.finalize().into()
}

async fn walk(
    connection: &mut PgConnection,
    schema: &str,
    anchors: &BTreeMap<Chain, BTreeMap<i64, Hash>>,
    report: &mut Report,
) -> Result<(), sqlx::Error> {
    // The content is made here and not by the function that bound it, which could have been changed
    // with the entries.
    let query = format!(
        "select l.programme_id, l.lane, l.entry_n, l.hash, \
             case when a.id is null then null else pg_catalog.jsonb_build_array( \
                 a.id, a.programme_id, (extract(epoch from a.at) * 1000000)::bigint, a.actor_id, \
                 a.actor_name, a.via, a.operation, a.outcome, a.touched, a.request)::text end \
                 as content, \
             a.operation || ' by ' || a.actor_name || ' at ' || a.at as what \
         from {schema}.audit_link l left join {schema}.audit a on a.id = l.audit_id \
         order by l.programme_id, l.lane, l.entry_n"
    );
    let mut walks: Option<Walk> = None;
    let mut untouched = anchors.clone();
    {
        let mut rows = sqlx::query(AssertSqlSafe(query)).fetch(&mut *connection);
        while let Some(row) = rows.try_next().await? {
            let chain = Chain {
                schema: schema.to_owned(),
                programme: row.get("programme_id"),
                lane: row.get("lane"),
            };
            if walks.as_ref().is_none_or(|walk| walk.chain != chain) {
                report.breaks.extend(walks.take().and_then(Walk::end));
                untouched.remove(&chain);
                walks = Some(Walk::of(chain, anchors));
            }
            let content: Option<String> = row.get("content");
            let what: Option<String> = row.get("what");
            if let Some(walk) = &mut walks {
                let entry = content.zip(Some(what.unwrap_or_default()));
                report
                    .breaks
                    .extend(walk.step(row.get("entry_n"), hash_in(&row), entry));
            }
            report.entries_n += 1;
        }
    }
    report.breaks.extend(walks.and_then(Walk::end));
    // Chains of which nothing is left.
    for chain in untouched.into_keys() {
        report.breaks.extend(Walk::of(chain, anchors).end());
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn chain() -> Chain {
        Chain {
            schema: "crossing".into(),
            programme: Uuid::nil(),
            lane: 3,
        }
    }

    /// Number, hash and, where it is there, what is bound and what is told of it.
    type Walked = (i64, Hash, Option<(String, String)>);

    /// Entries with the hashes that bind them.
    fn entries(contents: &[&str]) -> Vec<Walked> {
        let mut hash = chain().start();
        contents
            .iter()
            .zip(1..)
            .map(|(content, n)| {
                hash = bound(&hash, n, content);
                let entry = ((*content).to_owned(), (*content).to_owned());
                (n, hash, Some(entry))
            })
            .collect()
    }

    fn walked(entries: Vec<Walked>, anchors: &[(i64, Hash)]) -> Vec<Break> {
        let anchors = BTreeMap::from([(chain(), anchors.iter().copied().collect())]);
        let mut walk = Walk::of(chain(), &anchors);
        let mut breaks: Vec<Break> = entries
            .into_iter()
            .flat_map(|(n, hash, entry)| walk.step(n, hash, entry))
            .collect();
        breaks.extend(walk.end());
        breaks
    }

    #[test]
    fn a_whole_chain_holds_and_each_harm_is_named() {
        let whole = entries(&["a", "b", "c", "d"]);
        let head = (4, whole[3].1);
        assert_eq!(walked(whole.clone(), &[head]), []);

        let mut changed = whole.clone();
        changed[1].2 = Some(("B".into(), "B".into()));
        assert_eq!(
            walked(changed, &[head]),
            [Break::Changed(chain(), 2, "B".into())]
        );

        let mut moved = whole.clone();
        let (b, c) = (moved[1].2.clone(), moved[2].2.clone());
        (moved[1].2, moved[2].2) = (c, b);
        assert_eq!(walked(moved, &[head]).len(), 2);

        let mut emptied = whole.clone();
        emptied[2].2 = None;
        assert_eq!(walked(emptied, &[head]), [Break::Gone(chain(), 3, 3)]);

        let mut without = whole.clone();
        without.drain(1..3);
        assert_eq!(walked(without, &[head]), [Break::Gone(chain(), 2, 3)]);

        let cut = whole[..2].to_vec();
        assert_eq!(walked(cut, &[head]), [Break::Gone(chain(), 3, 4)]);
        assert_eq!(walked(Vec::new(), &[head]), [Break::Gone(chain(), 1, 4)]);
    }

    #[test]
    fn a_chain_written_anew_is_found_by_a_head_kept_elsewhere() {
        let whole = entries(&["a", "b", "c"]);
        let kept = (2, whole[1].1);
        let anew = entries(&["a", "other", "c"]);
        let own_head = (3, anew[2].1);
        assert_eq!(walked(anew.clone(), &[own_head]), []);
        assert_eq!(
            walked(anew, &[own_head, kept]),
            [Break::Rewritten(chain(), 2)]
        );
    }

    #[test]
    fn heads_are_lines_of_text() {
        let head = Head {
            chain: chain(),
            entries_n: 12,
            hash: chain().start(),
        };
        let line = head.to_string();
        assert_eq!(line.parse::<Head>().unwrap(), head);
        for wrong in [
            "",
            "crossing",
            &line[..line.len() - 1],
            &format!("{line} more"),
        ] {
            assert!(wrong.parse::<Head>().is_err(), "{wrong}");
        }
    }
}

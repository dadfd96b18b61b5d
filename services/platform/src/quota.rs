//! Quotas of people and of partners' keys: so many requests a minute and a day, counted in memory.
//!
//! Minutes and days are those of UTC. A request that is refused is not counted. Day totals are
//! added up in the service's database every few seconds, so that they outlive a restart and are
//! shared by processes of one service; between two sums each process knows its own share alone, so
//! a key used at several processes at once may pass its day by what they take in those seconds.
//! Limits are told as the IETF's draft "RateLimit header fields for HTTP" has it (revision 10, from
//! memory), over gRPC as metadata of the same names.

use std::collections::HashMap;
use std::sync::{Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use http::{HeaderMap, HeaderValue};
use jiff::Timestamp;
use jiff::civil::Date;
use sqlx::PgPool;
use tonic::metadata::{AsciiMetadataValue, MetadataMap};
use uuid::Uuid;

use crate::access::{Caller, KeyScopes, Standing};
use crate::clock::Clock;
use crate::database::{self, Begin, Day, Scope};
use crate::fault::Fault;
use crate::ids::ProgrammeId;
use crate::operation::Context;

const MINUTE_S: i64 = 60;
const DAY_S: i64 = 24 * 3600;
/// How often day totals are added up in the database.
const SUM_EVERY: Duration = Duration::from_secs(5);

crate::words! {
    /// How much a key may ask for.
    pub enum QuotaClass {
        /// A device.
        Small = "small",
        /// A system.
        Standard = "standard",
        /// A system of a large partner; given by the programme's administrator.
        Large = "large",
    }
}

impl QuotaClass {
    /// What the class allows.
    pub const fn quota(self) -> Quota {
        let (per_minute_n, per_day_n) = match self {
            Self::Small => (60, 2_000),
            Self::Standard => (300, 20_000),
            Self::Large => (1_200, 200_000),
        };
        Quota {
            per_minute_n,
            per_day_n,
        }
    }
}

/// How many requests are allowed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Quota {
    /// Requests a minute.
    pub per_minute_n: u32,
    /// Requests a day.
    pub per_day_n: u32,
}

impl Quota {
    /// A person's, when the installation says nothing else: more than anybody clicks and more than
    /// a phone sends that syncs a day's work, and less than a program that has gone astray.
    pub const PERSON: Self = Self {
        per_minute_n: 6_000,
        per_day_n: 500_000,
    };
    /// More than can be asked.
    pub const UNLIMITED: Self = Self {
        per_minute_n: u32::MAX,
        per_day_n: u32::MAX,
    };
}

/// Whose requests are counted together: a key's, or a person's.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Account {
    id: Uuid,
    quota: Quota,
    is_key: bool,
}

/// The key that a token was exchanged for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct KeyInUse {
    /// Its id.
    pub id: Uuid,
    /// How much it may ask for.
    pub quota: QuotaClass,
    /// What it may do.
    pub scopes: KeyScopes,
}

impl KeyInUse {
    fn account(self) -> Account {
        Account {
            id: self.id,
            quota: self.quota.quota(),
            is_key: true,
        }
    }
}

/// Where a key or a person stands after a request.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Tally {
    account: Account,
    minute_left_n: u32,
    minute_ends_in_s: i64,
    day_left_n: u32,
    day_ends_in_s: i64,
}

impl Tally {
    fn policy(&self) -> String {
        format!(
            "\"minute\";q={};w={MINUTE_S}, \"day\";q={};w={DAY_S}",
            self.account.quota.per_minute_n, self.account.quota.per_day_n
        )
    }

    fn left(&self) -> String {
        format!(
            "\"minute\";r={};t={}, \"day\";r={};t={}",
            self.minute_left_n, self.minute_ends_in_s, self.day_left_n, self.day_ends_in_s
        )
    }

    fn fields(&self) -> [(&'static str, String); 2] {
        [
            ("ratelimit-policy", self.policy()),
            ("ratelimit", self.left()),
        ]
    }

    /// Tells the limits over REST.
    pub fn write_headers(&self, headers: &mut HeaderMap) {
        for (name, value) in self.fields() {
            if let Ok(value) = HeaderValue::from_str(&value) {
                headers.insert(name, value);
            }
        }
    }

    /// Tells the limits over gRPC.
    pub fn write_metadata(&self, metadata: &mut MetadataMap) {
        for (name, value) in self.fields() {
            if let Ok(value) = AsciiMetadataValue::try_from(value) {
                metadata.insert(name, value);
            }
        }
    }

    /// The fault of a request that the quota does not allow.
    fn exceeded(&self) -> Option<Fault> {
        let (quota, window, wait_s) = if self.day_left_n == 0 {
            (self.account.quota.per_day_n, "day", self.day_ends_in_s)
        } else if self.minute_left_n == 0 {
            (
                self.account.quota.per_minute_n,
                "minute",
                self.minute_ends_in_s,
            )
        } else {
            return None;
        };
        let (whose, remedy) = if self.account.is_key {
            (
                "this key's",
                "have the programme's administrator give you a larger quota",
            )
        } else {
            ("your", "send more rows in each request")
        };
        Some(Fault::throttled(
            format!(
                "{whose} quota of {quota} requests a {window} is used up; ask again in {wait_s} seconds, or {remedy}"
            ),
            u32::try_from(wait_s).unwrap_or(u32::MAX),
        ))
    }
}

/// A key or a person on a day.
type KeyDay = (ProgrammeId, Uuid, Date);

/// What was asked with one key, or by one person, on one day.
#[derive(Debug, Clone, Copy, Default)]
struct Use {
    minute: i64,
    in_minute_n: u32,
    /// The sum in the database when it was last read or written.
    summed_n: u64,
    /// What came since.
    unsummed_n: u64,
}

impl Use {
    fn tally(&self, account: Account, now_s: i64) -> Tally {
        let quota = account.quota;
        let in_day_n = u32::try_from(self.summed_n + self.unsummed_n).unwrap_or(u32::MAX);
        Tally {
            account,
            minute_left_n: quota.per_minute_n.saturating_sub(self.in_minute_n),
            minute_ends_in_s: MINUTE_S - now_s.rem_euclid(MINUTE_S),
            day_left_n: quota.per_day_n.saturating_sub(in_day_n),
            day_ends_in_s: DAY_S - now_s.rem_euclid(DAY_S),
        }
    }
}

type Uses = HashMap<KeyDay, Use>;

/// Counts the requests of people and keys.
#[derive(Debug)]
pub struct Quotas {
    uses: Mutex<Uses>,
    person: Quota,
}

impl Quotas {
    /// Counts, allowing each person so much.
    pub fn new(person: Quota) -> Self {
        Self {
            uses: Mutex::default(),
            person,
        }
    }

    /// The account of a caller; services and those who are not signed in have none.
    pub fn account(&self, caller: &Caller) -> Option<Account> {
        match (&caller.standing, caller.key()) {
            (_, Some(key)) => Some(key.account()),
            (Standing::Staff { .. } | Standing::Partner { .. }, None) => Some(Account {
                id: caller.subject.uuid(),
                quota: self.person,
                is_key: false,
            }),
            (_, None) => None,
        }
    }

    fn uses(&self) -> MutexGuard<'_, Uses> {
        self.uses.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Counts a request, if the account's quota allows it. The day's sum is read from the database
    /// when an account is first used on a day, and never again.
    ///
    /// # Errors
    /// When the database refuses. A used-up quota is the second part of the reply.
    pub async fn charge(
        &self,
        pool: &PgPool,
        programme: ProgrammeId,
        account: Account,
        now: Timestamp,
    ) -> Result<(Tally, Option<Fault>), Fault> {
        let today = Clock::standing_at(now).today();
        let known = self.uses().contains_key(&(programme, account.id, today));
        let summed_n = if known {
            0
        } else {
            sum_of(pool, programme, account.id, today).await?
        };
        Ok(self.count(programme, account, now, today, summed_n))
    }

    fn count(
        &self,
        programme: ProgrammeId,
        account: Account,
        now: Timestamp,
        today: Date,
        summed_n: u64,
    ) -> (Tally, Option<Fault>) {
        let now_s = now.as_second();
        let minute = now_s.div_euclid(MINUTE_S);
        let mut uses = self.uses();
        let used = uses.entry((programme, account.id, today)).or_insert(Use {
            summed_n,
            ..Use::default()
        });
        if used.minute != minute {
            (used.minute, used.in_minute_n) = (minute, 0);
        }
        let before = used.tally(account, now_s);
        if let Some(fault) = before.exceeded() {
            return (before, Some(fault));
        }
        used.in_minute_n += 1;
        used.unsummed_n += 1;
        (used.tally(account, now_s), None)
    }

    /// What is to be added to the sums.
    fn unsummed(&self) -> Vec<(KeyDay, u64)> {
        self.uses()
            .iter()
            .filter(|(_, used)| used.unsummed_n > 0)
            .map(|(key_day, used)| (*key_day, used.unsummed_n))
            .collect()
    }

    fn summed(&self, key_day: KeyDay, added_n: u64, sum_n: u64) {
        if let Some(used) = self.uses().get_mut(&key_day) {
            used.unsummed_n -= added_n.min(used.unsummed_n);
            used.summed_n = sum_n;
        }
    }

    /// Forgets days that are over and summed.
    fn forget_before(&self, day: Date) {
        self.uses()
            .retain(|(_, _, of), used| *of >= day || used.unsummed_n > 0);
    }
}

async fn bookkeeping(
    pool: &PgPool,
) -> Result<sqlx::Transaction<'static, sqlx::Postgres>, sqlx::Error> {
    database::begin(pool, Begin::Writing, Scope::BOOKKEEPING).await
}

async fn sum_of(pool: &PgPool, programme: ProgrammeId, key: Uuid, day: Date) -> Result<u64, Fault> {
    let mut transaction = bookkeeping(pool).await?;
    let sum: Option<i64> = sqlx::query_scalar(
        "select requests_n from key_use where programme_id = $1 and key_id = $2 and day = $3",
    )
    .bind(programme)
    .bind(key)
    .bind(Day(day))
    .fetch_optional(&mut *transaction)
    .await?;
    Ok(sum.and_then(|sum| u64::try_from(sum).ok()).unwrap_or(0))
}

/// Adds up the day's totals for as long as the service lives.
pub async fn keep(context: Context) {
    loop {
        tokio::time::sleep(SUM_EVERY).await;
        if let Err(fault) = sum_up(&context).await {
            tracing::warn!(%fault, "uses of keys and people could not be added up; trying again");
        }
    }
}

/// Adds up what came since the last time.
///
/// # Errors
/// When the database refuses; nothing is lost then.
pub async fn sum_up(context: &Context) -> Result<(), Fault> {
    for ((programme, key, day), added_n) in context.quotas.unsummed() {
        let mut transaction = bookkeeping(&context.pool).await?;
        let sum: i64 = sqlx::query_scalar(
            "insert into key_use as u (programme_id, key_id, day, requests_n) \
             values ($1, $2, $3, $4) on conflict (programme_id, key_id, day) \
             do update set requests_n = u.requests_n + excluded.requests_n returning requests_n",
        )
        .bind(programme)
        .bind(key)
        .bind(Day(day))
        .bind(i64::try_from(added_n).unwrap_or(i64::MAX))
        .fetch_one(&mut *transaction)
        .await?;
        transaction.commit().await?;
        let sum = u64::try_from(sum).unwrap_or(0);
        context.quotas.summed((programme, key, day), added_n, sum);
    }
    context.quotas.forget_before(context.clock.today());
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    const KEY: Account = Account {
        id: Uuid::nil(),
        quota: QuotaClass::Small.quota(),
        is_key: true,
    };

    #[test]
    fn people_and_keys_have_accounts_and_services_none() {
        let quotas = Quotas::new(Quota::PERSON);
        let programme = ProgrammeId::new();
        let as_ = |standing: Standing| Caller {
            standing,
            ..Caller::nobody()
        };
        let partner = |key: Option<KeyInUse>| {
            as_(Standing::Partner {
                programme,
                organisation: crate::OrganisationId::new(),
                key,
            })
        };
        let key = KeyInUse {
            id: Uuid::nil(),
            quota: QuotaClass::Small,
            scopes: KeyScopes::WHOLE_PARTNER,
        };
        assert_eq!(quotas.account(&partner(Some(key))), Some(KEY));
        let staff = as_(Standing::Staff {
            programme,
            roles: Vec::new(),
        });
        for person in [partner(None), staff] {
            let account = quotas.account(&person).unwrap();
            assert_eq!((account.quota, account.is_key), (Quota::PERSON, false));
        }
        let service = as_(Standing::Service {
            service: crate::peers::ServiceName::Crossing,
            programme: None,
        });
        for other in [Caller::nobody(), service] {
            assert_eq!(quotas.account(&other), None);
        }
    }

    fn ask(quotas: &Quotas, programme: ProgrammeId, at: &str, summed_n: u64) -> (Tally, bool) {
        let now: Timestamp = at.parse().unwrap();
        let today = Clock::standing_at(now).today();
        let (tally, fault) = quotas.count(programme, KEY, now, today, summed_n);
        (tally, fault.is_some())
    }

    #[test]
    fn a_minute_ends_and_the_next_begins_afresh() {
        let (quotas, programme) = (Quotas::new(Quota::PERSON), ProgrammeId::new());
        for n in 1..=60 {
            let (tally, refused) = ask(&quotas, programme, "2026-05-01T10:00:40Z", 0);
            assert_eq!((tally.minute_left_n, refused), (60 - n, false));
        }
        let (tally, refused) = ask(&quotas, programme, "2026-05-01T10:00:59Z", 0);
        assert!(refused);
        assert_eq!(tally.left(), "\"minute\";r=0;t=1, \"day\";r=1940;t=50341");
        assert_eq!(
            tally.policy(),
            "\"minute\";q=60;w=60, \"day\";q=2000;w=86400"
        );
        assert!(!ask(&quotas, programme, "2026-05-01T10:01:00Z", 0).1);
        // Another programme's key of the same id is another key.
        assert!(!ask(&quotas, ProgrammeId::new(), "2026-05-01T10:00:59Z", 0).1);
    }

    #[test]
    fn a_day_goes_on_from_its_sum_and_ends_at_midnight() {
        let (quotas, programme) = (Quotas::new(Quota::PERSON), ProgrammeId::new());
        let (tally, refused) = ask(&quotas, programme, "2026-05-01T23:59:30Z", 1_999);
        assert_eq!((tally.day_left_n, refused), (0, false));
        let (tally, refused) = ask(&quotas, programme, "2026-05-01T23:59:31Z", 0);
        assert!(refused);
        assert_eq!(tally.day_ends_in_s, 29);
        assert!(!ask(&quotas, programme, "2026-05-02T00:00:00Z", 0).1);
    }

    #[test]
    fn sums_take_in_what_other_processes_counted() {
        let (quotas, programme) = (Quotas::new(Quota::PERSON), ProgrammeId::new());
        for _ in 0..3 {
            ask(&quotas, programme, "2026-05-01T10:00:00Z", 0);
        }
        let unsummed = quotas.unsummed();
        let [(key_day, 3)] = unsummed[..] else {
            panic!("three requests of one key: {unsummed:?}")
        };
        ask(&quotas, programme, "2026-05-01T10:00:01Z", 0);
        quotas.summed(key_day, 3, 100);
        let (tally, _) = ask(&quotas, programme, "2026-05-01T10:00:02Z", 0);
        // 100 in the sum, one since, and this one.
        assert_eq!(tally.day_left_n, 2_000 - 102);
        assert_eq!(quotas.unsummed()[0].1, 2);
        quotas.forget_before(Date::MAX);
        assert_eq!(
            quotas.unsummed().len(),
            1,
            "what is not summed is not forgotten"
        );
    }
}

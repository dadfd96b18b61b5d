//! How often somebody may be wrong: with passwords, codes, keys and secrets.
//!
//! An attempt is counted before it is looked at and given back when it was right, so that guesses
//! sent side by side are counted like guesses sent one after another. Every lane fills up and
//! empties at a steady rate (the generic cell rate algorithm of ITU-T I.371), so the wait that is
//! told is the wait that is needed.
//!
//! Nobody is locked out by others: a lane belongs to a login *as tried from one network*, and a
//! device that signed in before has a lane of its own, which no stranger can fill.

use std::collections::HashMap;
use std::net::IpAddr;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use jiff::{SignedDuration, Timestamp};
use platform::Fault;
use platform::origin::Network;
use uuid::Uuid;

/// What somebody tries to open.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Door {
    /// A login's password, at signing in.
    Password,
    /// The present password, when it is to be changed.
    OwnPassword,
    /// The second factor of a login.
    SecondFactor,
    /// Founding a programme.
    SetupKey,
    /// A service's token.
    ServiceSecret,
    /// A key of a device or system.
    AccessKey,
    /// A link to set a new password.
    RecoveryLink,
}

impl Door {
    fn what(self) -> &'static str {
        match self {
            Self::Password | Self::OwnPassword => "passwords",
            Self::SecondFactor => "codes",
            Self::SetupKey => "set-up keys",
            Self::ServiceSecret => "service secrets",
            Self::AccessKey => "keys",
            Self::RecoveryLink => "links",
        }
    }
}

/// What an attempt is counted under.
#[derive(Debug, Clone, PartialEq, Eq, Hash)]
enum Lane {
    /// One login, key or service, tried from one network.
    From(Door, String, Network),
    /// One login, wherever it is tried from.
    Subject(Door, String),
    /// Whatever is tried from one network.
    Network(Door, Network),
    /// A device that signed in before.
    Device(Door, Uuid),
}

/// How many attempts a lane takes at once, and how soon one more.
#[derive(Debug, Clone, Copy)]
struct Rate {
    burst_n: i32,
    every: SignedDuration,
}

impl Lane {
    const fn rate(&self) -> Rate {
        let (burst_n, every_s) = match self {
            Self::From(..) | Self::Device(..) => (10, 30),
            Self::Subject(..) | Self::Network(..) => (100, 3),
        };
        Rate {
            burst_n,
            every: SignedDuration::from_secs(every_s),
        }
    }

    fn full(&self, wait_s: i64) -> Fault {
        let (door, whence) = match self {
            Self::From(door, ..) => (door, "from your address"),
            Self::Subject(door, _) => (door, "for this login"),
            Self::Network(door, _) => (door, "from your network"),
            Self::Device(door, _) => (door, "from this device"),
        };
        Fault::throttled(
            format!(
                "too many wrong {} {whence}; wait {wait_s} seconds and try once more",
                door.what()
            ),
            u32::try_from(wait_s).unwrap_or(u32::MAX),
        )
    }
}

/// The lanes that one attempt is counted under.
#[derive(Debug, Clone)]
pub struct Lanes(Vec<Lane>);

impl Lanes {
    /// An attempt at what somebody can remember, so that guessing pays: counted for the login and
    /// the network together, and for each of them. A device that signed in before has its own lane.
    pub fn remembered(door: Door, subject: &str, known_device: Option<Uuid>) -> Self {
        if let Some(device) = known_device {
            return Self(vec![Lane::Device(door, device)]);
        }
        let (subject, network) = (subject.to_lowercase(), Network::current());
        Self(vec![
            Lane::From(door, subject.clone(), network),
            Lane::Subject(door, subject),
            Lane::Network(door, network),
        ])
    }

    /// An attempt by somebody who proved already who they are.
    pub fn own(door: Door, subject: Uuid) -> Self {
        Self(vec![Lane::Device(door, subject)])
    }

    /// An attempt at a secret that is too long to guess: counted for the network, and for the
    /// subject as tried from there.
    pub fn random(door: Door, subject: Option<&str>) -> Self {
        let network = Network::current();
        let mut lanes = vec![Lane::Network(door, network)];
        lanes.extend(subject.map(|subject| Lane::From(door, subject.to_owned(), network)));
        Self(lanes)
    }
}

/// Lanes that are remembered at once; a lane takes some hundred bytes.
const LANES_MAX: usize = 100_000;

/// When each lane would be empty.
type Filled = HashMap<Lane, Timestamp>;

/// Counts attempts.
#[derive(Debug, Clone, Default)]
pub struct Throttle(Arc<Mutex<Filled>>);

impl Throttle {
    fn filled(&self) -> MutexGuard<'_, Filled> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Whether an attempt would be taken now.
    ///
    /// # Errors
    /// Throttled, with the time after which one attempt is taken.
    pub fn check(&self, lanes: &Lanes, now: Timestamp) -> Result<(), Fault> {
        check(&self.filled(), lanes, now)
    }

    /// Counts an attempt, until it turns out to be right.
    ///
    /// # Errors
    /// Throttled, with the time after which one attempt is taken; nothing is counted then.
    pub fn reserve(&self, lanes: &Lanes, now: Timestamp) -> Result<Attempt, Fault> {
        let mut filled = self.filled();
        check(&filled, lanes, now)?;
        for lane in &lanes.0 {
            let every = lane.rate().every;
            let until = filled.entry(lane.clone()).or_insert(now);
            *until = (*until).max(now) + every;
        }
        if filled.len() > LANES_MAX {
            forget(&mut filled, now);
        }
        Ok(Attempt {
            throttle: self.clone(),
            lanes: lanes.clone(),
        })
    }
}

/// Forgets lanes that are empty, and when that is not enough the emptier half of the others.
fn forget(filled: &mut Filled, now: Timestamp) {
    filled.retain(|_, until| *until > now);
    if filled.len() > LANES_MAX / 2 {
        let mut all: Vec<Timestamp> = filled.values().copied().collect();
        let middle = all.len() / 2;
        let (_, median, _) = all.select_nth_unstable(middle);
        let median = *median;
        filled.retain(|_, until| *until > median);
    }
}

fn check(filled: &Filled, lanes: &Lanes, now: Timestamp) -> Result<(), Fault> {
    for lane in &lanes.0 {
        let Rate { burst_n, every } = lane.rate();
        let Some(until) = filled.get(lane) else {
            continue;
        };
        // Full once there is no room for one more before the burst is reached.
        let room_at = *until - every * (burst_n - 1);
        if room_at > now {
            let wait = room_at.duration_since(now);
            let wait_s = wait.as_secs() + i64::from(wait.subsec_nanos() > 0);
            return Err(lane.full(wait_s));
        }
    }
    Ok(())
}

/// An attempt that is counted as wrong unless it turns out to be right.
#[derive(Debug)]
#[must_use]
pub struct Attempt {
    throttle: Throttle,
    lanes: Lanes,
}

impl Attempt {
    /// It was right: it does not count.
    pub fn was_right(self) {
        let mut filled = self.throttle.filled();
        for lane in &self.lanes.0 {
            if let Some(until) = filled.get_mut(lane) {
                *until -= lane.rate().every;
            }
        }
    }
}

/// The address from which the present request comes, for logs and the audit trail.
pub fn address_text() -> String {
    platform::origin::address()
        .map(|address: IpAddr| address.to_string())
        .unwrap_or_default()
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn at(s: i64) -> Timestamp {
        Timestamp::from_second(1_800_000_000 + s).unwrap()
    }

    fn wait_s(fault: &Fault) -> i64 {
        let text: String = fault
            .detail()
            .chars()
            .filter(char::is_ascii_digit)
            .collect();
        text.parse().unwrap()
    }

    #[test]
    fn guesses_side_by_side_do_not_pass_the_limit() {
        let throttle = Throttle::default();
        let lanes = Lanes::remembered(Door::Password, "breeder", None);
        let taken: Vec<_> = (0..50)
            .filter_map(|_| throttle.reserve(&lanes, at(0)).ok())
            .collect();
        assert_eq!(taken.len(), 10, "none of them has been looked at yet");
    }

    #[test]
    fn the_wait_that_is_told_is_the_wait_that_is_needed() {
        let throttle = Throttle::default();
        let lanes = Lanes::remembered(Door::Password, "breeder", None);
        for _ in 0..10 {
            let _counted = throttle.reserve(&lanes, at(0)).unwrap();
        }
        let wait = wait_s(&throttle.reserve(&lanes, at(4)).unwrap_err());
        assert_eq!(wait, 26);
        assert!(throttle.check(&lanes, at(4 + wait - 1)).is_err());
        let _counted = throttle.reserve(&lanes, at(4 + wait)).unwrap();
        assert!(throttle.reserve(&lanes, at(4 + wait)).is_err());
    }

    #[test]
    fn what_was_right_does_not_count() {
        let throttle = Throttle::default();
        let lanes = Lanes::remembered(Door::Password, "breeder", None);
        for _ in 0..1000 {
            throttle.reserve(&lanes, at(0)).unwrap().was_right();
        }
    }

    #[test]
    fn a_known_device_is_not_locked_out_by_strangers() {
        let throttle = Throttle::default();
        let strangers = Lanes::remembered(Door::Password, "breeder", None);
        while throttle.reserve(&strangers, at(0)).is_ok() {}
        let known = Lanes::remembered(Door::Password, "breeder", Some(Uuid::nil()));
        throttle.reserve(&known, at(0)).unwrap().was_right();
        // Nor is another login from elsewhere; but the network as a whole has its own limit.
        let other = Lanes::remembered(Door::Password, "field", None);
        throttle.reserve(&other, at(0)).unwrap().was_right();
    }

    #[test]
    fn one_network_that_tries_many_logins_is_stopped() {
        let throttle = Throttle::default();
        let tried = (0..1000)
            .filter(|n| {
                let lanes = Lanes::remembered(Door::Password, &format!("login{n}"), None);
                throttle.reserve(&lanes, at(0)).is_ok()
            })
            .count();
        assert_eq!(tried, 100);
    }

    #[test]
    fn memory_is_bounded_and_the_fullest_lanes_are_kept() {
        let throttle = Throttle::default();
        let full = Lanes::own(Door::OwnPassword, Uuid::nil());
        while throttle.reserve(&full, at(0)).is_ok() {}
        for n in 0..2 * LANES_MAX as u128 {
            let lanes = Lanes::own(Door::OwnPassword, Uuid::from_u128(n + 1));
            let _counted = throttle.reserve(&lanes, at(0)).unwrap();
        }
        assert!(throttle.filled().len() <= LANES_MAX + 1);
        assert!(throttle.check(&full, at(0)).is_err());
    }

    proptest! {
        /// Whatever the moments, no span of a quarter of an hour takes more than the burst and
        /// what empties in it, and after the wait that is told one attempt is taken.
        #[test]
        fn no_more_than_burst_and_rate(steps in prop::collection::vec(0_i64..40, 1..200)) {
            let throttle = Throttle::default();
            let lanes = Lanes::own(Door::OwnPassword, Uuid::nil());
            let (mut now, mut taken) = (0, Vec::new());
            for step in steps {
                now += step;
                match throttle.reserve(&lanes, at(now)) {
                    Ok(_counted) => taken.push(now),
                    Err(fault) => {
                        let wait = wait_s(&fault);
                        prop_assert!(throttle.check(&lanes, at(now + wait)).is_ok());
                        prop_assert!(throttle.check(&lanes, at(now + wait - 1)).is_err());
                    }
                }
            }
            for &from in &taken {
                let within = taken.iter().filter(|t| (from..from + 900).contains(*t)).count();
                prop_assert!(within <= 10 + 30);
            }
        }
    }
}

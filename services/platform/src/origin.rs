//! Where a request comes from: the address at the other end of the connection, or the one that a
//! trusted proxy tells.
//!
//! The address is kept beside the task that answers, so that a service asked by another in the same
//! process sees whoever asked first. To a service elsewhere it is told as `X-Forwarded-For`, which
//! that one believes when this machine is among its trusted proxies.

use std::net::{IpAddr, SocketAddr};
use std::str::FromStr;
use std::sync::Arc;

use axum::body::Body;
use axum::extract::{ConnectInfo, State};
use axum::middleware::Next;
use axum::response::Response;
use http::{HeaderMap, Request};

/// Header by which a proxy tells for whom it asks.
pub const FORWARDED_FOR: &str = "x-forwarded-for";

tokio::task_local! {
    static ORIGIN: Option<IpAddr>;
}

/// The address from which the present request comes; none for work of the service's own.
pub fn address() -> Option<IpAddr> {
    ORIGIN.try_with(|origin| *origin).ok().flatten()
}

/// Does something in the service's own name, whoever's request it serves.
pub async fn as_ourselves<T>(work: impl Future<Output = T>) -> T {
    ORIGIN.scope(None, work).await
}

/// What one subscriber of a network is likely to hold: an address of IPv4, or the upper half of one
/// of IPv6, whose lower half its holder makes up at will.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct Network(Option<IpAddr>);

impl Network {
    /// The network from which the present request comes.
    pub fn current() -> Self {
        Self::of(address())
    }

    /// The network of an address.
    pub fn of(address: Option<IpAddr>) -> Self {
        Self(address.map(|address| match address.to_canonical() {
            IpAddr::V6(v6) => IpAddr::V6((v6.to_bits() >> 64 << 64).into()),
            v4 => v4,
        }))
    }
}

/// A range of addresses, as `10.0.0.0/8` or `192.0.2.7`.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Range {
    base: IpAddr,
    prefix_bits: u32,
}

impl Range {
    fn holds(self, address: IpAddr) -> bool {
        let (bits, one, other) = match (self.base, address) {
            (IpAddr::V4(a), IpAddr::V4(b)) => (
                32,
                u128::from(a.to_bits()) << 96,
                u128::from(b.to_bits()) << 96,
            ),
            (IpAddr::V6(a), IpAddr::V6(b)) => (128, a.to_bits(), b.to_bits()),
            _ => return false,
        };
        let prefix = self.prefix_bits.min(bits);
        prefix == 0 || (one ^ other) >> (128 - prefix) == 0
    }
}

impl FromStr for Range {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let wrong = || format!("{text:?} is no address or range such as 192.0.2.7 or 10.0.0.0/8");
        let (base, prefix) = text.split_once('/').unwrap_or((text, ""));
        let base: IpAddr = base.parse().map_err(|_| wrong())?;
        let most = if base.is_ipv4() { 32 } else { 128 };
        let prefix_bits = match prefix {
            "" if text.contains('/') => return Err(wrong()),
            "" => most,
            digits => digits.parse().map_err(|_| wrong())?,
        };
        if prefix_bits > most {
            return Err(wrong());
        }
        Ok(Self { base, prefix_bits })
    }
}

/// The machines whose word for an address is taken.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct TrustedProxies(Vec<Range>);

impl FromStr for TrustedProxies {
    type Err = String;

    /// Reads addresses and ranges that stand apart by commas or spaces.
    fn from_str(text: &str) -> Result<Self, String> {
        text.split([',', ' ', '\n'])
            .filter(|part| !part.is_empty())
            .map(Range::from_str)
            .collect::<Result<_, _>>()
            .map(Self)
    }
}

impl TrustedProxies {
    fn trusts(&self, address: IpAddr) -> bool {
        self.0.iter().any(|range| range.holds(address))
    }

    /// Whoever asked the first proxy that is not ours to trust: read from the nearest to the
    /// farthest, since everything beyond could have been written by anybody.
    fn origin(&self, peer: IpAddr, headers: &HeaderMap) -> IpAddr {
        let mut nearest = peer.to_canonical();
        let told: Vec<&str> = headers
            .get_all(FORWARDED_FOR)
            .iter()
            .filter_map(|value| value.to_str().ok())
            .flat_map(|value| value.split(','))
            .collect();
        for text in told.into_iter().rev() {
            if !self.trusts(nearest) {
                break;
            }
            let Ok(further) = text.trim().parse::<IpAddr>() else {
                break;
            };
            nearest = further.to_canonical();
        }
        nearest
    }
}

/// Notes for the whole of a request where it comes from.
pub async fn note(
    State(proxies): State<Arc<TrustedProxies>>,
    request: Request<Body>,
    next: Next,
) -> Response {
    let peer = request
        .extensions()
        .get::<ConnectInfo<SocketAddr>>()
        .map(|ConnectInfo(peer)| peer.ip());
    let origin = peer.map(|peer| proxies.origin(peer, request.headers()));
    ORIGIN.scope(origin, next.run(request)).await
}

#[cfg(test)]
mod tests {
    use http::HeaderValue;

    use super::*;

    fn ip(text: &str) -> IpAddr {
        text.parse().unwrap()
    }

    fn told(text: &'static str) -> HeaderMap {
        HeaderMap::from_iter([(
            http::HeaderName::from_static(FORWARDED_FOR),
            HeaderValue::from_static(text),
        )])
    }

    #[test]
    fn nobody_but_a_trusted_proxy_is_believed() {
        let headers = told("198.51.100.9, 203.0.113.5");
        let nobody = TrustedProxies::default();
        assert_eq!(nobody.origin(ip("192.0.2.1"), &headers), ip("192.0.2.1"));
        let one: TrustedProxies = "192.0.2.1".parse().unwrap();
        assert_eq!(one.origin(ip("192.0.2.1"), &headers), ip("203.0.113.5"));
        assert_eq!(one.origin(ip("192.0.2.2"), &headers), ip("192.0.2.2"));
        let two: TrustedProxies = "192.0.2.0/24, 203.0.113.5".parse().unwrap();
        assert_eq!(two.origin(ip("192.0.2.77"), &headers), ip("198.51.100.9"));
        // What is no address ends the chain at the last that was one.
        assert_eq!(two.origin(ip("192.0.2.77"), &told("x")), ip("192.0.2.77"));
    }

    #[test]
    fn ranges_hold_what_they_say() {
        let range: Range = "10.32.0.0/11".parse().unwrap();
        assert!(range.holds(ip("10.63.255.255")));
        assert!(!range.holds(ip("10.64.0.0")));
        assert!(!range.holds(ip("::1")));
        assert!("0.0.0.0/0".parse::<Range>().unwrap().holds(ip("8.8.8.8")));
        assert!(
            "2001:db8::/32"
                .parse::<Range>()
                .unwrap()
                .holds(ip("2001:db8:1::1"))
        );
        for wrong in ["10.0.0.0/33", "10.0.0/8", "10.0.0.0/", "all", "::/129"] {
            assert!(wrong.parse::<Range>().is_err(), "{wrong}");
        }
    }

    #[test]
    fn a_holder_of_many_addresses_is_one_network() {
        let of = |text: &str| Network::of(Some(ip(text)));
        assert_eq!(of("2001:db8:0:1::1"), of("2001:db8:0:1:ffff::2"));
        assert_ne!(of("2001:db8:0:1::1"), of("2001:db8:0:2::1"));
        assert_ne!(of("192.0.2.1"), of("192.0.2.2"));
        assert_eq!(of("::ffff:192.0.2.1"), of("192.0.2.1"));
    }
}

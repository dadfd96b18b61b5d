//! What an installation decides for itself, from its settings.

use std::error::Error;
use std::net::SocketAddr;

use platform::config;
use platform::origin::TrustedProxies;
use platform::quota::Quota;
use platform::server::Faces;

/// What an installation decides.
#[derive(Debug, Clone)]
pub struct Settings {
    /// What it shows of itself beside its operations.
    pub faces: Faces,
    /// Where counts are shown, when not beside the operations.
    pub metrics_at: Option<SocketAddr>,
    /// The machines whose word for a caller's address is taken.
    pub trusted_proxies: TrustedProxies,
    /// How much each person may ask.
    pub person: Quota,
    /// What it decides for the release service.
    pub release: release::Settings,
}

impl Default for Settings {
    fn default() -> Self {
        Self {
            faces: Faces::default(),
            metrics_at: None,
            trusted_proxies: TrustedProxies::default(),
            person: Quota::PERSON,
            release: release::Settings::default(),
        }
    }
}

type Refused = Box<dyn Error + Send + Sync>;

impl Settings {
    /// The settings of this process; DEVELOPERS.md tells what each means.
    ///
    /// # Errors
    /// When one cannot be used.
    pub fn from_environment() -> Result<Self, Refused> {
        let (metrics, metrics_at) = metrics(config::setting("DRUPELINE_METRICS")?.as_deref())?;
        Ok(Self {
            faces: Faces {
                metrics,
                reflection: open("DRUPELINE_REFLECTION")?,
                docs: open("DRUPELINE_DOCS")?,
                tls_in_front: tls_in_front(config::setting("DRUPELINE_TLS")?.as_deref())?,
            },
            metrics_at,
            trusted_proxies: trusted_proxies()?,
            person: Quota {
                per_minute_n: count(
                    "DRUPELINE_PERSON_REQUESTS_PER_MINUTE",
                    Quota::PERSON.per_minute_n,
                )?,
                per_day_n: count("DRUPELINE_PERSON_REQUESTS_PER_DAY", Quota::PERSON.per_day_n)?,
            },
            release: release_settings()?,
        })
    }
}

fn metrics(asked: Option<&str>) -> Result<(bool, Option<SocketAddr>), Refused> {
    Ok(match asked {
        None | Some("open") => (true, None),
        Some("closed") => (false, None),
        Some(address) => {
            let address = address.parse().map_err(|_| {
                format!(
                    "DRUPELINE_METRICS is {address:?}; set it to open, to closed, or to an address and port of its own as 127.0.0.1:9470"
                )
            })?;
            (false, Some(address))
        }
    })
}

fn tls_in_front(asked: Option<&str>) -> Result<bool, Refused> {
    match asked {
        None | Some("none") => Ok(false),
        Some("in-front") => Ok(true),
        Some(other) => Err(format!(
            "DRUPELINE_TLS is {other:?}; set it to in-front when a proxy that speaks TLS stands before every browser, else to none"
        )
        .into()),
    }
}

/// The proxies before this program whose word for a caller's address is taken; nobody's where it is
/// not set.
fn trusted_proxies() -> Result<TrustedProxies, Refused> {
    const NAME: &str = "DRUPELINE_TRUSTED_PROXIES";
    Ok(config::setting(NAME)?
        .unwrap_or_default()
        .parse()
        .map_err(|error| format!("{NAME}: {error}"))?)
}

fn open(name: &str) -> Result<bool, Refused> {
    match config::setting(name)?.as_deref() {
        None | Some("open") => Ok(true),
        Some("closed") => Ok(false),
        Some(other) => Err(format!("{name} is {other:?}; set it to open or to closed").into()),
    }
}

fn count(name: &str, otherwise: u32) -> Result<u32, Refused> {
    match config::setting(name)? {
        None => Ok(otherwise),
        Some(text) => {
            text.parse().ok().filter(|n| *n > 0).ok_or_else(|| {
                format!("{name} is {text:?}; set it to a whole number above 0").into()
            })
        }
    }
}

/// Settings of the release service: the address under which the public reaches the pages
/// (`DRUPELINE_PUBLIC_URL`), and where webhooks may lead (`DRUPELINE_WEBHOOKS_TO`: `public`, which
/// is the default, or `anywhere` for development).
fn release_settings() -> Result<release::Settings, Refused> {
    let webhooks = match config::setting("DRUPELINE_WEBHOOKS_TO")?.as_deref() {
        None | Some("public") => release::Reach::Public,
        Some("anywhere") => release::Reach::Anywhere,
        Some(other) => {
            return Err(format!(
                "DRUPELINE_WEBHOOKS_TO is {other:?}; set it to public, or to anywhere for development"
            )
            .into());
        }
    };
    let public_url = config::setting("DRUPELINE_PUBLIC_URL")?;
    if let Some(url) = &public_url
        && !(url.starts_with("https://") || url.starts_with("http://"))
    {
        return Err(format!(
            "DRUPELINE_PUBLIC_URL is {url:?}; it is printed on tags, so give the whole address, as https://example.org"
        )
        .into());
    }
    Ok(release::Settings {
        public_url,
        webhooks,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn counts_are_open_closed_or_at_an_address_of_their_own() {
        assert_eq!(metrics(None).unwrap(), (true, None));
        assert_eq!(metrics(Some("closed")).unwrap(), (false, None));
        let own = "127.0.0.1:9470".parse().unwrap();
        assert_eq!(metrics(Some("127.0.0.1:9470")).unwrap(), (false, Some(own)));
        let refused = metrics(Some("9470")).unwrap_err().to_string();
        assert!(refused.contains("127.0.0.1:9470"), "{refused}");
    }

    #[test]
    fn tls_is_in_front_only_when_that_is_said() {
        assert!(!tls_in_front(None).unwrap());
        assert!(tls_in_front(Some("in-front")).unwrap());
        assert!(tls_in_front(Some("yes")).is_err());
    }
}

//! Short texts that only this programme can have made: links and labels.
//!
//! A sealed text is the programme's id, what is sealed, and a tag of HMAC-SHA-256 (RFC 2104, FIPS
//! 198-1) cut to 128 bits, in base64url. What it is for goes into the tag, so that a link can never
//! pass as a label.

use base64::Engine as _;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use hmac::{Hmac, KeyInit as _, Mac as _};
use platform::ProgrammeId;
use sha2::Sha256;
use uuid::Uuid;

const TAG_BYTES: usize = 16;
const PROGRAMME_BYTES: usize = 16;

/// What a sealed text is for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Use {
    /// A link to a calendar.
    Calendar,
    /// A label on a tree.
    Label,
}

impl Use {
    fn domain(self) -> &'static [u8] {
        match self {
            Self::Calendar => b"drupeline calendar v1\0",
            Self::Label => b"drupeline label v1\0",
        }
    }
}

fn tag(secret: &[u8], purpose: Use, body: &[u8]) -> Hmac<Sha256> {
    let mut mac =
        Hmac::<Sha256>::new_from_slice(secret).expect("HMAC takes a secret of any length");
    mac.update(purpose.domain());
    mac.update(body);
    mac
}

/// Seals `content` for a programme.
pub fn seal(secret: &[u8], purpose: Use, programme: ProgrammeId, content: &[u8]) -> String {
    let mut body = programme.uuid().as_bytes().to_vec();
    body.extend_from_slice(content);
    let full = tag(secret, purpose, &body).finalize().into_bytes();
    body.extend_from_slice(&full[..TAG_BYTES]);
    URL_SAFE_NO_PAD.encode(body)
}

/// A sealed text that was read and not yet believed.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Sealed {
    body: Vec<u8>,
    tag: Vec<u8>,
}

impl Sealed {
    /// Takes a text apart; `None` when it cannot be one of ours.
    pub fn read(text: &str) -> Option<Self> {
        let mut body = URL_SAFE_NO_PAD.decode(text).ok()?;
        let tag = body.split_off(body.len().checked_sub(TAG_BYTES)?);
        (body.len() >= PROGRAMME_BYTES).then_some(Self { body, tag })
    }

    /// The programme whose secret decides.
    pub fn programme(&self) -> ProgrammeId {
        let mut bytes = [0; PROGRAMME_BYTES];
        bytes.copy_from_slice(&self.body[..PROGRAMME_BYTES]);
        ProgrammeId::from_uuid(Uuid::from_bytes(bytes))
    }

    /// What was sealed, when the seal holds; compared in constant time.
    pub fn open(&self, secret: &[u8], purpose: Use) -> Option<&[u8]> {
        tag(secret, purpose, &self.body)
            .verify_truncated_left(&self.tag)
            .ok()?;
        Some(&self.body[PROGRAMME_BYTES..])
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    const SECRET: [u8; 32] = [7; 32];

    #[test]
    fn a_seal_opens_for_its_own_use_and_secret_only() {
        let programme = ProgrammeId::new();
        let sealed = Sealed::read(&seal(&SECRET, Use::Label, programme, b"US")).unwrap();
        assert_eq!(sealed.programme(), programme);
        assert_eq!(sealed.open(&SECRET, Use::Label), Some(&b"US"[..]));
        assert_eq!(sealed.open(&SECRET, Use::Calendar), None);
        assert_eq!(sealed.open(&[8; 32], Use::Label), None);
    }

    proptest! {
        #[test]
        fn no_changed_bit_goes_unseen(content in proptest::collection::vec(any::<u8>(), 0..40), at in any::<prop::sample::Index>(), bit in 0u8..8) {
            let text = seal(&SECRET, Use::Label, ProgrammeId::new(), &content);
            let mut bytes = URL_SAFE_NO_PAD.decode(&text).unwrap();
            let at = at.index(bytes.len());
            bytes[at] ^= 1 << bit;
            let changed = Sealed::read(&URL_SAFE_NO_PAD.encode(bytes)).unwrap();
            prop_assert_eq!(changed.open(&SECRET, Use::Label), None);
        }

        #[test]
        fn any_text_is_read_without_panic(text in "\\PC{0,90}") {
            if let Some(sealed) = Sealed::read(&text) {
                prop_assert_eq!(sealed.open(&SECRET, Use::Label), None);
            }
        }
    }
}

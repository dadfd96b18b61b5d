//! Short texts that only this programme can have made: links and labels.
//!
//! A sealed text is the programme's id, what is sealed, and a tag of HMAC-SHA-256 (RFC 2104, FIPS
//! 198-1) cut to 128 bits, in base64url. What it is for goes into the tag, so that a link can never
//! pass as a label. Tags are made and checked by the database, which alone holds the secret.

use base64::Engine as _;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use platform::ProgrammeId;
use uuid::Uuid;

/// Bytes of a tag.
pub const TAG_BYTES: usize = 16;
const PROGRAMME_BYTES: usize = 16;

platform::words! {
    /// What a sealed text is for.
    pub enum Use {
        /// A link to a calendar.
        Calendar = "calendar",
        /// A label on a tree.
        Label = "label",
    }
}

/// A sealed text; one that was read is not yet believed.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Sealed {
    /// The programme whose secret decides.
    pub programme: ProgrammeId,
    /// What is sealed.
    pub content: Vec<u8>,
    /// The tag.
    pub tag: Vec<u8>,
}

impl Sealed {
    /// The text.
    pub fn written(&self) -> String {
        let mut bytes = self.programme.uuid().as_bytes().to_vec();
        bytes.extend_from_slice(&self.content);
        bytes.extend_from_slice(&self.tag);
        URL_SAFE_NO_PAD.encode(bytes)
    }

    /// Takes a text apart; `None` when it cannot be one of ours.
    pub fn read(text: &str) -> Option<Self> {
        let mut content = URL_SAFE_NO_PAD.decode(text).ok()?;
        let tag = content.split_off(content.len().checked_sub(TAG_BYTES)?);
        let (programme, content) = content.split_at_checked(PROGRAMME_BYTES)?;
        Some(Self {
            programme: ProgrammeId::from_uuid(Uuid::from_slice(programme).ok()?),
            content: content.to_vec(),
            tag,
        })
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    proptest! {
        #[test]
        fn a_sealed_text_is_read_as_it_was_written(content in proptest::collection::vec(any::<u8>(), 0..40), tag in proptest::collection::vec(any::<u8>(), TAG_BYTES)) {
            let sealed = Sealed { programme: ProgrammeId::new(), content, tag };
            prop_assert_eq!(Sealed::read(&sealed.written()), Some(sealed));
        }

        #[test]
        fn any_text_is_read_without_panic(text in "\\PC{0,90}") {
            if let Some(sealed) = Sealed::read(&text) {
                prop_assert_eq!(sealed.tag.len(), TAG_BYTES);
            }
        }
    }
}

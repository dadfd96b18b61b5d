//! One way to page: by seeking past the last key, never by counting rows.

use base64::Engine as _;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;

use crate::fault::Fault;

/// Rows a list gives when the caller does not say.
pub const DEFAULT_LIMIT: u32 = 50;
/// Rows a list gives at most.
pub const MAX_LIMIT: u32 = 500;

/// What part of a list is asked for.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Page {
    /// Rows wanted.
    pub limit: u32,
    /// Key of the last row already given; empty for the first page.
    pub after: Option<String>,
}

impl Page {
    /// Reads `limit` (0 means the default) and `cursor` (empty means from the start).
    ///
    /// # Errors
    /// Invalid when the limit is above [`MAX_LIMIT`] or the cursor is not one of ours.
    pub fn parse(limit: u32, cursor: &str) -> Result<Self, Fault> {
        let limit = match limit {
            0 => DEFAULT_LIMIT,
            n if n <= MAX_LIMIT => n,
            n => {
                return Err(Fault::field(
                    "/limit",
                    format!("{n} is more than {MAX_LIMIT}; ask for pages of at most {MAX_LIMIT}"),
                ));
            }
        };
        let after = if cursor.is_empty() {
            None
        } else {
            let text = URL_SAFE_NO_PAD
                .decode(cursor)
                .ok()
                .and_then(|bytes| String::from_utf8(bytes).ok())
                // A text that came in packed, and that PostgreSQL cannot take.
                .filter(|text| !text.contains('\0'))
                .ok_or_else(|| {
                    Fault::field(
                        "/cursor",
                        "is not a cursor of ours; use next_cursor as it was given",
                    )
                })?;
            Some(text)
        };
        Ok(Self { limit, after })
    }

    /// Key of the last row already given, parsed; `None` on the first page.
    ///
    /// # Errors
    /// Invalid when the cursor belongs to another list.
    pub fn after_key<K: std::str::FromStr>(&self) -> Result<Option<K>, Fault> {
        self.after
            .as_deref()
            .map(|key| {
                key.parse()
                    .map_err(|_| Fault::field("/cursor", "belongs to another list"))
            })
            .transpose()
    }

    /// Rows to fetch: one more than wanted, so that the end is known without a second query.
    pub fn fetch(&self) -> i64 {
        i64::from(self.limit) + 1
    }

    /// Cuts the extra row off and makes the next cursor from the last row's key.
    pub fn cut<T, K: ToString>(
        &self,
        mut rows: Vec<T>,
        key: impl Fn(&T) -> K,
    ) -> (Vec<T>, Option<String>) {
        if rows.len() > self.limit as usize {
            rows.truncate(self.limit as usize);
            let next = rows
                .last()
                .map(|row| URL_SAFE_NO_PAD.encode(key(row).to_string()));
            (rows, next)
        } else {
            (rows, None)
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_cursor_returns_to_its_key() {
        let page = Page::parse(2, "").unwrap();
        let (rows, next) = page.cut(vec![10, 20, 30], |n| *n);
        assert_eq!(rows, [10, 20]);
        let second = Page::parse(2, &next.unwrap()).unwrap();
        assert_eq!(second.after_key::<i64>().unwrap(), Some(20));
    }

    #[test]
    fn a_page_that_is_not_full_is_the_last() {
        assert_eq!(Page::parse(2, "").unwrap().cut(vec![1, 2], |n| *n).1, None);
    }

    #[test]
    fn no_cursor_brings_a_zero_character_in() {
        assert!(Page::parse(2, &URL_SAFE_NO_PAD.encode("a\0b")).is_err());
    }

    #[test]
    fn too_large_a_page_is_refused() {
        assert!(Page::parse(501, "").is_err());
    }
}

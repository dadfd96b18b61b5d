//! Heritability of entry means.

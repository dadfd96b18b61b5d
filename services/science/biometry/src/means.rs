//! Comparison of means.

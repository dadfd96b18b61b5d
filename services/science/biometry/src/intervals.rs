//! Confidence intervals.

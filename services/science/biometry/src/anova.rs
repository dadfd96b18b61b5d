//! Analysis of variance of designed trials.

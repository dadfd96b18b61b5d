//! Genotype by environment.

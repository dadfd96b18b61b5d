//! A data frame of named columns.

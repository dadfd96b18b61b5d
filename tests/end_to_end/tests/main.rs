//! End to end.

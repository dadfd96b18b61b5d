//! Which pollen is accepted, and what the progeny will be.

//! Augmented designs.

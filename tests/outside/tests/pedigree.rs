//! Outside checks of this family.

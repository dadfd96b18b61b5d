//! Model formulas in Wilkinson and Rogers' notation.

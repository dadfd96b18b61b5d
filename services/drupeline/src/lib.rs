//! The one program.

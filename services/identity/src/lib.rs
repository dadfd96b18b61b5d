//! People, organisations, roles, tokens and keys.

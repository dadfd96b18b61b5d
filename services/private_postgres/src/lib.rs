//! A private PostgreSQL server.

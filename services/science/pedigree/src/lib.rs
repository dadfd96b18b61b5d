//! Kinship, inbreeding and the relationship matrix of plants.

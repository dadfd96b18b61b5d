//! Animal model: breeding values from records and pedigree.

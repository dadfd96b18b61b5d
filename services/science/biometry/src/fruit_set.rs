//! Fruit set: proportions and exact tests.

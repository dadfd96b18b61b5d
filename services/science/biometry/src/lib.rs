//! Designs, mixed models, selection and exact tests for breeding trials.

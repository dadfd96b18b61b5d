//! Selection intensity, indices and response.

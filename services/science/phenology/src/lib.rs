//! Chill, heat and bloom of stone fruit.

//! Plant rights: jurisdictions, clocks, terms and denominations.

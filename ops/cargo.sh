# To be sourced: puts cargo on PATH, or says how to get it.
# shellcheck shell=sh disable=SC1091
if ! command -v cargo >/dev/null && [ -r "${CARGO_HOME:-$HOME/.cargo}/env" ]; then
    . "${CARGO_HOME:-$HOME/.cargo}/env"
fi
if ! command -v cargo >/dev/null; then
    echo "No Rust toolchain found: install one with rustup, https://rustup.rs, and run this again." >&2
    exit 1
fi

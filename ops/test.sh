#!/bin/sh
# Runs every test, after installing the Debian packages that the tests need and that are missing.
# Arguments are passed on to cargo test:
#   ops/test.sh [outside_ -- --nocapture]
set -eu
cd "$(dirname "$0")/.."

ops/debian-packages.sh build-essential postgresql
# shellcheck source=ops/cargo.sh
. ops/cargo.sh
# Every run draws the same cases for the property tests; another seed draws others.
export PROPTEST_RNG_SEED="${PROPTEST_RNG_SEED:-20260301}"
exec cargo test --locked --workspace "$@"

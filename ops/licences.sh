#!/bin/sh
# Checks that the licence of every crate that Drupeline is built from is on the allow list of
# deny.toml.
set -eu
cd "$(dirname "$0")/.."

ops/debian-packages.sh python3
# shellcheck source=ops/cargo.sh
. ops/cargo.sh
cargo metadata --locked --format-version 1 --filter-platform x86_64-unknown-linux-gnu |
    /usr/bin/python3 ops/licences.py deny.toml

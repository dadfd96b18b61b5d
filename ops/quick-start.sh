#!/bin/sh
# From a clean clone to the running demo: installs the Debian packages that are missing, builds in
# release mode and runs `drupeline up --demo`. Arguments are passed on:
#   ops/quick-start.sh [--port N] [--data-dir D]
set -eu
cd "$(dirname "$0")/.."

step() { echo "==> [$1/3] $2"; }

step 1 "Checking what the build and the database need"
ops/debian-packages.sh build-essential postgresql
# shellcheck source=ops/cargo.sh
. ops/cargo.sh

step 2 "Building Drupeline in release mode (minutes the first time, seconds after that)"
cargo build --release --locked --package drupeline
binary="${CARGO_TARGET_DIR:-target}/release/drupeline"

# PostgreSQL never runs as root, and its account cannot pass through root's home.
data_dir_given=no
for argument in "$@"; do
    case "$argument" in --data-dir | --data-dir=*) data_dir_given=yes ;; esac
done
if [ "$(id -u)" -eq 0 ] && [ "$data_dir_given" = no ]; then
    set -- --data-dir /var/lib/drupeline "$@"
fi

step 3 "Starting the demo: $binary up --demo $*"
exec "$binary" up --demo "$@"

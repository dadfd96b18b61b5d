#!/usr/bin/env bash
# Writes what is generated from the code and committed: proto/openapi.json and proto/contract.txt.
# Removing or changing what callers depend on fails; before the first release, and only then,
# DRUPELINE_BREAK_CONTRACT=1 allows it.
set -euo pipefail
cd "$(dirname "$0")/.."
. ops/cargo.sh
DRUPELINE_REGENERATE=1 cargo test --quiet -p end-to-end --test end_to_end contract::
git --no-pager diff --stat -- proto

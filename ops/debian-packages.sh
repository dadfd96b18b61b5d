#!/bin/sh
# Installs those of the named Debian packages that are missing.
#   ops/debian-packages.sh PACKAGE...
set -eu

missing=""
for package in "$@"; do
    status=$(dpkg-query --show --showformat='${db:Status-Status}' "$package" 2>/dev/null || true)
    [ "$status" = installed ] || missing="$missing $package"
done
[ -n "$missing" ] || exit 0

if ! command -v apt-get >/dev/null; then
    echo "This machine has no apt-get. Install what matches these Debian packages:$missing" >&2
    exit 1
fi
as_root=""
if [ "$(id -u)" -ne 0 ]; then
    if ! command -v sudo >/dev/null; then
        echo "Neither root nor sudo. As root, run: apt-get install$missing" >&2
        exit 1
    fi
    as_root=sudo
fi
echo "==> Installing Debian packages:$missing"
$as_root apt-get update --quiet=2
# Split on purpose: one word for each package.
# shellcheck disable=SC2086
$as_root env DEBIAN_FRONTEND=noninteractive \
    apt-get install --quiet=2 --yes --no-install-recommends $missing

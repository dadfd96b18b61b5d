#!/bin/sh
# Makes a file in ops/secrets for each secret that docker-compose.yml names, with 32 random bytes each.
# What is there already is left as it is; to change one, remove its file, run this again, and start
# the services again.
#
# The folder is closed to everybody else; the files in it are not, because inside a container they are
# read by an account that owns nothing.
set -eu
cd "$(dirname "$0")"
umask 077
mkdir -p secrets
chmod 700 secrets

secret() {
    [ -s "secrets/$1" ] || od -An -v -tx1 -N32 /dev/urandom | tr -d ' \n' >"secrets/$1"
    chmod 644 "secrets/$1"
}

secret postgres_password
for service in identity crossing evaluation release; do
    secret "${service}_db_password"
    secret "${service}_service_secret"
done
secret dashboard_service_secret
secret setup_key
printf 'postgres://postgres:%s@postgres/drupeline' "$(cat secrets/postgres_password)" \
    >secrets/database_url
chmod 644 secrets/database_url
echo "the secrets are in $(pwd)/secrets; what founds a programme is in setup_key"

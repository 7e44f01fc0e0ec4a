#!/bin/sh
# `bayledger` on the database of an installation without containers; for root, who may read its passwords. What looks at
# everything, or makes a database or tokens, goes as the schema's owner, all else with the service's lesser rights.
set -eu
case ${1:-} in
    backup | migrate | restore | selfcheck | token) role=owner ;;
    *) role=service ;;
esac
export BAYLEDGER_DATABASE_URL="postgresql://bayledger_$role@127.0.0.1/bayledger"
export BAYLEDGER_DATABASE_PASSWORD_FILE="/etc/bayledger/secrets/${role}_password"
export BAYLEDGER_DATA_DIR=/var/lib/bayledger
program=/srv/bayledger/.venv/bin/bayledger
[ "${1:-}" = backup ] || exec "$program" "$@"
# A folder in which root had written, the nightly backup could not use. Its user is lent the one password.
exec 3< "$BAYLEDGER_DATABASE_PASSWORD_FILE"
export BAYLEDGER_DATABASE_PASSWORD_FILE=/dev/fd/3
exec runuser -u bayledger -- "$program" "$@"

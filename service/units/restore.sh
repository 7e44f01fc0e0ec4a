#!/bin/sh
# A backup put back in an installation without containers, as root:
#   bayledger-restore FILE
# The ledger is stopped meanwhile. What was there is kept beside it as another database; where it does not succeed, nothing
# has changed.
set -eu

[ $# = 1 ] && [ -f "$1" ] || {
    echo "usage: bayledger-restore FILE, such as" >&2
    ls /var/backups/bayledger/*.dump >&2
    exit 2
}

switch() { [ ! -d /run/systemd/system ] || systemctl "$@"; }
# The owner makes no databases but for this.
owner_may() { (cd / && runuser -u postgres -- psql --no-psqlrc --quiet --command "ALTER ROLE bayledger_owner $1"); }
leave() { owner_may NOCREATEDB || echo "bayledger_owner may still make databases: run it again" >&2; switch start bayledger-serve bayledger-worker; }

trap leave EXIT
trap 'exit 1' HUP INT TERM
switch stop bayledger-serve bayledger-worker bayledger-migrate
owner_may CREATEDB
/usr/local/sbin/bayledger restore "$1" --overwrite bayledger

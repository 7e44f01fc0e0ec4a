#!/bin/sh
# A hot standby of the ledger's Postgres: at its first start it copies the primary, then it follows it.
# Where it has stayed behind for longer than the primary keeps its log, remove its folder and start it again.
set -eu
if [ ! -s "$PGDATA/PG_VERSION" ]; then
    # Aside, and into place when it is whole: half a copy would look like one to the next start.
    rm -rf "$PGDATA.new"
    mkdir -p "$PGDATA.new"
    chmod 700 "$PGDATA.new"
    PGPASSWORD=$(cat "$BAYLEDGER_STANDBY_PASSWORD_FILE") pg_basebackup --host "$BAYLEDGER_PRIMARY" \
        --username bayledger_standby --pgdata "$PGDATA.new" --write-recovery-conf --wal-method stream --checkpoint fast
    rm -rf "$PGDATA"
    mv "$PGDATA.new" "$PGDATA"
fi
exec postgres -D "$PGDATA" -c hot_standby_feedback=on

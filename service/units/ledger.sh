#!/bin/sh
# `bayledger` on the database of an installation without containers; for root, who may read its password.
BAYLEDGER_DATABASE_URL=postgresql://bayledger_service@127.0.0.1/bayledger \
BAYLEDGER_DATABASE_PASSWORD_FILE=/etc/bayledger/secrets/service_password \
BAYLEDGER_DATA_DIR=/var/lib/bayledger \
    exec /srv/bayledger/.venv/bin/bayledger "$@"

#!/bin/sh
# The passwords of an installation, one a file, made where they are missing: secrets.sh FOLDER
# Nobody but the folder's owner gets at them. Each file itself may be read by all, because containers are given the
# files one by one and read them as users of their own.
set -eu
[ $# -eq 1 ] || { echo "usage: secrets.sh FOLDER" >&2; exit 2; }
mkdir -p "$1"
chmod 700 "$1"
for name in superuser_password owner_password service_password standby_password; do
    [ -s "$1/$name" ] || openssl rand -hex 24 > "$1/$name"
    chmod 444 "$1/$name"
done

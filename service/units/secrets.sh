#!/bin/sh
# The passwords of an installation, one a file, made where they are missing: secrets.sh FOLDER [NAME...]
# Without a name: all that the containers need.
# Nobody but the folder's owner gets at them. Each file itself may be read by all, because containers are given the
# files one by one and read them as users of their own.
set -eu
[ $# -ge 1 ] || { echo "usage: secrets.sh FOLDER [NAME...]" >&2; exit 2; }
folder=$1
shift
[ $# -ge 1 ] || set -- superuser_password owner_password service_password standby_password
mkdir -p "$folder"
chmod 700 "$folder"
for name in "$@"; do
    [ -s "$folder/$name" ] || openssl rand -hex 24 > "$folder/$name"
    chmod 444 "$folder/$name"
done

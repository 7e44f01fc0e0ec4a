#!/bin/sh
# By which names and addresses the ledger is reached: names.sh FILE [--new-authority] [NAME...]
# Says them, as they stand in the file where the same are given or none. Other ones make another authority, which no bay
# and no tablet trusts yet, so that they must be meant.
set -eu

refuse() { echo "$*" >&2; exit 1; }
sorted() { printf '%s\n' "$@" | sort -u; }

file=$1
shift
meant=no
[ "${1:-}" != --new-authority ] || { meant=yes; shift; }
BAYLEDGER_NAMES=
# shellcheck disable=SC1090  # written below by install.sh
[ ! -s "$file" ] || . "$file"
[ $# -ge 1 ] || [ -n "$BAYLEDGER_NAMES" ] ||
    refuse "say by which names or addresses the ledger is reached, such as ledger.internal 192.168.1.20"

# shellcheck disable=SC2086  # several names, one word each
if [ $# = 0 ] || [ "$(sorted "$@")" = "$(sorted $BAYLEDGER_NAMES)" ]; then
    echo "$BAYLEDGER_NAMES"
elif [ -z "$BAYLEDGER_NAMES" ] || [ $meant = yes ]; then
    echo "$*"
else
    refuse "the ledger is reached by $BAYLEDGER_NAMES; with $* every bay and tablet must trust another authority. Where that is" \
        "meant: install.sh --new-authority $*"
fi

#!/bin/sh
# Any minute of the database brought back, by Postgres's own programs: a copy of it each week, and its log (WAL) as it is
# written. README, "Backups", goes through it. Run by the database's own user; where the server is, libpq's variables say.
#   archive.sh follow ARCHIVE              keeps the log for as long as the server can be reached
#   archive.sh base ARCHIVE                takes a copy, holds it against its sums, lets old ones go and the log before them
#   archive.sh back ARCHIVE DATA MOMENT    brings the newest copy before a moment (or `latest`) to it, in the place of DATA
set -eu
umask 077

KEPT=3          # copies: one a week makes any minute of the last two weeks (our choice)
PATIENCE_S=60   # until what was written must be in the archive, and a server that stops must have ended (our choice)

refuse() { echo "archive.sh: $*" >&2; exit 1; }

# The file of the log with which a copy begins.
first_of() { sed -n 's/^START WAL LOCATION: .*(file \([0-9A-F]*\))$/\1/p' "$1/backup_label"; }

# Programs of the version that wrote the data; Debian has only some of them where programs are looked for.
use_programs_of() { PATH=/usr/lib/postgresql/$(cat "$1/PG_VERSION")/bin:$PATH; }

log_in() { [ -z "${BAYLEDGER_STANDBY_PASSWORD_FILE:-}" ] || export PGPASSWORD="$(cat "$BAYLEDGER_STANDBY_PASSWORD_FILE")"; }

# A file is filled with zeros before anything is written to it. Where that was cut short (a full disk, a power cut, a signal)
# pg_receivewal refuses to go on, and so does a server that is to read it.
forget_what_was_not_begun() {
    for file in "$1"/*.partial; do
        [ ! -e "$file" ] || [ "$(tr -d '\0' < "$file" | head -c 1 | wc -c)" != 0 ] || rm "$file"
    done
}

# Before Postgres 16 it ends in good order by SIGINT alone (its documentation).
end_following() {
    kill -INT "$receiver" 2> /dev/null || true
    wait "$receiver" || true
    exit 0
}

# It ends where Postgres's program does: what started it starts it again, and tells where that fails.
follow() {
    mkdir -p "$1/log"
    log_in
    forget_what_was_not_begun "$1/log"
    receiver=
    trap end_following INT TERM
    pg_receivewal --directory "$1/log" --synchronous --no-password --no-loop &
    receiver=$!
    wait "$receiver"
}

base() {
    exec 9> "$1/.lock"
    flock --nonblock 9 || refuse "another base backup into $1 is under way"
    new=$1/.unfinished
    rm -rf "$new"
    log_in
    pg_basebackup --pgdata "$new" --checkpoint fast --wal-method stream --no-password
    use_programs_of "$new"
    pg_verifybackup --quiet "$new"
    # The end of a base backup closes the file of the log: in an archive that follows, it is there at once.
    first=$(first_of "$new")
    waited=0
    until [ -e "$1/log/$first" ]; do
        [ "$waited" -lt "$PATIENCE_S" ] ||
            refuse "$1/log has not the log from $first on: nothing follows it. See what bayledger-archive (Docker: archive)" \
                "says; where it misses a file, move $1/log aside, let it begin anew, and run this again"
        waited=$((waited + 1))
        sleep 1
    done
    made=$1/base-$(date -u +%Y%m%dT%H%M%SZ)
    mv "$new" "$made"
    thin_out "$1"
    echo "$made: held against its sums; any minute from now on can be brought back"
}

thin_out() {
    ls -d "$1"/base-* | head -n "-$KEPT" | while read -r old; do
        mv "$old" "$1/.going"  # half of one would look like one
        rm -rf "$1/.going"
    done
    oldest=$(ls -d "$1"/base-* | head -n 1)
    pg_archivecleanup "$1/log" "$(first_of "$oldest")"
}

# The newest copy that was finished before a moment, given as the copies are named.
newest_before() {
    found=
    for one in "$1"/base-*; do
        [ -d "$one" ] || continue
        earlier=$(printf '%s\n' "${one##*/base-}" "$2" | sort | head -n 1)
        [ "$earlier" = "$2" ] || found=$one
    done
    echo "$found"
}

# A server that was told to stop: Debian's `systemctl stop postgresql` does not wait for it.
until_it_has_ended() {
    waited=0
    while [ -e "$1/postmaster.pid" ]; do
        [ "$waited" -lt "$PATIENCE_S" ] ||
            refuse "a server runs in $1: stop it. Where it was killed and none runs, remove $1/postmaster.pid"
        waited=$((waited + 1))
        sleep 1
    done
}

back() {
    archive=$1 data=$2 now=$(date -u +%Y%m%dT%H%M%SZ)
    case $3 in
        latest) moment='' stamp=latest ;;
        *:*[+-][0-9][0-9] | *:*[+-][0-9][0-9]:[0-9][0-9] | *:*Z)
            moment=$(date -u -d "$3" '+%F %T.%6N+00') && stamp=$(date -u -d "$3" +%Y%m%dT%H%M%SZ) || refuse "$3 is no moment" ;;
        *) refuse "say the moment with its distance from UTC, such as '2026-03-01 14:05:00+01', or latest; this is $3" ;;
    esac
    base=$(newest_before "$archive" "$stamp")
    [ -n "$base" ] || refuse "no base backup in $archive is older than $3; there are: $(cd "$archive" && ls -d base-* 2> /dev/null | tr "\n" " ")"
    until_it_has_ended "$data"
    forget_what_was_not_begun "$archive/log"
    echo "from $base to ${moment:-the end of the log}"
    new=$data-new
    rm -rf "$new"
    mkdir -p "$(dirname "$data")"
    cp -R -p "$base" "$new"
    chmod 700 "$new"
    bring_to "$new" "$archive/log" "$moment"
    if [ -e "$data" ]; then mv "$data" "$data-until-$now"; fi
    mv "$new" "$data"
    # What is written from now on is another log: it must not continue this one.
    mkdir "$archive/until-$now"
    mv "$archive/log" "$archive"/base-* "$archive/until-$now/"
    echo "$data is what it was then. What stood there is $data-until-$now, the archive that led here $archive/until-$now"
}

# A server that nobody can reach reads the log up to the moment, opens, and is stopped.
bring_to() {
    use_programs_of "$1"
    export LC_ALL=C
    settings=$1/postgresql.conf
    [ -e "$settings" ] || settings=/etc/postgresql/$(cat "$1/PG_VERSION")/$(basename "$data")/postgresql.conf  # as Debian has it
    touch "$1/recovery.signal"
    door=$(mktemp -d)
    postgres -D "$1" -c "config_file=$settings" -c "data_directory=$1" -c listen_addresses= \
        -c "unix_socket_directories=$door" -c "recovery_target_time=$3" -c recovery_target_action=promote \
        -c "restore_command=cp '$2/%f' '%p' 2> /dev/null || cp '$2/%f.partial' '%p' 2> /dev/null" &
    server=$!
    trap 'kill -INT "$server" 2> /dev/null || true; rm -rf "$door"' EXIT
    # It is ready for reading long before; and a copy says of itself at first what its original was.
    until [ ! -e "$1/recovery.signal" ] && pg_controldata -D "$1" | grep -q 'state: *in production$'; do
        kill -0 "$server" 2> /dev/null || { rm -rf "$1"; refuse "the log does not lead there, see above. Nothing was changed"; }
        sleep 0.2
    done
    kill -INT "$server"
    wait "$server"
}

case ${1:-}:$# in
    follow:2 | base:2) "$@" ;;
    back:4) "$@" ;;
    *) sed -n 's/^#   /usage: /p' "$0" >&2; exit 2 ;;
esac

#!/bin/sh
# Tells that a unit failed: failed.sh UNIT, run by bayledger-failed@.service
# A line in the journal, and a mail where the machine has a mail program: to MAILTO, as for cron, else to root. An empty
# MAILTO= sends none.
set -eu

REST_S=3600  # while it rests, systemd starts it no second time: what fails every 3 s is told once an hour (our choice)

unit=$1
line="$unit failed on $(uname -n): systemctl status $unit; journalctl --unit $unit"
to=${MAILTO-root}

letter() {
    printf '%s\n' "To: $to" "Subject: Bayledger: $unit failed on $(uname -n)" 'MIME-Version: 1.0' \
        'Content-Type: text/plain; charset=utf-8' 'Content-Transfer-Encoding: 8bit' '' "$line" '' 'The last it said:'
    journalctl --unit "$unit" --lines 30 --no-pager --quiet --output short-iso | cut -c -900  # RFC 5322 allows 998
}

echo "<2>$line" >&2  # critical: sd-daemon(3)
if [ -n "$to" ] && command -v sendmail > /dev/null; then
    letter | sendmail -i -t || echo "<3>the mail to $to was not taken" >&2
fi
exec sleep "$REST_S"

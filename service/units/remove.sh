#!/bin/sh
# An installation without containers taken off its machine again, as root:
#   cd /srv/bayledger && sh service/units/remove.sh
# What install.sh put there, backwards; it can be run again at any time. What the shop measured stays, and what opens it: the
# database and its roles, backups, passwords, ledger.env, the key for VINs, a certificate of the shop's own. README, "Taking it
# away again", says how those go.
set -eu

refuse() { echo "remove.sh: $*" >&2; exit 1; }

[ "$(id -u)" = 0 ] || refuse "this changes the system: run it as root"
cd "$(dirname "$0")"
system=/etc/systemd/system

# By name, one by one: a bay's unit on this machine has a name like ours.
now=
[ ! -d /run/systemd/system ] || now=--now
for unit in bayledger-*.timer bayledger-*[!@].service; do
    [ ! -e "$system/$unit" ] || systemctl disable --quiet $now "$unit"
done
[ -z "$now" ] || systemctl stop 'bayledger-failed@*'  # last: what was ended at work is told as failed
for file in bayledger-*.timer bayledger-*.service *.service.d/*; do
    rm -f "$system/$file"
done
for folder in *.service.d; do
    [ ! -d "$system/$folder" ] || rmdir --ignore-fail-on-non-empty "$system/$folder"  # the shop's own lines stay
done
rm -f /var/lib/systemd/timers/stamp-bayledger-*.timer
if [ -n "$now" ]; then
    systemctl daemon-reload
    for unit in bayledger-*[!@].service; do
        systemctl reset-failed "$unit" 2> /dev/null || true  # of one that is gone systemd may know nothing
    done
fi

rm -f /etc/nginx/sites-enabled/bayledger /etc/nginx/sites-available/bayledger
[ -z "$now" ] || ! command -v nginx > /dev/null || systemctl try-reload-or-restart nginx

# The authority last: by it a certificate that was made here is told from the shop's own.
tls=/etc/bayledger/tls
if openssl verify -no_check_time -CAfile $tls/authority.pem $tls/certificate.pem > /dev/null 2>&1; then
    rm -f $tls/certificate.pem $tls/key.pem
fi
rm -rf $tls/authority.pem $tls/authority-key.pem $tls/names $tls/.new.*
[ ! -d $tls ] || rmdir --ignore-fail-on-non-empty $tls
rm -f /etc/bayledger/names.env

rm -f /usr/local/sbin/bayledger /usr/local/sbin/bayledger-restore
rm -rf /var/cache/bayledger

# A number without a user is given to the next one that is made, who would then own backups and key.
for folder in /var/lib/bayledger /var/backups/bayledger; do
    [ ! -d $folder ] || chown -R root:root $folder
done
! id bayledger > /dev/null 2>&1 || userdel bayledger

echo "The ledger is gone from this machine. The database, backups, passwords and the key for VINs stay: README, \"Taking it away again\"."

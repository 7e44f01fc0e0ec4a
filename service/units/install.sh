#!/bin/sh
# The ledger on a Debian machine of its own, without containers:
#   cd /srv/bayledger && sh service/units/install.sh ledger.internal 192.168.1.20
# as root, with the names and IPv4 addresses it is reached by. It can be run again at any time, without them, also to bring a
# newer version into service; passwords, certificates and the database stay as they are. remove.sh takes it away again.
set -eu
umask 022

PATIENCE_S=60  # until a ledger that was started answers (our choice)

refuse() { echo "install.sh: $*" >&2; exit 1; }

is_ready() { curl --silent --fail --noproxy '*' --max-time 5 --output /dev/null http://127.0.0.1:8321/v1/ready; }

[ "$(id -u)" = 0 ] || refuse "this changes the system: run it as root"
[ "$PWD" = /srv/bayledger ] || refuse "the units look for the code in /srv/bayledger; this is $PWD"
for program in curl openssl nginx psql python3 runuser; do
    command -v "$program" > /dev/null ||
        refuse "$program is missing: apt-get update && apt-get install --yes curl nginx openssl postgresql python3-venv"
done

names=$(sh service/units/names.sh /etc/bayledger/names.env "$@")

id bayledger > /dev/null 2>&1 ||
    useradd --system --user-group --home-dir /var/lib/bayledger --shell /usr/sbin/nologin bayledger
python3 -c 'import bootstrap; bootstrap.ensure("run")'
.venv/bin/python -m compileall -q service migrations seed

install -d -m 700 /etc/bayledger /etc/bayledger/tls
install -d -o bayledger -g bayledger -m 700 /var/backups/bayledger
chown -R bayledger:bayledger /var/backups/bayledger  # a disk from a former machine knows its user by another number
sh service/units/secrets.sh /etc/bayledger/secrets owner_password service_password
# shellcheck disable=SC2086  # several names, one word each
sh service/proxy/certificate.sh /etc/bayledger/tls $names
echo "BAYLEDGER_NAMES=\"$names\"" > /etc/bayledger/names.env

# Each time, so that what was cut off half-way is finished, and roles may do what this version grants them.
(cd / && BAYLEDGER_OWNER_PASSWORD=$(cat /etc/bayledger/secrets/owner_password) \
    BAYLEDGER_SERVICE_PASSWORD=$(cat /etc/bayledger/secrets/service_password) \
    runuser -u postgres -- psql --no-psqlrc --quiet --dbname postgres --file /srv/bayledger/migrations/roles.sql)

cp service/units/*.service service/units/*.timer /etc/systemd/system/
cp -R service/units/*.service.d /etc/systemd/system/
install -m 755 service/units/ledger.sh /usr/local/sbin/bayledger
install -m 755 service/units/restore.sh /usr/local/sbin/bayledger-restore
install -m 644 service/proxy/site.conf /etc/nginx/sites-available/bayledger
ln -sf ../sites-available/bayledger /etc/nginx/sites-enabled/bayledger
rm -f /etc/nginx/sites-enabled/default
nginx -t -q

if [ -d /run/systemd/system ]; then
    systemctl daemon-reload
    systemctl enable --quiet bayledger-serve bayledger-worker
    systemctl enable --quiet --now bayledger-certificate.timer bayledger-backup.timer bayledger-selfcheck.timer
    systemctl restart bayledger-serve bayledger-worker
    systemctl try-restart bayledger-archive  # where it was switched on
    systemctl reload-or-restart nginx
    # A start is not yet an answer: a message of success would hide what the journal says.
    waited=0
    until is_ready; do
        [ "$waited" -lt "$PATIENCE_S" ] || refuse "the ledger does not answer: systemctl --state=failed,auto-restart;" \
            "journalctl --unit bayledger-migrate --unit bayledger-serve --lines 30"
        waited=$((waited + 1))
        sleep 1
    done
    echo "The ledger is at https://${names%% *}/. Bays and tablets trust /etc/bayledger/tls/authority.pem."
else
    echo "There is no systemd here: everything is in its place, and nothing was started."
fi

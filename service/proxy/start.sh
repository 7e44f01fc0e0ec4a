#!/bin/sh
# The dashboard's container: see to the certificate, then be nginx.
set -eu
here=/srv/bayledger/service/proxy

# shellcheck disable=SC2086  # several names, one word each
certificate() { sh "$here/certificate.sh" /etc/bayledger/tls $BAYLEDGER_NAMES; }

certificate
# Once a day: a certificate near its end is made again, and one the shop has put in its place is taken up.
while sleep 86400; do certificate && nginx -e stderr -c "$here/nginx.conf" -s reload; done &
exec nginx -e stderr -c "$here/nginx.conf"

#!/bin/sh
# The certificate that this installation shows.
#   certificate.sh FOLDER NAME...      certificate.sh /etc/bayledger/tls ledger.internal 192.168.1.20
# Where the shop has put certificate.pem and key.pem of its own into the folder, they are left alone. Else an authority is
# made once, which can vouch for these names and no others, and under it a certificate that is made again 90 days
# before it ends. Bays and tablets trust authority.pem. Other names make another authority, to be trusted anew.
set -eu
umask 077

[ $# -ge 2 ] || { echo "usage: certificate.sh FOLDER NAME..." >&2; exit 2; }
cd "$1"
shift

made_here() {
    [ -s authority.pem ] && openssl verify -no_check_time -CAfile authority.pem certificate.pem >/dev/null 2>&1
}

if [ -s certificate.pem ] && ! made_here; then
    openssl x509 -in certificate.pem -noout -checkend 2592000 >/dev/null ||
        echo "the shop's own certificate ends within 30 days: put a new one into its place" >&2
    exit 0
fi

said= allowed=
for name in localhost 127.0.0.1 "$@"; do
    case $name in
        *[!A-Za-z0-9.-]* | "") echo "$name is neither a host name nor an IPv4 address" >&2; exit 2 ;;
        *[!0-9.]*) said="$said,DNS:$name" allowed="$allowed,permitted;DNS:$name" ;;
        *) said="$said,IP:$name" allowed="$allowed,permitted;IP:$name/255.255.255.255" ;;
    esac
done

sorted() { printf '%s\n' "$@" | sort -u; }

new=$(mktemp -d "$PWD/.new.XXXXXX")
trap 'rm -rf "$new"' EXIT
cat > "$new/settings" <<END
[req]
distinguished_name = who
prompt = no
[who]
CN = Bayledger of $1
[authority]
basicConstraints = critical, CA:TRUE, pathlen:0
keyUsage = critical, keyCertSign
subjectKeyIdentifier = hash
nameConstraints = critical$allowed
[server]
basicConstraints = critical, CA:FALSE
keyUsage = critical, digitalSignature
extendedKeyUsage = serverAuth
subjectKeyIdentifier = hash
authorityKeyIdentifier = keyid
subjectAltName = ${said#,}
END

# shellcheck disable=SC2046  # several names, one word each
if [ ! -s authority.pem ] || [ "$(sorted $(cat names))" != "$(sorted "$@")" ]; then
    openssl req -x509 -config "$new/settings" -extensions authority -days 7300 -nodes \
        -newkey ec -pkeyopt ec_paramgen_curve:P-256 -keyout "$new/authority-key.pem" -out "$new/authority.pem" 2>/dev/null
    echo "$*" > "$new/names"
    rm -f certificate.pem
    mv "$new/authority-key.pem" "$new/authority.pem" "$new/names" .  # its names last: cut off before, it is made again
    echo "made an authority for $*: bays and tablets must trust $PWD/authority.pem"
fi

# 800 days: some tablets take no certificate that lasts longer than 825.
if [ ! -s certificate.pem ] || ! openssl x509 -in certificate.pem -noout -checkend 7776000 >/dev/null; then
    openssl req -new -config "$new/settings" -subj "/CN=Bayledger" -nodes \
        -newkey ec -pkeyopt ec_paramgen_curve:P-256 -keyout "$new/key.pem" -out "$new/request.pem" 2>/dev/null
    openssl x509 -req -in "$new/request.pem" -CA authority.pem -CAkey authority-key.pem \
        -set_serial "0x$(openssl rand -hex 16)" -days 800 -extfile "$new/settings" -extensions server \
        -out "$new/certificate.pem" 2>/dev/null
    mv "$new/key.pem" "$new/certificate.pem" .
    echo "made a certificate for $*"
fi

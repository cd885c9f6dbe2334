#!/bin/sh
# A small authority for brokers and boards, with openssl. Keep its folder on a machine that is neither: who has ca.key can
# be any board.
#
#   certificates.sh ca                        the authority, once
#   certificates.sh broker NAME [ADDRESS…]    a broker's, for its host name and further names or addresses
#   certificates.sh board SITE                a board's, by the site in its kitchen.yaml; also to renew one before it ends
#   certificates.sh reader NAME               of who reads, such as dashboard
#   certificates.sh revoke NAME               no certificate of that name holds any more: writes crl.pem anew
#   certificates.sh crl                       writes crl.pem anew; once it has ended, brokers let nobody in
#   certificates.sh list                      who has which, until when
#
# DIR is the authority's folder, ./certificates unless told. What is made holds 397 days (DAYS), crl.pem too, the
# authority ten years. Every key is readable by its owner alone, and no key is written over: a renewed one has the same name in a new file,
# NAME-2.key beside NAME-2.pem, and both go to the board as one.
set -eu
umask 077
dir=${DIR-certificates}
days=${DAYS-397}

fail() { echo "certificates.sh: $*" >&2; exit 1; }
command -v openssl > /dev/null || fail "openssl is missing; install Debian's package openssl"
case "$days" in "" | *[!0-9]*) fail "DAYS is a number of days" ;; esac

named() {
  case "${1-}" in
    "" | *[!A-Za-z0-9._-]* | [!A-Za-z0-9]*) fail "$2; write it with letters, digits, dot, dash and underscore" ;;
  esac
}
made() { [ -e "$dir/ca.key" ] || fail "there is no authority in $dir; make it with: certificates.sh ca"; }

# config is what openssl is told of the authority. It is written anew each time: where the folder lies may change.
config() {
  cat > "$dir/openssl.cnf" <<END
[ca]
default_ca = own
[own]
database = $dir/index.txt
serial = $dir/serial
crlnumber = $dir/crlnumber
new_certs_dir = $dir/issued
certificate = $dir/ca.pem
private_key = $dir/ca.key
default_md = sha256
default_crl_days = $days
policy = anything
unique_subject = no
[anything]
commonName = supplied
[req]
distinguished_name = none
[none]
[authority]
basicConstraints = critical, CA:TRUE, pathlen:0
keyUsage = critical, keyCertSign, cRLSign
subjectKeyIdentifier = hash
END
}

# key writes an elliptic curve's key (P-256: every broker's TLS takes it, and a small board signs with it in no time).
key() { openssl genpkey -algorithm EC -pkeyopt ec_paramgen_curve:P-256 -out "$1" 2> /dev/null; }

ca() {
  [ ! -e "$dir/ca.key" ] || fail "$dir/ca.key is there; it is not written over, for it would make every certificate worthless"
  mkdir -p "$dir/issued"
  config
  key "$dir/ca.key"
  openssl req -new -x509 -config "$dir/openssl.cnf" -extensions authority -key "$dir/ca.key" -subj "/CN=kitchens" -days 3650 -out "$dir/ca.pem"
  : > "$dir/index.txt"
  openssl rand -hex 16 > "$dir/serial"
  echo 01 > "$dir/crlnumber"
  crl
  echo "made $dir/ca.pem, for brokers and boards as ca_file, and $dir/ca.key, for nobody"
}

# issue NAME USE NAMES: a key and a certificate for it.
issue() {
  made
  file=$1 n=1
  while [ -e "$dir/$file.key" ]; do n=$((n + 1)) file=$1-$n; done
  config
  printf 'basicConstraints = critical, CA:FALSE\nkeyUsage = critical, digitalSignature\nextendedKeyUsage = %s\nsubjectAltName = %s\n' "$2" "$3" > "$dir/extensions.cnf"
  key "$dir/$file.key"
  openssl req -new -config "$dir/openssl.cnf" -key "$dir/$file.key" -subj "/CN=$1" -out "$dir/$file.csr"
  # NOT_AFTER, as YYYYMMDDHHMMSSZ, is for a test.
  openssl ca -batch -notext -config "$dir/openssl.cnf" -extfile "$dir/extensions.cnf" -days "$days" ${NOT_AFTER:+-startdate 20200101000000Z -enddate "$NOT_AFTER"} \
    -in "$dir/$file.csr" -out "$dir/$file.pem" 2> "$dir/openssl.log" || { rm -f "$dir/$file.key"; cat "$dir/openssl.log" >&2; fail "openssl did not sign it"; }
  rm -f "$dir/$file.csr" "$dir/extensions.cnf" "$dir/openssl.log"
  echo "made $dir/$file.pem and $dir/$file.key: $(openssl x509 -in "$dir/$file.pem" -noout -enddate | sed 's/notAfter=/until /')"
}

crl() { openssl ca -config "$dir/openssl.cnf" -gencrl -out "$dir/crl.pem" 2> /dev/null; }

revoke() {
  made
  config
  serials=$(awk -F '\t' -v name="/CN=$1" '$1 == "V" && $6 == name { print $4 }' "$dir/index.txt")
  [ -n "$serials" ] || fail "no certificate of $1 holds"
  for serial in $serials; do
    openssl ca -config "$dir/openssl.cnf" -revoke "$dir/issued/$serial.pem" 2> /dev/null || fail "openssl did not revoke $serial of $1"
    echo "revoked $serial of $1"
  done
  crl
  echo "bring $dir/crl.pem to each broker and have it read it: systemctl reload mosquitto"
}

case "${1-}" in
  ca) ca ;;
  board) named "${2-}" "name the site"; issue "$2" clientAuth "DNS:$2" ;;
  reader) named "${2-}" "name who reads"; issue "$2" clientAuth "DNS:$2" ;;
  broker)
    named "${2-}" "name the broker's host"
    names=
    shift
    for name; do
      case "$name" in
        *[!0-9.]*) case "$name" in *:*) kind=IP ;; *) named "$name" "$name is no host"; kind=DNS ;; esac ;;
        *) kind=IP ;;
      esac
      names=${names:+$names, }$kind:$name
    done
    # A broker speaks to the others of its cluster as a client, too.
    issue "$1" "serverAuth, clientAuth" "$names" ;;
  revoke) named "${2-}" "name whose"; revoke "$2" ;;
  crl) made; config; crl; echo "made $dir/crl.pem" ;;
  list) made; awk -F '\t' '{ print ($1 == "V" ? "until 20" $2 : $1 == "R" ? "revoked" : "ended"), $4, substr($6, 5) }' "$dir/index.txt" ;;
  *) sed -n '2,/^set/s/^# \{0,1\}//p' "$0" >&2; exit 2 ;;
esac

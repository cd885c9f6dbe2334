#!/bin/bash
# The Debian package on a virtual board: what dpkg and systemd make of its whole life, and a boot at the end.
#
#   VBOARD=DIR systemd/virtual-board/package.sh
#
# DIR holds the board's run.sh. Exit 0: every demand was met.
set -euo pipefail
here=$(cd "$(dirname "$0")" && pwd)
run=${VBOARD:?set VBOARD to the folder of the virtual board}/run.sh
out=${OUT:-$(mktemp -d)}
name=${BOARD:-package}
mkdir -p "$out"
rm -f "$out"/*.deb
for version in 0.1 0.2; do
  DEB_VERSION=$version BIN=${BIN:-} "$here/../package/build.sh" "$out" amd64
  # The second is packed with the binary of the first.
  [ -n "${BIN:-}" ] || { dpkg-deb --fsys-tarfile "$out"/holdbell_0.1_amd64.deb | tar -xO ./usr/bin/holdbell >"$out/holdbell"; BIN=$out/holdbell; chmod 755 "$BIN"; }
done
"$run" up "$name" -fresh >&2
trap '"$run" rm "$name"' EXIT
"$run" put "$name" "$out/holdbell_0.1_amd64.deb" /root/old.deb
"$run" put "$name" "$out/holdbell_0.2_amd64.deb" /root/new.deb
"$run" script "$name" -t 1800 "$here/package-guest.sh" /root/old.deb /root/new.deb
"$run" down "$name"
"$run" up "$name" >&2
"$run" exec "$name" -t 120 'for i in $(seq 100); do [ "$(curl -s -o /dev/null -w "%{http_code}" http://127.0.0.1:9834/healthz)" = 200 ] && break; sleep 0.5; done
  systemctl is-active holdbell && systemctl is-enabled holdbell && [ "$(systemctl show -p NRestarts --value holdbell)" = 0 ] && echo "ok    after a boot it runs by itself"'

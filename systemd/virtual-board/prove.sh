#!/bin/bash
# Proves on a virtual board (a machine with emulated chips behind real device nodes) that every chip is read
# through the shipped unit, and that each fault wounds only its own probe or bus, under its right name, and
# heals without a restart. Slow: an emulated processor; not part of CI.
#
#   VBOARD=DIR systemd/virtual-board/prove.sh [PATTERN]
#
# DIR holds the board's run.sh (up, put, exec, script, install, logs, down). The report goes to standard
# output, the board's logs to OUT (a temporary folder). Exit 0: every fault as it should be.
set -euo pipefail
here=$(cd "$(dirname "$0")" && pwd)
run=${VBOARD:?set VBOARD to the folder of the virtual board}/run.sh
out=${OUT:-$(mktemp -d)}
name=${BOARD:-prove$$}
bin=$out/holdbell
(cd "$here/../.." && CGO_ENABLED=0 GOOS=linux GOARCH=amd64 go build -trimpath -ldflags='-s -w' -o "$bin" ./cmd/holdbell)

"$run" up "$name" ${BOOT:--fresh}
trap '"$run" logs "$name" "$out"; "$run" down "$name" 60; "$run" rm "$name"; echo "logs in $out"' EXIT
"$run" put "$name" "$here/../holdbell.sysusers" /usr/lib/sysusers.d/holdbell.conf 644
"$run" put "$name" "$here/../60-holdbell.rules" /usr/lib/udev/rules.d/60-holdbell.rules 644
"$run" exec "$name" -t 120 'systemd-sysusers'
"$run" install "$name" -bin "$bin:/usr/bin/holdbell" -config "$here/kitchen.yaml:/etc/holdbell/kitchen.yaml" \
  -unit "$here/../holdbell.service"
"$run" exec "$name" -t 300 'systemctl start holdbell && sleep 5 && systemctl is-active holdbell'
# Temperatures of a kitchen at work, apart from each other so that a mixed-up channel shows.
"$run" exec "$name" 'chipd ctl mcp 9601; for s in "max31855 temp=62 cj=31" "max31856 temp=68 cj=33" "mcp9600 temp=41 cj=27" "ads0 temp=55"; do chipd ctl set $s; done >/dev/null'
"$run" script "$name" -t 3600 "$here/guest.sh" "${1:-}" "${LIMIT:-8}"

#!/bin/bash
# Troubles of a board at work, one after the other, under the shipped unit: a clock that is set ten years off
# either way, a broker that is gone, a card that stalls, a card that fails. Through each the sweeps keep their pace,
# alarms come and go, the lot's clock runs on and the process is the same; what was kept back is told afterwards,
# record-trouble rings and ends, and nothing is lost.
#
#   VBOARD=DIR OUT=DIR systemd/virtual-board/faults.sh
#
# Exit 0: every demand was met. Slow: an emulated processor; not part of CI.
set -euo pipefail
here=$(cd "$(dirname "$0")" && pwd)
out=${OUT:?set OUT to a folder for the results}
. "$here/board.sh"
. "$here/judge.sh"
name=${BOARD:-faults}
bad=0 tried=0
it() { # WHAT: COMMAND...
  tried=$((tried + 1))
  if "${@:2}"; then echo "ok    $1"; else bad=$((bad + 1)); echo "FAIL  $1"; fi
}
# later polls until a command holds.
later() { # SECONDS COMMAND...
  local end=$((SECONDS + $1))
  until "${@:2}"; do [ $SECONDS -lt $end ] || return 1; sleep 0.5; done
}
fresh() { until state >"$1" && [ -s "$1" ]; do sleep 0.3; done; }
pid() { on -t 60 'systemctl show -p MainPID --value holdbell'; }
rings() { state | jq -e --arg a "$1" '.alarms[] | select(.alarm == $a and .active)' >/dev/null; }
quietens() { ! rings "$1"; }
figure() { jq "$2" "$out/$1.json"; }
# even holds the sweeps between two states to their pace: one a second, of which an overloaded machine may miss some.
even() {
  local sweeps mono
  sweeps=$(($(figure b .sweeps) - $(figure a .sweeps)))
  mono=$(minus "$(figure b .monotonic_seconds)" "$(figure a .monotonic_seconds)")
  echo "      $sweeps sweeps in $mono s"
  awk -v s="$sweeps" -v m="$mono" 'BEGIN { exit !(s >= 0.9 * m && s <= m + 1.5) }'
}
aged() {
  local lot='.lots[] | select(.lot == "reference") | .danger_zone_seconds'
  awk -v a="$(figure a "$lot")" -v b="$(figure b "$lot")" -v m="$(figure a .monotonic_seconds)" -v n="$(figure b .monotonic_seconds)" \
    'BEGIN { d = (b - a) - (n - m); printf "      aged %.1f s in %.1f s\n", b - a, n - m; exit !(d < 3 && d > -3) }'
}
moved() { [ "$(figure b .seq)" -gt "$(figure a .seq)" ]; }
same() { [ "$(pid)" = "$daemon" ]; }
# through makes a trouble, lets it stand, and looks at what went on meanwhile.
through() { # WHAT SECONDS COMMAND...
  echo "-- $1"
  fresh "$out/a.json"
  "${@:3}"
  sleep "$2"
  fresh "$out/b.json"
  it "$1: the sweeps keep their pace" even
  it "$1: the lot's clock runs on" aged
  it "$1: alarms come and go" moved
  it "$1: the same process" same
}
told_all() {
  local seq
  seq=$(figure b .seq)
  jq -rR 'fromjson? | .seq' "$out/told.jsonl" | sort -nu | awk -v from="$(figure a .seq)" -v to="$seq" '$1 > from && $1 <= to { n++ } END { exit !(n == to - from) }'
}

disk() { "$run" disk "$name" "$@" >/dev/null; }

trap quiet EXIT
jobs_=
rm -f "$out"/{answered,told.jsonl,id}
"$run" rm "$name" >/dev/null 2>&1 || true
say "a new board"
furnish "$here"
echo "commit $(cat "$out/commit")"
touch "$out/answered" "$out/told.jsonl"
background 1
daemon=$(pid)
later 60 rings below-hot-limit

through "the clock ten years ahead" 30 on -t 60 'date -s "+10 years" >/dev/null'
through "the clock twenty years back" 30 on -t 60 'date -s "-20 years" >/dev/null'
through "the clock right again" 30 on -t 60 'date -s "+10 years" >/dev/null'

through "no broker" 40 on -t 60 'systemctl stop mosquitto'
on -t 60 'systemctl start mosquitto'
it "no broker: everything is told once it is back" later 120 told_all

through "a card that takes 2 s for each write" 60 disk stall 2000
it "a card that takes 2 s for each write: record-trouble rings" later 90 rings record-trouble
disk stall 0
it "a card that takes 2 s for each write: record-trouble ends" later 150 quietens record-trouble

through "a card that fails" 40 disk fail write
it "a card that fails: record-trouble rings" later 60 rings record-trouble
disk fail none
# The file system may have given up writing; then only a boot helps.
if later 90 quietens record-trouble; then echo "      it writes again by itself"; else echo "      the file system gave up"; fi
fresh "$out/before.json"
quiet
"$run" powercut "$name" none >>"$out/run.log" 2>&1
boot set
it "after a boot: it watches" watching 180
fresh "$out/after.json"
fetch
judge "$out/before.json" "$out/after.json"
it "after a boot: nothing is lost${problems:+:$problems}" [ -z "$problems" ]
it "after a boot: record-trouble does not ring" later 90 quietens record-trouble
echo "      not recorded and over with the boot:${unrecorded_alarms:- no alarm}"
echo "      $answered marks answered, $told events told as recorded, $events recorded"

"$run" down "$name" >>"$out/run.log" 2>&1 || true
echo "$tried demands, $bad not met"
[ "$bad" = 0 ]

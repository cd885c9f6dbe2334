#!/bin/bash
# Cuts a virtual board's power at random moments under load, and holds what comes back by itself to what was
# told outside before: the record is sound, its numbers are dense, no answered mark, no told event and no
# standing alarm is lost, and a lot in the danger zone has at least the time that went by.
#
#   VBOARD=DIR OUT=DIR systemd/virtual-board/powercut.sh [-n COUNT] MODE...
#
# MODE is what becomes of the blocks that the card had not yet flushed: none of them is kept, all, or a random
# half. COUNT (30) is how many cuts of each mode OUT/cuts.tsv is to hold: run it again to go on. Exit 0: every
# cut of the table stood the test. Slow: an emulated processor, about a minute a cut.
set -euo pipefail
here=$(cd "$(dirname "$0")" && pwd)
count=30 out=${OUT:?set OUT to a folder for the results}
[ "${1:-}" != -n ] || { count=$2; shift 2; }
[ $# -gt 0 ] || set -- none all random
. "$here/board.sh"
. "$here/judge.sh"
name=${BOARD:-powercut}
table=$out/cuts.tsv

[ -s "$table" ] || printf 'cut\tmode\tseed\tclock\tmoment\tafter_s\tunflushed\tready_s\tanswered\ttold\tevents\talarms_stood\tstand\tended\tdanger_before_s\tdanger_after_s\telapsed_s\tintegrity\tresult\n' >"$table"
have() { awk -F'\t' -v m="$1" '$2 == m { n++ } END { print n + 0 }' "$table"; }

# One cut: a load, a random moment, the cut, the boot, the judgement.
once() { # MODE
  local mode=$1 n seed=$RANDOM clock=set moment=run after began ended ready result unflushed
  n=$(wc -l <"$table")
  [ $((RANDOM % 5)) != 0 ] || clock=unset
  after=$((RANDOM % 15)).$((RANDOM % 10))
  background "$(date +%s)"
  began=$(now)
  sleep "$after"
  if [ $((RANDOM % 5)) = 0 ]; then # in the middle of a stop and a start
    moment=start
    on -t 20 'systemctl restart --no-block holdbell' >/dev/null 2>&1 || true
    sleep "$((RANDOM % 4)).$((RANDOM % 10))"
  fi
  unflushed=$("$run" powercut "$name" "$mode" "$seed" 2>>"$out/run.log" | awk '/unflushed/ { print $2 }')
  ended=$(now)
  quiet
  # An alarm of the last two seconds may be neither recorded nor told yet.
  jq -c --argjson end "$ended" 'select(.host < $end - 2) | .state' "$out/states.jsonl" 2>/dev/null | tail -1 >"$out/before.next" || true
  [ ! -s "$out/before.next" ] || cp "$out/before.next" "$out/before.json"
  host_before=$(jq -c --argjson end "$ended" 'select(.host < $end - 2) | .host' "$out/states.jsonl" 2>/dev/null | tail -1) || true
  [ -z "$host_before" ] || echo "$host_before" >"$out/before.host"
  host_before=$(cat "$out/before.host")

  boot $clock
  if ! watching 120; then
    printf '%s\t%s\t%s\t%s\t%s\t%s\t%s\t-\t-\t-\t-\t-\t-\t-\t-\t-\t-\t-\tnot-up\n' "$n" "$mode" "$seed" $clock $moment "$(minus "$ended" "$began")" "$unflushed" >>"$table"
    keep "$n"
    return 0
  fi
  ready=$(on -t 30 'systemctl show -p ActiveEnterTimestampMonotonic --value holdbell' | awk '{ printf "%.1f", $1 / 1e6 }')
  [ "$(on -t 30 'systemctl show -p NRestarts --value holdbell')" = 0 ] && restarted= || restarted=" restarted"
  # An alarm whose end was not recorded stands at once; one that was not recorded is raised anew after its delay.
  # The open gap counts with the next valid reading: until then the lot is of unknown age, and said to be.
  local end=$((SECONDS + 60)) blind
  while :; do
    until state >"$out/after.json" && [ -s "$out/after.json" ] || [ $SECONDS -gt $end ]; do sleep 0.5; done
    host_after=$(now)
    fetch
    judge "$out/before.json" "$out/after.json"
    blind=$(jq -r '.lots[] | select(.lot == "reference") | .unknown_since // empty' "$out/after.json")
    [ -n "$blind" ] || [[ $problems == *lost-alarm* ]] || break
    [ $SECONDS -lt $end ] || break
  done
  problems+=$restarted
  elapsed=$(minus "$host_after" "$host_before")
  # Both readings are up to a sweep old, and the board's clock chip counts whole seconds.
  awk -v a="$danger_after" -v b="$danger_before" -v e="$elapsed" 'BEGIN { exit !(a - b >= e - 3) }' || problems+=" danger-short"
  # A gap that was open before the cut was not in the figure yet.
  gap=$(jq -r 'def s: sub("\\.[0-9]+"; "") | fromdateiso8601;
    .at as $at | .lots[] | select(.lot == "reference" and .unknown_since != null) | ($at | s) - (.unknown_since | s)' "$out/before.json")
  # Between two clocks that are believed a gap within the allowance has its true length; else it counts as longer
  # than the allowance.
  [ "$clock $(cat "$out/clock")" != "set set" ] ||
    awk -v a="$danger_after" -v b="$danger_before" -v e="$elapsed" -v g="${gap:-0}" 'BEGIN { exit !(a - b <= e + g + 3) }' || problems+=" danger-long"
  echo $clock >"$out/clock"
  result=${problems:-ok}
  printf '%s\t%s\t%s\t%s\t%s\t%s\t%s\t%s\t%s\t%s\t%s\t%s\t%s\t%s\t%s\t%s\t%s\t%s\t%s\n' "$n" "$mode" "$seed" $clock $moment "$(minus "$ended" "$began")" "$unflushed" "$ready" \
    "$answered" "$told" "$events" "$stood" "$stand" "$ended_alarms" "$danger_before" "$danger_after" "$elapsed" "$integrity" "${result# }" >>"$table"
  [ "$result" = ok ] || keep "$n"
  cp "$out/after.json" "$out/before.json"
  echo "$host_after" >"$out/before.host"
}

# keep puts aside what a failed cut left.
keep() {
  mkdir -p "$out/cut-$1"
  cp -r "$out"/{now,before.json,after.json,states.jsonl,lost.marks,lost.events,answered,told.jsonl} "$out/cut-$1/" 2>/dev/null || true
  on -t 60 'journalctl --no-pager -u holdbell -o short-monotonic | tail -n 300' >"$out/cut-$1/journal.txt" 2>/dev/null || true
}

trap quiet EXIT
jobs_=
if [ ! -e "$out/furnished" ]; then
  say "a new board"
  "$run" rm "$name" >/dev/null 2>&1 || true
  furnish "$here"
else
  # What was stopped in the middle of a cut begins with one that does not count.
  "$run" powercut "$name" none >>"$out/run.log" 2>&1 || true
  boot set
fi
watching 120
touch "$out/answered" "$out/told.jsonl"
until state >"$out/before.json" && [ -s "$out/before.json" ]; do sleep 0.5; done
now >"$out/before.host"
echo set >"$out/clock"
while :; do
  left=
  for mode; do
    [ "$(have "$mode")" -lt "$count" ] || continue
    left=1
    once "$mode"
    tail -1 "$table" >&2
  done
  [ -n "$left" ] || break
done

"$run" down "$name" >>"$out/run.log" 2>&1 || true
echo "commit $(cat "$out/commit")"
awk -F'\t' 'NR > 1 { n[$2]++; if ($NF == "ok") ok[$2]++; if ($8 > worst[$2]) worst[$2] = $8; sum[$2] += $8; if ($7 > 0) dirty[$2]++ }
  END { for (m in n) { bad += n[m] - ok[m]; printf "%s: %d cuts, %d ok, %d with blocks not yet flushed; ready %.1f s after the kernel began on average, %.1f s at most\n", m, n[m], ok[m], dirty[m], sum[m] / n[m], worst[m] }
    exit bad > 0 }' "$table"

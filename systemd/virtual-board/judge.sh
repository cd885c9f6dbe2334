# What a restart has to hold: sourced by the scripts beside it, after board.sh. judge looks at the record in
# $out/now and at the daemon's state after the restart, beside what was noted before it, and gives the problems
# in problems and the figures in the variables of its last lines.
judge() { # BEFORE.json AFTER.json: the last state before the restart, and one after it
  local before=$1 after=$2 l=$out/now/ledger.db id
  problems=
  integrity=$(sqlite3 "$l" 'PRAGMA integrity_check' 2>&1 | head -1)
  [ "$integrity" = ok ] || problems+=" damaged"
  ! grep -qE 'corrupt|earlier' "$out/now/files" || problems+=" moved-aside"
  id=$(sqlite3 "$l" "SELECT value FROM meta WHERE key = 'id'")
  [ -s "$out/id" ] || echo "$id" >"$out/id"
  [ "$id" = "$(cat "$out/id")" ] || problems+=" another-record"

  events=$(sqlite3 "$l" 'SELECT count(*) FROM events')
  [ "$events" -gt 0 ] && [ "$(sqlite3 "$l" 'SELECT min(seq) = 1 AND max(seq) = count(*) FROM events')" = 1 ] || problems+=" seq-not-dense"

  # Every mark that a person was answered.
  awk 'NF == 2 && $2 == "answered" { print $1 }' "$out/answered" | sort -u >"$out/answered.ids"
  answered=$(wc -l <"$out/answered.ids")
  lost_marks=$(comm -23 "$out/answered.ids" <(sqlite3 "$l" 'SELECT id FROM marks WHERE id IS NOT NULL' | sort -u) | tee "$out/lost.marks" | wc -l)
  [ "$lost_marks" = 0 ] || problems+=" lost-marks:$lost_marks"

  # Every event that a subscriber was told as recorded, word for word.
  jq -rR 'fromjson? | select(.unrecorded != true) | [.ledger, .seq, .kind, .alarm, .station, .lot, .probe, .mark, .text] | map(. // "" | tostring) | join("|")' \
    "$out/told.jsonl" | sort -u >"$out/told"
  told=$(wc -l <"$out/told")
  sqlite3 -separator '|' "$l" "SELECT '$id', seq, kind, coalesce(alarm, ''), coalesce(station, ''), coalesce(lot, ''), coalesce(event ->> 'probe', ''),
      coalesce(event ->> 'mark', ''), event ->> 'text' FROM events" | sort -u >"$out/recorded"
  lost_events=$(comm -23 "$out/told" "$out/recorded" | tee "$out/lost.events" | wc -l)
  [ "$lost_events" = 0 ] || problems+=" lost-events:$lost_events"

  # Every alarm that stood: it stands, or its end is recorded. One that was only ever told as unrecorded, because
  # the card failed, cannot be remembered; if what it is about has not ended, it is raised anew.
  jq -rR 'fromjson? | select(.unrecorded == true) | .seq' "$out/told.jsonl" | sort -u >"$out/unrecorded"
  sqlite3 -separator '|' "$l" "SELECT alarm, station, coalesce(lot, ''), coalesce(event ->> 'probe', ''), max(seq) FROM events
      WHERE kind = 'alarm-cleared' GROUP BY 1, 2, 3, 4" >"$out/cleared"
  jq -r '.alarms[] | select(.active) | [.alarm, .station, .lot, .probe] | map(. // "" | tostring) | join("|")' "$after" >"$out/stands"
  stood=0 stand=0 ended_alarms=0 lost_alarms= unrecorded_alarms=
  while IFS='|' read -r alarm station lot probe seq; do
    stood=$((stood + 1))
    if grep -qxF "$alarm|$station|$lot|$probe" "$out/stands"; then
      stand=$((stand + 1))
    elif awk -F'|' -v w="$alarm|$station|$lot|$probe" -v s="$seq" '$1 "|" $2 "|" $3 "|" $4 == w && $5 > s { found = 1 } END { exit !found }' "$out/cleared"; then
      ended_alarms=$((ended_alarms + 1))
    elif grep -qxF "$seq" "$out/unrecorded" && ! grep -qF "$id|$seq|alarm-raised|$alarm|" "$out/recorded"; then
      unrecorded_alarms+=" $alarm"
    else
      lost_alarms+=" $alarm/$station/$lot/$probe"
    fi
  done < <(jq -r '.alarms[] | select(.active) | [.alarm, .station, .lot, .probe, .seq] | map(. // "" | tostring) | join("|")' "$before")
  [ -z "$lost_alarms" ] || problems+=" lost-alarm:$lost_alarms"

  # The lot that lies in the danger zone all along.
  danger_before=$(jq '.lots[] | select(.lot == "reference") | .danger_zone_seconds' "$before")
  danger_after=$(jq '.lots[] | select(.lot == "reference") | .danger_zone_seconds' "$after")
  [ -n "$danger_before" ] && [ -n "$danger_after" ] || { problems+=" reference-gone"; danger_before=${danger_before:-0} danger_after=${danger_after:-0}; }
}

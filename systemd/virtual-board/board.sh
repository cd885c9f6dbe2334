# For the scripts beside it that hold a virtual board at work for long: sourced, not run. The board has the
# shipped unit, enabled, load.yaml as its kitchen, mosquitto of its own, and temperatures that come and go.
#
# Wants VBOARD (the folder of the board's run.sh) and out (a folder); sets run, name, state and subscribe.
run=${VBOARD:?set VBOARD to the folder of the virtual board}/run.sh
mkdir -p "$out"
name=${BOARD:-board$$}
page=${PAGE_PORT:-23834} broker=${BROKER_PORT:-23883}

say() { echo "$(date +%T) $*" >&2; }
on() { "$run" exec "$name" "$@"; }
now() { date +%s.%N; }
minus() { awk -v a="$1" -v b="$2" 'BEGIN { printf "%.1f", a - b }'; }

# state prints what the daemon says of itself, in one line, or nothing.
state() { curl -s -m 2 "http://127.0.0.1:$page/state" | jq -c . 2>/dev/null; }

# boot brings the board up. Its wall clock is believed, as after a network's time came in, or not.
boot() { # set|unset
  VB_APPEND="holdbell.clock=$1" "$run" up "$name" >>"$out/run.log" 2>&1
}

# furnish makes a new board and sets the watch to work on it.
furnish() {
  local here=$1
  (cd "$here/../.." && CGO_ENABLED=0 GOOS=linux GOARCH=amd64 go build -trimpath -ldflags='-s -w' -o "$out/holdbell" ./cmd/holdbell && git rev-parse HEAD) >"$out/commit"
  VB_APPEND="holdbell.clock=set" "$run" up "$name" -fresh -fwd "$page:9834" -fwd "$broker:1883" >>"$out/run.log" 2>&1
  cat >"$out/chipd.rc" <<'C'
mcp 9601
set max31855 temp=62 cj=31
set max31856 temp=66 cj=33
set mcp9600 temp=50 cj=27
set ads0 temp=63
scenario /etc/vboard/load.csv
C
  # Half an hour in which a piece falls under the limit and comes back, a probe fails and heals, and the air
  # leaves its band, each some seconds long. The probe "case" stays where it is: in the danger zone.
  awk 'BEGIN { print "# interp linear"
    for (t = 0; t < 1800; t += 24) {
      print t ",max31855,62,"; print t + 3 ",max31855,62,"; print t + 5 ",max31855,52,"; print t + 12 ",max31855,52,"; print t + 14 ",max31855,62,"
      print t ",max31856,66,"; print t + 8 ",max31856,66,"; print t + 10 ",max31856,57,"; print t + 17 ",max31856,57,"; print t + 19 ",max31856,66,"
      print t + 6 ",ads0,,open"; print t + 13 ",ads0,,"
    } }' | sort -t, -n -s -k1,1 >"$out/load.csv"
  cat >"$out/board-clock.service" <<'C'
[Unit]
DefaultDependencies=no
Before=sysinit.target
ConditionKernelCommandLine=holdbell.clock=set
[Service]
Type=oneshot
ExecStart=/bin/sh -c 'mkdir -p /run/systemd/timesync && touch /run/systemd/timesync/synchronized'
[Install]
WantedBy=sysinit.target
C
  # The kernel hands changed pages to the card at once, so that a cut finds some that were not flushed.
  printf 'vm.dirty_expire_centisecs = 10\nvm.dirty_writeback_centisecs = 10\n' >"$out/eager.conf"
  "$run" put "$name" "$out/eager.conf" /etc/sysctl.d/eager.conf 644
  "$run" put "$name" "$out/chipd.rc" /etc/vboard/chipd.rc 644
  "$run" put "$name" "$out/load.csv" /etc/vboard/load.csv 644
  "$run" put "$name" "$here/../holdbell.sysusers" /usr/lib/sysusers.d/holdbell.conf 644
  "$run" put "$name" "$here/../60-holdbell.rules" /usr/lib/udev/rules.d/60-holdbell.rules 644
  "$run" put "$name" "$here/load.sh" /usr/local/bin/load.sh 755
  "$run" install "$name" -unit "$out/board-clock.service" >>"$out/run.log" 2>&1
  on -t 120 'systemd-sysusers && systemctl enable mosquitto' >>"$out/run.log" 2>&1
  "$run" install "$name" -bin "$out/holdbell:/usr/bin/holdbell" -config "$here/load.yaml:/etc/holdbell/kitchen.yaml" \
    -unit "$here/../holdbell.service" >>"$out/run.log" 2>&1
  "$run" down "$name" >>"$out/run.log" 2>&1
  boot set
  watching 120
  on -t 120 'holdbell mark load --lot reference --station counter --note "food=beef probe=case" --id reference' >>"$out/run.log" 2>&1
  touch "$out/furnished"
}

# watching waits until the daemon says that it watches.
watching() { # SECONDS
  local end=$((SECONDS + $1))
  until curl -s -m 2 "http://127.0.0.1:$page/healthz" | grep -q '"status": *"watching"'; do
    [ $SECONDS -lt $end ] || return 1
    sleep 0.2
  done
}

# fetch copies the record out beside the running daemon, into $out/now. The log comes second: until a
# checkpoint the database does not change, and one in between is seen by its time.
fetch() {
  rm -rf "$out/now"
  on -t 120 'cd /var/lib/holdbell && for i in 1 2 3 4 5 6 7 8 9; do
    was=$(stat -c "%y %s" ledger.db); rm -rf /host/now; mkdir -p /host/now
    cp ledger.db ledger.db-wal /host/now/; [ "$was" = "$(stat -c "%y %s" ledger.db)" ] && break; done
    ls > /host/now/files' && cp -r "$VB/run/$name/share/now" "$out/now"
}
VB=${VB:-/tmp/vboard}

# background notes what the board says until it is stopped: answered marks, told events, states.
background() { # ROUND
  : >"$out/states.jsonl"
  "$run" exec "$name" -t 3600 "/usr/local/bin/load.sh $1" >>"$out/answered" 2>/dev/null </dev/null & jobs_="$!"
  while :; do mosquitto_sub -p "$broker" -t 'holdbell/+/event' >>"$out/told.jsonl" 2>/dev/null || true; sleep 0.2; done </dev/null & jobs_+=" $!"
  while :; do s=$(state) && [ -n "$s" ] && printf '{"host":%s,"state":%s}\n' "$(now)" "$s" >>"$out/states.jsonl"; sleep 0.4; done </dev/null & jobs_+=" $!"
}
quiet() {
  local j children
  for j in ${jobs_:-}; do
    children=$(pgrep -P "$j") || true
    kill "$j" $children 2>/dev/null || true
    wait "$j" 2>/dev/null || true
  done
  jobs_=
}

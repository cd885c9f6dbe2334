#!/usr/bin/env bash
# Many kitchens on one machine, from nothing: simulated boards (holdbell demo --boards), a cluster of three brokers, a
# Prometheus and an Alertmanager with the rules and routes beside this folder. One broker is killed and comes back, one
# kitchen is cut off and healed; what was seen is printed, and what did not come out as it should ends with 1.
#
#     configs/fleet/show.sh [--boards 40] [--for 12m] [--period 1s] [--keep]
#
# --for is how long it goes on from when all boards are heard; under eight minutes a kitchen counts as silent after 20 s
# instead of three minutes, so that this is seen, too. --keep goes on until Ctrl-C, to look around.
#
# Needs Go, and prometheus, prometheus-alertmanager, mosquitto-clients, socat, curl and jq (Debian's packages). Ports: 14221 to
# 18323 as in configs/nats, 19090 (Prometheus), 19093 (Alertmanager), 19099 (what stands for the people who are rung),
# 19321 to 19323 and 19190 (the way of the kitchen that is cut off).
set -euo pipefail
here=$(cd "$(dirname "$0")" && pwd)
cd "$here/../.."

boards=40 last=12m period=1s keep=
while [ $# -gt 0 ]; do
  case $1 in
    --boards) boards=${2:?}; shift 2 ;;
    --for) last=${2:?}; shift 2 ;;
    --period) period=${2:?}; shift 2 ;;
    --keep) keep=1; shift ;;
    *) sed -n '2,/^set/{/^#/s/^# \{0,1\}//p}' "$0"; exit 2 ;;
  esac
done
case $last in
  *m) last=$((${last%m} * 60)) ;;
  *s) last=${last%s} ;;
  *) echo "--for $last: write a time such as 12m or 120s"; exit 2 ;;
esac
every=${period%s}
[ "$boards" -ge 6 ] && [ "$last" -ge 90 ] || { echo "give at least 6 boards and 90 s"; exit 2; }
for program in go prometheus prometheus-alertmanager mosquitto_sub socat curl jq; do
  command -v "$program" >/dev/null || { echo "$program is missing: apt-get install prometheus prometheus-alertmanager mosquitto-clients socat curl jq"; exit 2; }
done

work=$(mktemp -d)
begun=$SECONDS
say() { printf '%4d s  %s\n' $((SECONDS - begun)) "$*"; }
bad=0
it() { # WHAT COMMAND...
  if "${@:2}"; then say "ok    $1"; else bad=$((bad + 1)); say "FAIL  $1"; fi
}
until_() { # SECONDS COMMAND...
  local end=$((SECONDS + $1))
  until "${@:2}"; do [ $SECONDS -lt $end ] || return 1; sleep 1; done
}
running=()
start() { # NAME COMMAND... in the background, its words in $work/NAME.log
  "${@:2}" >>"$work/$1.log" 2>&1 &
  running+=($!)
  eval "pid_$1=$!"
}
finish() {
  local code=$?
  trap - EXIT
  kill "${running[@]}" 2>/dev/null || true
  wait 2>/dev/null || true
  if [ "$code" = 0 ]; then rm -rf "$work"; else echo "the words of every program lie in $work"; fi
  exit "$code"
}
trap finish EXIT
trap 'exit 130' INT TERM

say "building"
CGO_ENABLED=0 go build -trimpath -o "$work/holdbell" ./cmd/holdbell
# The version that the tests use, too.
GOBIN=$work go install github.com/nats-io/nats-server/v2@v2.15.2

# The brokers, as they are shipped but for the folder; one user for all, as a trial on one machine may have it.
mkdir "$work/nats"
cp configs/nats/*.conf "$work/nats/"
sed -i "s,/var/lib/nats,$work/nats/store," "$work/nats"/node-*.conf
printf 'users: [ { user: trial, password: "" } ]\n' >"$work/nats/users.conf"
for n in 1 2 3; do printf 'no_auth_user: trial\n' >>"$work/nats/node-$n.conf"; done
for n in 1 2 3; do start "broker$n" "$work/nats-server" -c "$work/nats/node-$n.conf"; done

# The receiver, the rules, and who is rung.
cp "$here/prometheus.yml" configs/prometheus/holdbell.rules.yml configs/prometheus/holdbell.fleet.rules.yml "$work/"
silent=180
if [ "$last" -lt 480 ]; then
  silent=20
  sed -i 's/> bool 180/> bool 20/; s/> 180/> 20/; s/evaluation_interval: 15s/evaluation_interval: 5s/' "$work/holdbell.fleet.rules.yml" "$work/prometheus.yml"
fi
sed 's/127.0.0.1:9099/127.0.0.1:19099/' configs/alertmanager/holdbell.yml >"$work/alertmanager.yml"
cat >"$work/heard.sh" <<'H'
n=0
while IFS= read -r line && [ "${line%$'\r'}" ]; do
  case ${line,,} in content-length:*) n=${line#*: }; n=${n%$'\r'} ;; esac
done
head -c "$n"  >>"$1"
echo >>"$1"
printf 'HTTP/1.1 200 OK\r\nContent-Length: 0\r\nConnection: close\r\n\r\n'
H
start rung socat TCP-LISTEN:19099,bind=127.0.0.1,reuseaddr,fork EXEC:"bash $work/heard.sh $work/rung.json"
start alertmanager prometheus-alertmanager --config.file="$work/alertmanager.yml" --storage.path="$work/alertmanager" --web.listen-address=127.0.0.1:19093 --cluster.listen-address=
start prometheus prometheus --config.file="$work/prometheus.yml" --storage.tsdb.path="$work/tsdb" --web.listen-address=127.0.0.1:19090 --web.enable-remote-write-receiver --web.max-connections=$((512 + 3 * boards))
it "three brokers" until_ 60 curl -sf -o /dev/null http://127.0.0.1:18221/healthz
it "a Prometheus" until_ 60 curl -sf -o /dev/null http://127.0.0.1:19090/-/ready
it "an Alertmanager" until_ 60 curl -sf -o /dev/null http://127.0.0.1:19093/-/ready

# query prints the value of an expression, or nothing.
query() { curl -sf http://127.0.0.1:19090/api/v1/query --data-urlencode "query=$1" | jq -r '.data.result[0].value[1] // empty'; }
is() { [ "$(query "$1")" = "$2" ]; }
# worst prints the kitchens from worst to best, at most eight.
worst() {
  local words=(well advice act 'critical alarm' discard silent)
  curl -sf http://127.0.0.1:19090/api/v1/query --data-urlencode 'query=topk(8, site:holdbell_need:max)' |
    jq -r '.data.result[] | "\(.value[1]) \(.metric.site)"' | sort -rn | while read -r need site; do printf '          %-14s %s\n' "$site" "${words[$need]}"; done
}
status() { # SITE: online or offline, as the brokers keep it
  timeout 10 mosquitto_sub -h 127.0.0.1 -p "$1" -t "holdbell/$2/status" -C 1 -W 8 2>/dev/null || true
}
says() { [ "$(status "$1" "$2")" = "$3" ]; }
rung() { grep -q "$1" "$work/rung.json" 2>/dev/null; }

# Everybody but the last kitchen speaks straight; the last one through a way that can be cut.
cut=$(printf 'kitchen-%03d' "$boards")
sed 's/:1832\([123]\)/:1932\1/g; s/:19090/:19190/' "$here/shared.yaml" >"$work/cut.yaml"
way() {
  local n
  for n in 1 2 3; do start "way$n" socat "TCP-LISTEN:1932$n,bind=127.0.0.1,reuseaddr,fork" "TCP:127.0.0.1:1832$n"; done
  start way0 socat TCP-LISTEN:19190,bind=127.0.0.1,reuseaddr,fork TCP:127.0.0.1:19090
}
cutoff() {
  # Those that wait for connections first, then the connections.
  pkill -f 'socat TCP-LISTEN:19(32[123]|190),' || true
}
way
start listener mosquitto_sub -h 127.0.0.1 -p 18323 -t 'holdbell/+/event' -t 'holdbell/+/probe/+' -q 1 -c -i fleet-listener -F '%U %t %p'
start boards "$work/holdbell" demo --boards $((boards - 1)) --period "$period" --config "$here/shared.yaml"
start cutboard "$work/holdbell" demo --boards 1 --first "$boards" --period "$period" --config "$work/cut.yaml"
it "$boards kitchens are heard" until_ $((120 + boards)) is "count(site:holdbell_last_heard_timestamp_seconds:max > time() - 15 - $every)" "$boards"
heard=$SECONDS
it "each kitchen's configuration is known, and all have the same base but the last" until_ $((60 + boards)) is 'max(count by (base) (holdbell_config_info))' $((boards - 1))
it "the brokers say that $cut is online" until_ 30 says 18322 "$cut" online
say "the kitchens, the one that needs somebody most first"
worst

say "broker 1 is killed"
kill -9 "$pid_broker1"
wait "$pid_broker1" 2>/dev/null || true
sleep 5
before=$(date +%s)
# speak counts the kitchens that were heard through broker 3 since broker 1 is gone.
speak() { awk -v since="$before" '$1 > since { split($2, t, "/"); heard[t[2]] } END { n = 0; for (k in heard) n++; print n }' "$work/listener.log"; }
all_speak() { [ "$(speak)" = "$boards" ]; }
it "all kitchens speak on through the other two" until_ 60 all_speak
it "$cut is still online at broker 2" until_ 30 says 18322 "$cut" online
start broker1 "$work/nats-server" -c "$work/nats/node-1.conf"
it "broker 1 is back, and knows $cut" until_ 60 says 18321 "$cut" online

say "$cut is cut off"
cutoff
since=$(date +%s)
it "the brokers say that $cut is offline" until_ 60 says 18322 "$cut" offline
it "it counts as the worst, after ${silent} s" until_ $((silent + 60)) is "site:holdbell_need:max{site=\"$cut\"}" 5
it "somebody is rung, about its silence" until_ 120 rung "\"HoldbellSiteSilent\".*\"$cut\""
it "the others go on" is "count(site:holdbell_need:max < 5)" $((boards - 1))
held() {
  [ "$(curl -sf 'http://127.0.0.1:19093/api/v2/alerts?active=true&inhibited=false&silenced=false' | jq "[.[] | select(.labels.site == \"$cut\") | .labels.alertname] | unique | . == [\"HoldbellSiteSilent\"]")" = true ]
}
it "its other alerts are held back" until_ 30 held
worst
left=$((last - (SECONDS - heard) - 45))
if [ "$left" -gt 0 ]; then say "it stays so for $left s"; sleep "$left"; fi

say "$cut is healed"
way
healed=$(date +%s)
it "the brokers say that it is online" until_ 90 says 18321 "$cut" online
it "it is heard again" until_ 60 is "site:holdbell_need:max{site=\"$cut\"} < bool 5" 1
# raw prints the times of all samples of one probe since the cut.
raw() {
  curl -sf http://127.0.0.1:19090/api/v1/query --data-urlencode "query=holdbell_probe_up{site=\"$cut\",probe=\"warmer-core\"}[$(($(date +%s) - since + 10))s]" | jq -r '.data.result[0].values[]?[0]'
}
# whole: a sample for every sweep, each once: no hole of nearly two periods, and no time twice.
whole() { raw | awk -v every="$every" 'NR > 1 && ($1 - last > 1.9 * every || $1 <= last) { bad = 1 } { last = $1; n++ } END { exit bad || n * every < 30 }'; }
it "every reading of the time without a way has come, each once" until_ 120 whole
say "$(raw | wc -l) readings of one probe since the cut, the last hole closed $(($(date +%s) - healed)) s after it was healed"

say "cost: $(ps -o rss=,cputimes= -p "$pid_boards" | awk '{ printf "%d MiB and %d s of CPU for the boards", $1 / 1024, $2 }'), $(ps -o rss=,cputimes= -C nats-server | awk '{ m += $1; c += $2 } END { printf "%d MiB and %d s for three brokers", m / 1024, c }'), $(ps -o rss=,cputimes= -p "$pid_prometheus" | awk '{ printf "%d MiB and %d s for Prometheus", $1 / 1024, $2 }')"
say "$(grep -c /event "$work/listener.log" || true) events and $(grep -c /probe/ "$work/listener.log" || true) readings heard through the brokers, $(grep -c . "$work/rung.json" 2>/dev/null || true) messages to people"
if [ -n "$keep" ]; then
  say "Prometheus http://127.0.0.1:19090/  Alertmanager http://127.0.0.1:19093/  brokers mqtt://127.0.0.1:18321 to 18323; Ctrl-C ends it"
  head -n 3 "$work/boards.log"
  wait
fi
say "$bad not as it should be"
[ "$bad" = 0 ]

#!/bin/sh
# Prints users.conf: who may do what at the nodes. It takes the boards' sites from its input, one a line.
#
#   configs/nats/users.sh < /etc/nats/sites > /etc/nats/users.conf
#
# After a change: nats-server --signal reload=PID at each node, or SIGHUP; who is not there any more is cut off at once.
# PREFIX and DISCOVERY are as in the boards' kitchen.yaml, where it is not holdbell and none.
set -eu
prefix=${PREFIX-holdbell}

fail() { echo "users.sh: $*" >&2; exit 1; }
# A topic's / is a dot in a subject, and a dot of a topic // (docs.nats.io, MQTT: topics and subjects).
subject() { printf '%s' "$1" | sed 's,\.,//,g; s,\([^/]\)/\([^/]\),\1.\2,g'; }
quoted() { for s; do printf '"%s", ' "$s"; done; }

case "$prefix${DISCOVERY-}" in *[!A-Za-z0-9._/-]*) fail "PREFIX and DISCOVERY are the start of a topic: letters, digits, dot, dash, underscore and /" ;; esac
p=$(subject "$prefix")
cat <<END
# Made by users.sh: what no line allows is refused.
#
# There is no password here. With the tls block of mqtt.conf the certificate names the user; without it anyone who
# reaches a node may be anyone, so it is for a trial on one machine.
#
# \$MQTT.sub.> is where a session takes its messages of QoS 1.
users: [
  # A dashboard reads every board and changes nothing.
  { user: dashboard, permissions: { publish: { deny: ">" }, subscribe: [ "$p", "$p.>", "\$MQTT.sub.>" ] } }
  # A hand-held makes marks, where a board has commands: true, and reads the answers.
  { user: handheld, permissions: { publish: "$p.*.command.mark", subscribe: [ "$p.*.command.mark.answer", "\$MQTT.sub.>" ] } }
END
while read -r site; do
  case "$site" in
    "" | "#"*) continue ;;
    dashboard | handheld) fail "a board's site cannot be $site: that is another user's name" ;;
    *[!A-Za-z0-9._-]* | [!A-Za-z0-9]*) fail "$site is no site; write it as in its kitchen.yaml: letters, digits, dot, dash and underscore" ;;
  esac
  b=$(subject "$prefix/$site")
  # What it writes and looks for again after a start, then what goes one way alone.
  set -- "$b.status" "$b.status.>" "$b.probe" "$b.probe.>" "$b.station" "$b.station.>" "$b.lot" "$b.lot.>" "$b.alarm" "$b.alarm.>"
  reads=
  if [ -n "${DISCOVERY-}" ]; then
    slug=$site # what is no letter, digit or dash is _ there, with the name's hash behind
    case "$site" in *[._]*) slug=$(printf %s "$site" | tr ._ __)_$(printf %s "$site" | sha256sum | cut -c1-8) ;; esac
    set -- "$@" "$(subject "$DISCOVERY/device/holdbell_$slug/config")"
    reads=$(quoted "$(subject "$DISCOVERY")".status)
  fi
  printf '  { user: "%s", permissions: {\n      publish: [ %s ],\n      subscribe: [ %s ] } }\n' "$site" \
    "$(quoted "$@" "$b.event" "$b.head" "$b.command.mark.answer")" "$(quoted "$@" "$b.command.mark" '$MQTT.sub.>')$reads"
done
echo "]"

#!/bin/bash
# Runs on the virtual board: marks without end, each one's id printed once the daemon has answered that it is
# durable. The words "ID answered" are whole or not there: whoever reads them leaves half a line out.
#
#   load.sh ROUND
set -u
round=$1 n=0
say() { # ARGS of holdbell mark
  n=$((n + 1))
  holdbell mark "$@" --id "$round-$n" >/dev/null 2>&1 && echo "$round-$n answered"
}
before=$(cat /var/tmp/piece 2>/dev/null)
echo "piece-$round" >/var/tmp/piece
say load --lot "piece-$round" --station warmer --note "food=pork probe=core"
while :; do
  say note --station warmer --note "looked at it, $n"
  say check --lot "piece-$round" --fahrenheit 148 --by first
  say note --station counter --note "wiped down"
  say acknowledge --station warmer --note alarm=below-hot-limit --by first
  [ -z "$before" ] || { say close --lot "$before" --by first; before=; }
done

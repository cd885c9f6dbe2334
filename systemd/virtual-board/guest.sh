#!/bin/bash
# Runs on the virtual board, beside the daemon under its shipped unit. Each fault is set on one chip or bus,
# must show on the probes that hang on it under one of the words given and within LIMIT seconds, must leave
# every other probe fresh, and must heal without a restart once it is taken back.
#
#   guest.sh            every line of the table below
#   guest.sh PATTERN [LIMIT]   the lines whose target and fault match
set -u
LIMIT=${2:-8}      # seconds until the word shows: 5 on a board, more under an emulated processor
HEAL=${HEAL:-20}   # seconds until the probe reads again
FRESH=${FRESH:-4}  # seconds that another probe's last valid reading may be old
URL=http://127.0.0.1:9834/state

# target, fault, the probes that it wounds, the words that may name it. An MCP9601 has one bit for an open wire
# and for a voltage out of range.
table() {
  cat <<'T'
max31855 open          core   open
max31855 short_gnd     core   short_gnd
max31855 short_vcc     core   short_vcc
max31855 dead0         core   bus_fault
max31855 dead1         core   bus_fault
max31855 garble:0.7    core   bus_fault,spike,cj_implausible,range,open,short_gnd,short_vcc
max31855 eio           core   bus_fault
max31855 timeout       core   stale,bus_fault
max31855 hang:9000     core   stale
max31855 spike:60:0.5  core   spike
max31855 flaky:0.6     core   open
max31856 open          air    open
max31856 short_gnd     air    over_under_voltage,short_gnd,open
max31856 short_vcc     air    over_under_voltage,short_vcc
max31856 dead0         air    bus_fault
max31856 dead1         air    bus_fault
max31856 garble:0.7    air    stale,bus_fault,spike,cj_implausible,range,open,over_under_voltage
max31856 eio           air    bus_fault
max31856 timeout       air    stale,bus_fault
max31856 hang:9000     air    stale
max31856 spike:60:0.5  air    spike
max31856 flaky:0.6     air    open
mcp9600  open          case   open
mcp9600  short_gnd     case   short_gnd,open
mcp9600  range         case   range,open
mcp9600  dead0         case   bus_fault
mcp9600  dead1         case   bus_fault
mcp9600  garble:0.7    case   bus_fault,spike,cj_implausible,range,open,short_gnd
mcp9600  eio           case   bus_fault
mcp9600  nack          case   bus_fault
mcp9600  timeout       case   stale,bus_fault
mcp9600  hang:9000     case   stale
mcp9600  spike:60:0.5  case   spike
mcp9600  flaky:0.6     case   open,spike
ads0     open          tray   open
ads0     short_gnd     tray   short_gnd
ads0     spike:60:0.5  tray   spike
ads0     flaky:0.6     tray   open,spike
ads1115  dead0         tray   bus_fault,short_gnd
ads1115  dead1         tray   bus_fault,short_vcc,open
ads1115  garble:0.7    tray   bus_fault,spike,range,open,short_gnd,short_vcc
ads1115  eio           tray   bus_fault
ads1115  nack          tray   bus_fault
ads1115  timeout       tray   stale,bus_fault
ads1115  hang:9000     tray   stale
spi0     eio           core,air   bus_fault
spi0     dead0         core,air   bus_fault
spi0     hang:9000     core,air   stale
i2c1     eio           case,tray  bus_fault
i2c1     nack          case,tray  bus_fault
i2c1     timeout       case,tray  stale,bus_fault
i2c1     hang:9000     case,tray  stale
T
}

# Probes that share a bus with a hung or slow chip wait for it: one bus has one wire.
shares() {
  case $1 in
    core) echo air;; air) echo core;; case) echo tray;; tray) echo case;;
  esac
}

# look fills age[probe], up[probe] and faults[probe word] from the daemon's own state. The board has no clock
# that anybody set, so ages are the daemon's, by its monotonic clock.
declare -A age up faults
look() {
  local p a f w n rest
  age=() up=() faults=()
  while read -r p a f rest; do
    age[$p]=$a up[$p]=$f
    for w in $rest; do n=${w#*=}; faults[$p ${w%%=*}]=$n; done
  done < <(curl -s -m 5 "$URL" | jq -r '.probes | to_entries[] | [.key, ((.value.last_valid_age_seconds // 99999) | floor),
      (.value.fault // "valid"), (.value.faults | to_entries[] | "\(.key)=\(.value)")] | join(" ")')
}

look
probes=${!age[*]}
[ -n "$probes" ] || { echo "no state at $URL: is the daemon running?"; exit 2; }
pid=$(systemctl show -p MainPID --value holdbell)
since() { awk -v a="$1" -v b="$EPOCHREALTIME" 'BEGIN { printf "%.1f", b - a }'; }

# settled waits until every probe is valid and fresh again.
settled() {
  local end=$((SECONDS + HEAL)) p ok
  while :; do
    look
    ok=${#age[@]}
    for p in $probes; do [ "${up[$p]:-}" = valid ] && [ "${age[$p]:-99}" -lt "$FRESH" ] || ok=0; done
    [ "$ok" -gt 0 ] && return 0
    [ $SECONDS -gt $end ] && return 1
    sleep 0.3
  done
}

bad=0 tried=0
printf '%-9s %-13s %-10s %-36s %-7s %s\n' target fault probe 'named as (readings), after' heals result
settled || { echo "not every probe reads before the first fault: $probes"; exit 2; }
while read -r target fault wounded words; do
  [[ "$target $fault" == *${1:-}* ]] || continue
  [[ " $probes " == *" ${wounded%%,*} "* ]] || continue
  tried=$((tried + 1)) problems= seen=
  declare -A was=() lag=()
  for k in "${!faults[@]}"; do was[$k]=${faults[$k]}; done
  chipd ctl fault "$target" "$fault" >/dev/null || problems+=" not-set"
  from=$EPOCHREALTIME end=$((SECONDS + LIMIT))
  while [ $SECONDS -lt $end ]; do
    look
    named=1
    for p in $probes; do
      if [[ ,$wounded, == *,$p,* ]]; then
        n=0; for w in ${words//,/ }; do n=$((n + ${faults[$p $w]:-0} - ${was[$p $w]:-0})); done
        [ $n -gt 0 ] || named=
      # One bus has one wire: while a transfer of a neighbour hangs, nothing else moves on it.
      elif [[ $fault != hang* && $fault != timeout || ,$wounded, != *,$(shares "$p"),* ]]; then
        [ "${age[$p]:-99}" -lt "$FRESH" ] || lag[$p]=$((${lag[$p]:-0} + 1))
      fi
    done
    [ -n "$named" ] && [ -z "$seen" ] && seen=$(since "$from")
    sleep 0.3
  done
  list=
  for p in ${wounded//,/ }; do
    for w in open short_gnd short_vcc over_under_voltage range bus_fault cj_implausible stale spike; do
      n=$((${faults[$p $w]:-0} - ${was[$p $w]:-0}))
      [ $n -gt 0 ] && { list+="$w $n "; [[ ,$words, == *,$w,* ]] || problems+=" called-$w"; }
    done
  done
  [ -n "$seen" ] || problems+=" not-named"
  for p in $probes; do [ "${lag[$p]:-0}" -gt 1 ] && problems+=" $p-late"; done
  chipd ctl fault "$target" none >/dev/null
  from=$EPOCHREALTIME
  settled && healed=$(since "$from")s || { healed=never problems+=" not-healed"; }
  now=$(systemctl show -p MainPID --value holdbell)
  [ "$now" = "$pid" ] || { problems+=" restarted"; pid=$now; }
  [ -n "$problems" ] && bad=$((bad + 1))
  printf '%-9s %-13s %-10s %-36s %-7s %s\n' "$target" "$fault" "$wounded" "$list${seen:+@${seen}s}" "$healed" "${problems:-ok}"
done < <(table)
echo "$tried faults, $bad not as they should be"
[ "$tried" -gt 0 ] && [ "$bad" = 0 ]

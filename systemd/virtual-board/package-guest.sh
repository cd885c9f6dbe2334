#!/bin/bash
# Runs on a virtual board: the package is installed, upgraded, downgraded, removed, installed again and purged
# under a real systemd and a real dpkg, and once more in a tree in which no systemd runs.
#
#   package-guest.sh OLD.deb NEW.deb
set -u
old=$1 new=$2 bad=0 tried=0
unit=/etc/systemd/system/multi-user.target.wants/holdbell.service
export DEBIAN_FRONTEND=noninteractive LC_ALL=C
it() { # WORDS... that say what ought to be, : COMMAND
  local what=
  while [ "$1" != : ]; do what+="$1 "; shift; done
  shift
  tried=$((tried + 1))
  if "$@" >/tmp/it.out 2>&1; then echo "ok    $what"; else bad=$((bad + 1)); echo "FAIL  $what: $*"; tail -3 /tmp/it.out; fi
}
step() { echo "-- $*"; }
put() { it dpkg is content with "$(basename "$1")" : dpkg -i "$1"; }
installed() { [ "$(dpkg-query -W -f '${db:Status-Abbrev} ${Version}' holdbell)" = "ii  $(dpkg-deb -f "$1" Version)" ]; }
active() { [ "$(systemctl is-active holdbell)" = active ]; }
inactive() { [ "$(systemctl is-active holdbell)" = inactive ]; }
enabled() { [ "$(systemctl is-enabled holdbell 2>/dev/null)" = enabled ]; }
disabled() { [ "$(systemctl is-enabled holdbell 2>/dev/null)" = disabled ]; }
healthy() { for _ in $(seq 100); do [ "$(curl -s -o /dev/null -w '%{http_code}' http://127.0.0.1:9834/healthz)" = 200 ] && return; sleep 0.2; done; return 1; }
pid() { systemctl show -p MainPID --value holdbell; }
another_pid() { [ "$(pid)" != "$1" ] && [ "$(pid)" != 0 ]; }
owned() { [ "$(stat -c '%a %U:%G' "$1")" = "$2" ]; }
gone() { for f; do [ ! -e "$f" ] && [ ! -L "$f" ] || { echo "$f is there"; return 1; }; done; }
record() { sha256sum < /var/lib/holdbell/ledger.db-lock >/dev/null && [ -s /var/lib/holdbell/ledger.db ]; }

step "a first installation"
put "$old"
it it is installed : installed "$old"
it the service runs : active
it the service is enabled : enabled
it the health check answers 200 without any probe : healthy
it the page says what to do next : sh -c "curl -s http://127.0.0.1:9834/ | grep -q 'holdbell probes'"
it the user is there : getent passwd holdbell
it the groups are there : getent group spi i2c gpio
it the configuration folder is for the daemon : owned /etc/holdbell '750 root:holdbell'
it the configuration is for the daemon : owned /etc/holdbell/kitchen.yaml '640 root:holdbell'
it the nodes belong to their groups : owned /dev/spidev0.0 '660 root:spi'
it check is content with it : holdbell check --config /etc/holdbell/kitchen.yaml
echo "# mine" >>/etc/holdbell/kitchen.yaml
echo secret >/etc/holdbell/phone.url

step "an upgrade of what runs"
before=$(pid)
put "$new"
it it is installed : installed "$new"
it the service runs : active
it it is the new one : another_pid "$before"
it the health check answers : healthy
it the changed configuration is kept : grep -q '^# mine' /etc/holdbell/kitchen.yaml
it the record goes on : record

step "a reload"
before=$(pid)
it systemctl reload works : systemctl reload holdbell
it it is the same process : [ "$(pid)" = "$before" ]

step "a downgrade of what was stopped"
systemctl stop holdbell
put "$old"
it it is installed : installed "$old"
it the service stays stopped : inactive
it the service stays enabled : enabled

step "an upgrade of what was disabled"
systemctl -q disable holdbell
put "$new"
it the service stays stopped : inactive
it the service stays disabled : disabled

step "a downgrade of what was disabled and runs"
systemctl start holdbell
before=$(pid)
put "$old"
it the service runs : active
it it is the other one : another_pid "$before"
it the service stays disabled : disabled

step "a removal"
it dpkg removes : dpkg -r holdbell
it the service has stopped : inactive
it the program and the unit are gone : gone /usr/bin/holdbell /usr/lib/systemd/system/holdbell.service
it the configuration is kept : grep -q '^# mine' /etc/holdbell/kitchen.yaml
it the secret is kept : grep -q secret /etc/holdbell/phone.url
it the record is kept : record

step "an installation after a removal"
put "$new"
it the service stays disabled : disabled
it the service is not started : inactive
systemctl -q enable --now holdbell
dpkg -r holdbell >/dev/null 2>&1
put "$new"
it the service is enabled : enabled
it the service runs : active
it the changed configuration is kept : grep -q '^# mine' /etc/holdbell/kitchen.yaml

step "a purge"
it dpkg purges : dpkg -P holdbell
it everything of it is gone : gone /usr/bin/holdbell /etc/holdbell /var/lib/holdbell "$unit" /var/lib/systemd/deb-systemd-helper-enabled/holdbell.service.dsh-also
it nothing has failed : sh -c '! systemctl --failed --plain --no-legend | grep -q holdbell'

step "an installation after a purge"
put "$new"
it the service is enabled : enabled
it the service runs : active
it the health check answers : healthy

step "a tree without a running systemd, and without systemd-sysusers"
tree=/run/tree
mkdir -p $tree && mount -t tmpfs tmpfs $tree && mkdir $tree/up $tree/work $tree/root
mount -t overlay overlay -o lowerdir=/,upperdir=$tree/up,workdir=$tree/work $tree/root
mkdir -p $tree/root/run $tree/root/dev
mknod -m 666 $tree/root/dev/null c 1 3 2>/dev/null
cp "$new" $tree/root/new.deb
inside() { chroot $tree/root env PATH="$PATH" "$@"; }
inside dpkg -P holdbell >/dev/null 2>&1
inside deluser --quiet holdbell >/dev/null 2>&1
inside delgroup --quiet spi >/dev/null 2>&1
rm -f $tree/root/usr/bin/systemd-sysusers
it the user is not there : sh -c "! grep -q ^holdbell: $tree/root/etc/passwd"
it dpkg is content : inside dpkg -i /new.deb
it adduser made the user : grep -q '^holdbell:' $tree/root/etc/passwd
it and the group : grep -q '^spi:' $tree/root/etc/group
it the service is enabled for the first boot : test -L "$tree/root$unit"
it the program runs : inside holdbell version
it dpkg purges : inside dpkg -P holdbell
it everything of it is gone : gone $tree/root/usr/bin/holdbell $tree/root/etc/holdbell "$tree/root$unit"
umount $tree/root $tree

echo "$tried demands, $bad not met"
[ "$bad" = 0 ]

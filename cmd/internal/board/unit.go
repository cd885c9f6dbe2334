package board

import (
	"fmt"
	"maps"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"
)

// service is what the unit of the daemon says, drop-ins included.
type service struct {
	installed bool
	user      string
	groups    []string
	watchdog  string
}

// unitFolders are those of units, the weightiest first (systemd.unit(5)).
func unitFolders() []string {
	return []string{"etc/systemd/system", "run/systemd/system", "usr/local/lib/systemd/system", "usr/lib/systemd/system", "lib/systemd/system"}
}

// readService reads the unit as the service manager does: the first file of its name, then the drop-ins in the order
// of their names, a later line over an earlier one.
func readService(root string) (s service) {
	var files []string
	for _, dir := range unitFolders() {
		path := filepath.Join(root, dir, "holdbell.service")
		if _, err := readText(path); err == nil {
			files = append(files, path)
			break
		}
	}
	if len(files) == 0 {
		return service{}
	}
	s.installed = true
	for _, path := range append(files, dropIns(root, unitFolders(), "holdbell.service.d")...) {
		settings(path, "Service", func(key, value string) {
			switch key {
			case "User":
				s.user = value
			case "WatchdogSec":
				s.watchdog = value
			case "SupplementaryGroups":
				if value == "" {
					s.groups = nil
				}
				s.groups = append(s.groups, strings.Fields(value)...)
			}
		})
	}
	return s
}

// dropIns lists a folder's .conf files over all of the places that it may lie in; one name counts once, in the
// weightiest place.
func dropIns(root string, places []string, folder string) []string {
	at := map[string]string{}
	for _, place := range places {
		dir := filepath.Join(root, place, folder)
		entries, err := os.ReadDir(dir)
		if err != nil {
			continue
		}
		for _, e := range entries {
			if at[e.Name()] == "" && strings.HasSuffix(e.Name(), ".conf") {
				at[e.Name()] = filepath.Join(dir, e.Name())
			}
		}
	}
	var files []string
	for _, name := range slices.Sorted(maps.Keys(at)) {
		files = append(files, at[name])
	}
	return files
}

// settings calls visit for each line KEY=VALUE of a section. What cannot be read has none.
func settings(path, section string, visit func(key, value string)) {
	text, err := readText(path)
	if err != nil {
		return
	}
	in := false
	for line := range strings.Lines(text) {
		line = strings.TrimSpace(line)
		if strings.HasPrefix(line, "[") {
			in = line == "["+section+"]"
			continue
		}
		key, value, ok := strings.Cut(line, "=")
		if in && ok && !strings.HasPrefix(line, "#") && !strings.HasPrefix(line, ";") {
			visit(strings.TrimSpace(key), strings.TrimSpace(value))
		}
	}
}

// unit says whether the service manager would notice a daemon that hangs.
func (b *board) unit() {
	const about, mend = "unit", "sudo systemctl edit holdbell, write the lines [Service] and WatchdogSec=30, and restart it"
	d, ok := span(b.service.watchdog)
	switch {
	case !b.service.installed:
		b.look(about, "no holdbell.service is installed: nobody starts the daemon again when it ends", "install the package, or put systemd/holdbell.service into /etc/systemd/system")
	case !ok:
		b.look(about, "WatchdogSec="+quoted(b.service.watchdog)+" cannot be read", mend)
	case d == 0:
		b.wrong(about, "the service manager does not notice a daemon that hangs: WatchdogSec is off", mend)
	default:
		b.ok(about, fmt.Sprintf("a daemon that hangs for %s is started again", words(d)))
	}
}

// longestWatchdog is more than the chip of a Raspberry Pi takes: a longer time is refused, and then nobody watches
// (systemd/systemd#27427).
const longestWatchdog = 15 * time.Second

// watchdog says whether a board that hangs starts again by itself (Linux Documentation/ABI/testing/
// sysfs-class-watchdog).
func (b *board) watchdog() {
	const about = "watchdog"
	const mend = "write [Manager] and RuntimeWatchdogSec=15 into /etc/systemd/system.conf.d/watchdog.conf and restart the board"
	wanted, asked := b.managerWatchdog()
	tooLong := asked && wanted > longestWatchdog
	running, known := "", false
	var timeout time.Duration
	for _, name := range b.names("sys/class/watchdog") {
		state, err := b.text("sys/class/watchdog/" + name + "/state")
		if err != nil || state != "active" && state != "inactive" {
			continue
		}
		known = true
		if state != "active" || running != "" {
			continue
		}
		running = name
		if text, err := b.text("sys/class/watchdog/" + name + "/timeout"); err == nil {
			if n, err := strconv.ParseUint(text, 10, 31); err == nil {
				timeout = time.Duration(n) * time.Second
			}
		}
	}
	switch {
	case !known:
		b.ok(about, silent)
	case running == "" && tooLong:
		b.wrong(about, fmt.Sprintf("RuntimeWatchdogSec asks for %s, which this board's chip has refused: nobody restarts a board that hangs", words(wanted)), mend)
	case running == "":
		b.look(about, "the board's own is idle: nobody restarts a board that hangs", mend)
	case timeout > longestWatchdog:
		b.look(about, fmt.Sprintf("%s restarts a board that hangs for %s; many chips refuse more than 15 s", running, words(timeout)), mend)
	case timeout == 0:
		b.ok(about, running+" restarts a board that hangs")
	default:
		b.ok(about, fmt.Sprintf("%s restarts a board that hangs for %s", running, words(timeout)))
	}
}

// managerWatchdog is what the service manager was told to set the board's watchdog to (systemd-system.conf(5)).
func (b *board) managerWatchdog() (d time.Duration, asked bool) {
	places := []string{"etc/systemd", "run/systemd", "usr/local/lib/systemd", "usr/lib/systemd"}
	for _, path := range append([]string{b.path("etc/systemd/system.conf")}, dropIns(b.root, places, "system.conf.d")...) {
		settings(path, "Manager", func(key, value string) {
			if key != "RuntimeWatchdogSec" {
				return
			}
			if v, ok := span(value); ok {
				d, asked = v, v > 0
			}
		})
	}
	return d, asked
}

// words writes a time for people.
func words(d time.Duration) string { return fmt.Sprintf("%g s", d.Seconds()) }

// spanUnit is a unit of a time span (systemd.time(7)); a bare number is seconds. 0 is none.
func spanUnit(word string) time.Duration {
	switch word {
	case "", "s", "sec", "second", "seconds":
		return time.Second
	case "ms", "msec":
		return time.Millisecond
	case "us", "usec":
		return time.Microsecond
	case "m", "min", "minute", "minutes":
		return time.Minute
	case "h", "hr", "hour", "hours":
		return time.Hour
	}
	return 0
}

// span reads one, such as "30", "1min 30s"; nothing, "off" and "infinity" are 0.
func span(s string) (time.Duration, bool) {
	if s == "" || s == "off" || s == "infinity" {
		return 0, true
	}
	var all time.Duration
	for s = strings.TrimSpace(s); s != ""; s = strings.TrimSpace(s) {
		digits := len(s) - len(strings.TrimLeft(s, "0123456789."))
		n, err := strconv.ParseFloat(s[:digits], 64)
		if err != nil {
			return 0, false
		}
		s = strings.TrimLeft(s[digits:], " ")
		letters := len(s) - len(strings.TrimLeft(s, "abcdefghijklmnopqrstuvwxyz"))
		span := n * float64(spanUnit(s[:letters]))
		if span == 0 && n != 0 || span+float64(all) > math.MaxInt64/2 {
			return 0, false
		}
		all += time.Duration(span)
		s = s[letters:]
	}
	return all, true
}

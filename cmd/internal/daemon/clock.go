package daemon

import (
	"bytes"
	"encoding/hex"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"runtime/debug"
	"sync"
	"time"

	"golang.org/x/sys/unix"

	"holdbell/sensor"
)

// Clock is the machine's time as sensor.Instant wants it: the wall, CLOCK_BOOTTIME, the boot's id, and
// whether the wall is believed.
type Clock struct {
	boot  sensor.BootID
	floor time.Time // where nobody can say, a believed wall lies after it
	sync  string    // timesyncd's file
	// adjtimex gives the kernel's own opinion; a field, so that a test can give another.
	adjtimex func(*unix.Timex) (int, error)

	mu    sync.Mutex
	epoch time.Time // the wall when the monotonic clock was zero, as labels use it
}

// A recording holds milliseconds of the wall, the daemon decides by the monotonic clock. So that a replay
// decides alike, both are whole milliseconds and run in step; the wall's label is set anew when the two
// have drifted apart by more than maxDrift, as they do while the wall is slewed or stepped.
const (
	tick     = time.Millisecond
	maxDrift = 5 * time.Millisecond
)

// NewClock reads the boot's id. root is "/" on a real machine. newest is the latest instant in the
// record, zero when there is none.
func NewClock(root string, newest time.Time) (*Clock, error) {
	text, err := os.ReadFile(filepath.Join(root, "proc/sys/kernel/random/boot_id"))
	if err != nil {
		return nil, fmt.Errorf("reading the boot's id: %w; mount /proc", err)
	}
	c := &Clock{
		floor:    built(),
		sync:     filepath.Join(root, timesync),
		adjtimex: unix.Adjtimex,
	}
	raw := bytes.ReplaceAll(bytes.TrimSpace(text), []byte("-"), nil)
	if len(raw) != 2*len(c.boot) {
		return nil, fmt.Errorf("the boot's id %q is not 32 hexadecimal digits", text)
	}
	if _, err := hex.Decode(c.boot[:], raw); err != nil {
		return nil, fmt.Errorf("the boot's id %q: %w", text, err)
	}
	if newest.After(c.floor) {
		c.floor = newest
	}
	return c, nil
}

// Now is the present instant.
func (c *Clock) Now() sensor.Instant {
	var mono unix.Timespec
	// CLOCK_BOOTTIME counts through suspend (clock_gettime(2)); Linux has had it since 2.6.39, so the
	// call cannot fail on a kernel that runs Go.
	_ = unix.ClockGettime(unix.CLOCK_BOOTTIME, &mono)
	wall := time.Now()
	return c.label(time.Duration(mono.Nano()), wall.UTC().Round(0))
}

func (c *Clock) label(mono time.Duration, wall time.Time) sensor.Instant {
	epoch := wall.Add(-mono)
	mono = mono.Truncate(tick)
	c.mu.Lock()
	if c.epoch.IsZero() || epoch.Sub(c.epoch).Abs() > maxDrift {
		c.epoch = epoch.Truncate(tick)
	}
	label := c.epoch.Add(mono)
	c.mu.Unlock()
	return sensor.Instant{Wall: label, Mono: mono, Boot: c.boot, Believed: c.believes(wall)}
}

// believes goes by who keeps the clock. Where that cannot be asked (ProtectClock=yes on older systemd answers
// EPERM) a wall later than the build and than the newest record has to do: a board without a clock chip wakes
// up before either.
func (c *Clock) believes(wall time.Time) bool {
	set, known := clockSet(c.sync, c.adjtimex)
	if !known {
		return wall.After(c.floor)
	}
	return set
}

// timesync is the file that timesyncd leaves once the clock was set.
const timesync = "run/systemd/timesync/synchronized"

// ClockSet reports whether the clock of the machine under root, / for this one, is set by somebody who knows the time;
// known is false where nobody can say. Of another root the kernel is not asked: it is this machine's.
func ClockSet(root string) (set, known bool) {
	ask := unix.Adjtimex
	if filepath.Clean(root) != "/" {
		ask = func(*unix.Timex) (int, error) { return 0, unix.ENOSYS }
	}
	return clockSet(filepath.Join(root, timesync), ask)
}

// clockSet asks timesyncd first, then the kernel, which chrony and ntpd tell.
func clockSet(sync string, adjtimex func(*unix.Timex) (int, error)) (set, known bool) {
	if _, err := os.Stat(sync); err == nil {
		return true, true
	}
	var tx unix.Timex
	state, err := adjtimex(&tx)
	if errors.Is(err, unix.EPERM) || errors.Is(err, unix.ENOSYS) {
		return false, false
	}
	// TIME_ERROR and STA_UNSYNC: adjtimex(2), "the clock is not synchronized".
	return err == nil && state != unix.TIME_ERROR && tx.Status&unix.STA_UNSYNC == 0, true
}

// built is when the running binary's commit was made. Without one it is the year of these words, which
// no right clock can fall short of.
func built() time.Time {
	floor := time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)
	if info, ok := debug.ReadBuildInfo(); ok {
		for _, s := range info.Settings {
			if s.Key != "vcs.time" {
				continue
			}
			if t, err := time.Parse(time.RFC3339, s.Value); err == nil && t.After(floor) {
				return t
			}
		}
	}
	return floor
}

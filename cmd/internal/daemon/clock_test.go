package daemon

import (
	"os"
	"path/filepath"
	"testing"
	"time"

	"golang.org/x/sys/unix"
)

// board is a made-up root of a machine with a boot id.
func board(t *testing.T, bootID string) string {
	t.Helper()
	root := t.TempDir()
	dir := filepath.Join(root, "proc/sys/kernel/random")
	if err := os.MkdirAll(dir, 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(dir, "boot_id"), []byte(bootID), 0o644); err != nil {
		t.Fatal(err)
	}
	return root
}

const someBoot = "0f1e2d3c-4b5a-6978-8796-a5b4c3d2e1f0\n"

func TestClockReadsTheBoot(t *testing.T) {
	c, err := NewClock(board(t, someBoot), time.Time{})
	if err != nil {
		t.Fatal(err)
	}
	a, b := c.Now(), c.Now()
	if text, _ := a.Boot.MarshalText(); string(text) != "0f1e2d3c4b5a69788796a5b4c3d2e1f0" {
		t.Errorf("boot id %s", text)
	}
	if b.Mono < a.Mono || a.Mono <= 0 {
		t.Errorf("the monotonic clock went from %v to %v", a.Mono, b.Mono)
	}
	if a.Wall.Location() != time.UTC || a.Wall != a.Wall.Round(0) {
		t.Errorf("the wall %v is not plain UTC", a.Wall)
	}
	for _, bad := range []string{"", "0f1e", "zz1e2d3c-4b5a-6978-8796-a5b4c3d2e1f0"} {
		if _, err := NewClock(board(t, bad), time.Time{}); err == nil {
			t.Errorf("boot id %q was taken", bad)
		}
	}
	if _, err := NewClock(t.TempDir(), time.Time{}); err == nil {
		t.Error("a machine without /proc was taken")
	}
}

func TestClockBelieves(t *testing.T) {
	answer := func(state int, status int32, err error) func(*unix.Timex) (int, error) {
		return func(tx *unix.Timex) (int, error) {
			tx.Status = status
			return state, err
		}
	}
	fine := answer(unix.TIME_OK, 0, nil)
	unset := answer(unix.TIME_ERROR, unix.STA_UNSYNC, nil)
	now := time.Date(2027, 3, 1, 12, 0, 0, 0, time.UTC)
	for _, c := range []struct {
		name     string
		synced   bool
		adjtimex func(*unix.Timex) (int, error)
		newest   time.Time
		wall     time.Time
		want     bool
	}{
		{"the kernel says so", false, fine, time.Time{}, now, true},
		{"the kernel says no", false, unset, time.Time{}, now, false},
		{"timesyncd outweighs the kernel", true, unset, time.Time{}, now, true},
		{"status alone is enough to doubt", false, answer(unix.TIME_OK, unix.STA_UNSYNC, nil), time.Time{}, now, false},
		{"not allowed to ask, later than all", false, answer(-1, 0, unix.EPERM), now.Add(-time.Hour), now, true},
		{"not allowed to ask, before the record", false, answer(-1, 0, unix.EPERM), now.Add(time.Hour), now, false},
		{"not allowed to ask, before the build", false, answer(-1, 0, unix.EPERM), time.Time{}, time.Date(2020, 1, 1, 0, 0, 0, 0, time.UTC), false},
		{"synchronised, though the record lies ahead", true, unset, now.Add(time.Hour), now, true},
		{"another failure", false, answer(-1, 0, unix.EFAULT), time.Time{}, now, false},
	} {
		t.Run(c.name, func(t *testing.T) {
			root := board(t, someBoot)
			clock, err := NewClock(root, c.newest)
			if err != nil {
				t.Fatal(err)
			}
			clock.adjtimex = c.adjtimex
			if c.synced {
				dir := filepath.Join(root, "run/systemd/timesync")
				if err := os.MkdirAll(dir, 0o755); err != nil {
					t.Fatal(err)
				}
				if err := os.WriteFile(filepath.Join(dir, "synchronized"), nil, 0o644); err != nil {
					t.Fatal(err)
				}
			}
			if got := clock.believes(c.wall); got != c.want {
				t.Errorf("believed %v, want %v", got, c.want)
			}
		})
	}
}

func TestClockRunsInStep(t *testing.T) {
	c, err := NewClock(board(t, someBoot), time.Time{})
	if err != nil {
		t.Fatal(err)
	}
	wall := time.Date(2027, 3, 1, 12, 0, 0, 400_700, time.UTC)
	first := c.label(90*time.Second+900_001, wall)
	for i, drift := range []time.Duration{0, 3 * time.Millisecond, -4 * time.Millisecond, 0} {
		d := time.Duration(i+1)*time.Second + 333_333
		next := c.label(90*time.Second+900_001+d, wall.Add(d+drift))
		if got, want := next.Wall.Sub(first.Wall), next.Mono-first.Mono; got != want {
			t.Errorf("the wall went %v while the monotonic clock went %v", got, want)
		}
		if next.Mono%time.Millisecond != 0 || next.Wall.Nanosecond()%1_000_000 != 0 {
			t.Errorf("%v, %v are no whole milliseconds", next.Mono, next.Wall)
		}
	}
	// A step, ten years forth, is followed at once, and the monotonic clock knows nothing of it.
	stepped := c.label(100*time.Second, wall.AddDate(10, 0, 0))
	if stepped.Wall.Year() != 2037 || stepped.Mono != 100*time.Second {
		t.Errorf("after a step: %v, %v", stepped.Wall, stepped.Mono)
	}
}

// TestClockSet: of another root only its file counts, for the kernel is this machine's.
func TestClockSet(t *testing.T) {
	root := t.TempDir()
	if set, known := ClockSet(root); set || known {
		t.Errorf("an empty tree: set %v, known %v", set, known)
	}
	file := filepath.Join(root, timesync)
	if err := os.MkdirAll(filepath.Dir(file), 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(file, nil, 0o644); err != nil {
		t.Fatal(err)
	}
	if set, known := ClockSet(root); !set || !known {
		t.Errorf("with timesyncd's file: set %v, known %v", set, known)
	}
}

package ledger

import (
	"bytes"
	"context"
	"database/sql"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
	"time"

	"golang.org/x/sys/unix"
)

// filled makes a ledger with something in it, closes it and gives its bytes.
func filled(t testing.TB, path string) []byte {
	t.Helper()
	l, err := Open(path, Options{})
	if err != nil {
		t.Fatal(err)
	}
	for i := range 20 {
		commit(t, l, Batch{Layout: twoProbes, FirstSweep: uint64(1 + 60*i), Sweeps: sweepsFrom(1+60*i, 60, 2), Events: eventsFrom(1+i, 1),
			Snapshot: bytes.Repeat([]byte("state "), 500), SnapshotSweep: uint64(60 + 60*i)})
	}
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// asOf makes a database with these two numbers, and nothing of ours in it.
func asOf(t testing.TB, path string, app, version string) {
	t.Helper()
	db, err := sql.Open("sqlite", path)
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	if _, err := db.Exec(`PRAGMA application_id = ` + app + `; PRAGMA user_version = ` + version + `; CREATE TABLE t (x); INSERT INTO t VALUES (1)`); err != nil {
		t.Fatal(err)
	}
}

// What cannot have been written as it is was damaged: it is moved aside, and a new ledger works.
func TestOpenDamaged(t *testing.T) {
	good := filled(t, filepath.Join(t.TempDir(), "good.db"))
	chaos := make([]byte, 20000)
	src := rand.NewChaCha8([32]byte{1})
	_, _ = src.Read(chaos)
	damage := func(f func(b []byte) []byte) []byte { return f(bytes.Clone(good)) }
	for name, b := range map[string][]byte{
		"empty":             {},
		"one zero byte":     {0},
		"zeros":             make([]byte, 8192),
		"random":            chaos,
		"random, short":     chaos[:37],
		"header alone":      good[:100],
		"within the header": good[:50],
		"the magic alone":   good[:16],
		"one page":          good[:pageSize],
		"a page and a half": good[:6000],
		"half":              good[:len(good)/2],
		"a byte short":      good[:len(good)-1],
		"header zeroed":     damage(func(b []byte) []byte { clear(b[16:100]); return b }),
		"page size 3":       damage(func(b []byte) []byte { b[16], b[17] = 0, 3; return b }),
		"schema lost":       damage(func(b []byte) []byte { clear(b[100:pageSize]); return b }),
		"schema random":     damage(func(b []byte) []byte { copy(b[100:pageSize], chaos); return b }),
		"all but page 1":    damage(func(b []byte) []byte { clear(b[pageSize:]); return b }),
		"random after 1":    damage(func(b []byte) []byte { copy(b[pageSize:], chaos); return b }),
		"snapshot altered":  damage(func(b []byte) []byte { return alterSnapshot(t, b) }),
	} {
		t.Run(name, func(t *testing.T) {
			path := filepath.Join(t.TempDir(), "ledger.db")
			if err := os.WriteFile(path, b, 0o600); err != nil {
				t.Fatal(err)
			}
			l, err := Open(path, Options{Now: func() time.Time { return noon }})
			if err != nil {
				t.Fatal(err)
			}
			defer l.Close()
			if want := path + ".corrupt-20260301T120000Z"; l.Moved() != want {
				t.Fatalf("moved to %q, want %q", l.Moved(), want)
			}
			if kept, err := os.ReadFile(l.Moved()); err != nil || !bytes.Equal(kept, b) {
				t.Errorf("what was moved aside has changed: %v", err)
			}
			commit(t, l, Batch{Layout: twoProbes, FirstSweep: 1, Sweeps: sweepsFrom(1, 3, 2)})
			sound(t, l)
			if err := l.Reopen(); err != nil || l.Moved() != "" {
				t.Errorf("opened again: moved %q, %v", l.Moved(), err)
			}
		})
	}
}

// alterSnapshot changes a byte in the newest snapshot of a ledger, without SQLite noticing.
func alterSnapshot(t testing.TB, b []byte) []byte {
	t.Helper()
	packed, err := pack(bytes.Repeat([]byte("state "), 500))
	if err != nil {
		t.Fatal(err)
	}
	i := bytes.LastIndex(b, packed)
	if i < 0 {
		t.Fatal("the snapshot is not found in the file")
	}
	b[i+1] ^= 1
	return b
}

// Whatever bytes are changed, opening gives a ledger that works, and no panic.
func TestOpenRandomDamage(t *testing.T) {
	good := filled(t, filepath.Join(t.TempDir(), "good.db"))
	dir := fastDir(t)
	r := rand.New(rand.NewPCG(1, 2))
	for i := range 60 {
		b := bytes.Clone(good)
		for range 1 + r.IntN(40) {
			b[r.IntN(len(b))] = byte(r.Uint32())
		}
		if r.IntN(3) == 0 {
			b = b[:r.IntN(len(b))]
		}
		path := filepath.Join(dir, fmt.Sprint(i, ".db"))
		if err := os.WriteFile(path, b, 0o600); err != nil {
			t.Fatal(err)
		}
		l, err := Open(path, Options{})
		if err != nil {
			// Only what says of itself that it is another's, or newer, may be refused.
			if !strings.Contains(err.Error(), "another program") && !strings.Contains(err.Error(), "newer holdbell") && !strings.Contains(err.Error(), "text file") {
				t.Errorf("%v", err)
			}
			continue
		}
		next := restore(t, l).LastSweep + 1
		if err := l.Commit(context.Background(), Batch{Layout: twoProbes, FirstSweep: next, Sweeps: sweepsFrom(int(next), 3, 2), Events: eventsFrom(21, 1)}); err != nil {
			// Damage that shows later: the next opening moves the file aside.
			if !damaged(err) {
				t.Errorf("a commit: %v", err)
			}
			if err := l.Reopen(); err != nil || l.Moved() == "" {
				t.Errorf("after %v: moved %q, %v", err, l.Moved(), err)
			}
			commit(t, l, Batch{Layout: twoProbes, FirstSweep: 1, Sweeps: sweepsFrom(1, 3, 2)})
		}
		if err := l.Close(); err != nil && !damaged(err) {
			t.Errorf("closing: %v", err)
		}
	}
}

// What never was a ledger is not ours to move; the error names the file and what to do.
func TestOpenRefuses(t *testing.T) {
	dir := t.TempDir()
	text := func(path string) {
		must(t, os.WriteFile(path, []byte("site: demo-kitchen\nunits: fahrenheit # °F\n"), 0o600))
	}
	for name, c := range map[string]struct {
		make func(path string)
		says string
	}{
		"a text file":        {text, "text file"},
		"another's database": {func(p string) { asOf(t, p, "0", "0") }, "another program's database; give ledger.path a file of its own"},
		"a newer ledger":     {func(p string) { asOf(t, p, "1751278956", "99") }, "newer holdbell (schema 99, this one knows "},
		"a folder":           {func(p string) { must(t, os.Mkdir(p, 0o700)) }, "no regular file"},
		"a device":           {func(p string) { must(t, os.Symlink("/dev/null", p)) }, "no regular file"},
	} {
		t.Run(name, func(t *testing.T) {
			path := filepath.Join(dir, strings.ReplaceAll(name, " ", "-"))
			c.make(path)
			before, _ := os.ReadFile(path)
			_, err := Open(path, Options{})
			if err == nil || !strings.Contains(err.Error(), c.says) || !strings.Contains(err.Error(), path) {
				t.Errorf("%v", err)
			}
			if after, _ := os.ReadFile(path); !bytes.Equal(after, before) {
				t.Error("the file has changed")
			}
		})
	}
	missing := filepath.Join(dir, "nowhere", "ledger.db")
	if _, err := Open(missing, Options{}); err == nil || !strings.Contains(err.Error(), "create it for the daemon's user") || !strings.Contains(err.Error(), filepath.Dir(missing)) {
		t.Errorf("a missing folder: %v", err)
	}
	text(filepath.Join(dir, "file"))
	if _, err := Open(filepath.Join(dir, "file", "ledger.db"), Options{}); err == nil || !strings.Contains(err.Error(), "ledger.path") {
		t.Errorf("a file as folder: %v", err)
	}
}

func must(t testing.TB, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

// asNobody runs f with the file permissions of an ordinary user. The kernel keeps them by thread.
func asNobody(t testing.TB, f func()) {
	t.Helper()
	if os.Geteuid() != 0 {
		f()
		return
	}
	runtime.LockOSThread()
	defer runtime.UnlockOSThread()
	must(t, unix.Setfsuid(65534))
	defer func() { must(t, unix.Setfsuid(0)) }()
	f()
}

func TestOpenReadOnlyFolder(t *testing.T) {
	dir := t.TempDir()
	open := t.TempDir() // this folder can be written, its ledger cannot
	must(t, os.WriteFile(filepath.Join(open, "old.db"), filled(t, filepath.Join(dir, "old.db")), 0o444))
	must(t, os.Chmod(open, 0o777))
	must(t, os.Chmod(dir, 0o555))
	must(t, os.Chmod(filepath.Join(dir, "old.db"), 0o444))
	for up := dir; up != os.TempDir() && up != "/"; up = filepath.Dir(up) {
		if up != dir {
			must(t, os.Chmod(up, 0o755))
		}
	}
	defer os.Chmod(dir, 0o755)
	asNobody(t, func() {
		for _, path := range []string{filepath.Join(dir, "new.db"), filepath.Join(dir, "old.db"), filepath.Join(open, "old.db")} {
			l, err := Open(path, Options{})
			if err == nil {
				l.Close()
				t.Fatalf("%s opens and cannot be written", path)
			}
			for _, say := range []string{path, "cannot be written", "let the daemon's user write", filepath.Dir(path)} {
				if !strings.Contains(err.Error(), say) {
					t.Errorf("%q does not say %q", err, say)
				}
			}
		}
	})
}

// A log that lost its file must not be applied to a new one.
func TestOpenStrayLog(t *testing.T) {
	path := filepath.Join(t.TempDir(), "ledger.db")
	must(t, os.WriteFile(path+"-wal", []byte("what was once a log"), 0o600))
	l := beginAt(t, path)
	if l.Moved() == "" {
		t.Fatal("the log was not moved aside")
	}
	if _, err := os.Stat(l.Moved() + "-wal"); err != nil {
		t.Error(err)
	}
}

// Damage that only commits meet: Reopen moves the file aside, though it opens well. The first may have been a page
// that the disk did not give.
func TestDamageWhileOpen(t *testing.T) {
	path := filepath.Join(t.TempDir(), "ledger.db")
	filled(t, path)
	l := beginAt(t, path)
	first := l.ID()
	var page int64
	must(t, l.read(func(db *sql.DB) error {
		return db.QueryRow(`SELECT rootpage FROM sqlite_schema WHERE name = 'marks'`).Scan(&page)
	}))
	must(t, l.Close())
	f, err := os.OpenFile(path, os.O_WRONLY, 0)
	must(t, err)
	_, err = f.WriteAt(bytes.Repeat([]byte{0xa5}, pageSize), (page-1)*pageSize)
	must(t, err)
	must(t, f.Close())
	must(t, l.Reopen())
	if l.Moved() != "" || l.ID() != first {
		t.Fatalf("the damage shows at once: moved to %q", l.Moved())
	}
	for i, marked := range []bool{true, false, true, true} {
		b := Batch{Layout: twoProbes, FirstSweep: 1201 + uint64(i), Sweeps: sweepsFrom(1201+i, 1, 2)}
		if marked {
			b.Marks = []Marked{{b.FirstSweep, mark(1201+i, "m")}}
		}
		err := l.Commit(context.Background(), b)
		if damaged(err) != marked || !marked && err != nil || marked && !strings.Contains(err.Error(), path) {
			t.Fatalf("commit %d into the damaged file: %v", i, err)
		}
		if l.Moved() != "" || l.ID() != first {
			t.Fatalf("moved to %q before commit %d", l.Moved(), i)
		}
		must(t, l.Reopen())
	}
	if l.Moved() == "" || l.ID() == first {
		t.Errorf("moved to %q, id %s", l.Moved(), l.ID())
	}
}

func TestTwoDaemons(t *testing.T) {
	path := filepath.Join(t.TempDir(), "ledger.db")
	l := beginAt(t, path)
	if _, err := Open(path, Options{}); err == nil || !strings.Contains(err.Error(), "held by another daemon") || !strings.Contains(err.Error(), path) {
		t.Errorf("a second daemon: %v", err)
	}
	must(t, l.Close())
	second, err := Open(path, Options{})
	must(t, err)
	if err := l.Reopen(); err == nil {
		t.Error("the first opens it while the second holds it")
	}
	must(t, second.Close())
}

func TestStartAnew(t *testing.T) {
	path := filepath.Join(t.TempDir(), "ledger.db")
	filled(t, path)
	l := beginAt(t, path)
	first := l.ID()
	must(t, l.StartAnew())
	if !strings.HasPrefix(l.Moved(), path+".earlier-") || l.ID() == first || restore(t, l).LastSweep != 0 {
		t.Errorf("moved to %q, id %s", l.Moved(), l.ID())
	}
	moved := beginAt(t, l.Moved())
	if moved.ID() != first || restore(t, moved).LastSweep != 1200 {
		t.Errorf("what was moved aside: %+v", restore(t, moved))
	}
}

func TestNotOpen(t *testing.T) {
	l := New(filepath.Join(t.TempDir(), "ledger.db"), Options{})
	ctx := context.Background()
	_, _, cursor := l.Cursor(ctx, "x")
	_, events := l.Events(ctx, 0, 1)
	_, restored := l.Restore()
	for what, err := range map[string]error{"Cursor": cursor, "SetCursor": l.SetCursor(ctx, "x", 1), "Events": events, "Restore": restored, "Commit": l.Commit(ctx, Batch{})} {
		if err == nil || !strings.Contains(err.Error(), "not open") {
			t.Errorf("%s: %v", what, err)
		}
	}
	if l.ID() != "" {
		t.Errorf("id %q", l.ID())
	}
	must(t, l.Close())
}

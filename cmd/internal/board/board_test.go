package board

import (
	"bytes"
	"context"
	"encoding/binary"
	"encoding/json"
	"errors"
	"flag"
	"io/fs"
	"net"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"

	"github.com/rogpeppe/go-internal/txtar"
	"golang.org/x/sys/unix"

	"holdbell/configs"
	"holdbell/publish/page"
)

var update = flag.Bool("update", false, "write the golden pages anew")

// plant makes a board of the files of an archive.
func plant(t *testing.T, archive *txtar.Archive) *board {
	t.Helper()
	root := t.TempDir()
	var owners, config []byte
	for _, f := range archive.Files {
		name, data := f.Name, f.Data
		switch name {
		case "OWNERS":
			owners = data
			continue
		case "kitchen.yaml":
			config = data
			continue
		}
		if word, ok := strings.CutSuffix(name, ".word"); ok {
			n, err := strconv.ParseUint(strings.TrimSpace(string(data)), 10, 32)
			if err != nil {
				t.Fatal(err)
			}
			name, data = word, binary.BigEndian.AppendUint32(nil, uint32(n))
		}
		write(t, filepath.Join(root, name), string(data))
	}
	if config == nil {
		config = []byte("rules: { food_code: us-fda-2022 }\nprobes: []\nstations: []\n")
	}
	cfg, err := configs.Parse("kitchen.yaml", config)
	if err != nil {
		t.Fatal(err)
	}
	b := newBoard(Options{Root: root, Config: cfg, Socket: "control.sock"})
	b.owner = owners2(t, root, string(owners))
	b.self = func() user { return user{name: "cook", uid: 1000, gids: []int{1000}} }
	b.synced = func() (bool, bool) { return false, false }
	b.state = func(context.Context, string) ([]byte, error) { return nil, page.ErrUnreachable }
	b.dial = func(context.Context, string, string) (net.Conn, error) { return nil, refused() }
	return b
}

func refused() error {
	return &net.OpError{Op: "dial", Net: "tcp", Err: os.NewSyscallError("connect", syscall.ECONNREFUSED)}
}

func write(t *testing.T, path, data string) {
	t.Helper()
	if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(path, []byte(data), 0o644); err != nil {
		t.Fatal(err)
	}
}

// owners2 sets modes, and answers for the owners, which only root could set.
func owners2(t *testing.T, root, lines string) func(fs.FileInfo) (int, int) {
	t.Helper()
	type owned struct {
		info     fs.FileInfo
		uid, gid int
	}
	var all []owned
	for line := range strings.Lines(lines) {
		f := strings.Fields(line)
		var n [3]int64
		for i := range n {
			v, err := strconv.ParseInt(f[i+1], []int{10, 10, 8}[i], 32)
			if err != nil {
				t.Fatal(err)
			}
			n[i] = v
		}
		path := filepath.Join(root, f[0])
		if err := os.Chmod(path, fs.FileMode(n[2])); err != nil {
			t.Fatal(err)
		}
		info, err := os.Stat(path)
		if err != nil {
			t.Fatal(err)
		}
		all = append(all, owned{info, int(n[0]), int(n[1])})
	}
	return func(info fs.FileInfo) (int, int) {
		for _, o := range all {
			if os.SameFile(o.info, info) {
				return o.uid, o.gid
			}
		}
		return 0, 0
	}
}

func load(t *testing.T, name string) *txtar.Archive {
	t.Helper()
	a, err := txtar.ParseFile(filepath.Join("testdata", name))
	if err != nil {
		t.Fatal(err)
	}
	if len(a.Files) == 0 {
		t.Fatalf("%s holds no file", name)
	}
	unit, err := os.ReadFile("../../../systemd/holdbell.service")
	if err != nil {
		t.Fatal(err)
	}
	a.Files = append(a.Files, txtar.File{Name: "usr/lib/systemd/system/holdbell.service", Data: unit})
	return a
}

func space(free, all uint64, flags int64) func(string, *unix.Statfs_t) error {
	return func(_ string, st *unix.Statfs_t) error {
		st.Bsize, st.Bavail, st.Blocks = 4096, free/4096, all/4096
		st.Flags = flagsOf(st.Flags, flags)
		return nil
	}
}

// flagsOf turns v into the type of a field, which differs between machines.
func flagsOf[T int32 | int64 | uint32 | uint64](_ T, v int64) T { return T(v) }

func says(r page.StateReport) func(context.Context, string) ([]byte, error) {
	return func(context.Context, string) ([]byte, error) { return json.Marshal(r) }
}

func TestGoldenPages(t *testing.T) {
	celsius, age, old := 65.5, 0.4, 43.0
	for _, c := range []struct {
		name  string
		wrong bool
		set   func(b *board)
	}{
		{"good", false, func(b *board) {
			b.synced = func() (bool, bool) { return true, true }
			b.statfs = space(26e9, 31e9, 0)
			b.dial = func(context.Context, string, string) (net.Conn, error) { c, _ := net.Pipe(); return c, nil }
			b.state = says(page.StateReport{Age: &age, Config: b.config.Hash, Probes: map[string]page.ProbeReport{"warmer-air": {Celsius: &celsius}, "warmer-core": {Celsius: &celsius}}})
			b.test, b.send = true, func(context.Context, *configs.Phone) error { return nil }
		}},
		{"bad", true, func(b *board) {
			b.synced = func() (bool, bool) { return false, true }
			b.statfs = space(40_960_000, 31e9, 0)
			b.state = says(page.StateReport{Age: &old, Stale: true, Config: "0123456789abcdef", Probes: map[string]page.ProbeReport{"warmer-air": {}}})
			b.test, b.send = true, func(context.Context, *configs.Phone) error {
				return errors.New("the far end answered 401 Unauthorized")
			}
		}},
	} {
		t.Run(c.name, func(t *testing.T) {
			b := plant(t, load(t, c.name+".txtar"))
			c.set(b)
			found := examine(t.Context(), b)
			var page bytes.Buffer
			wrong, err := Write(&page, found)
			if err != nil || wrong > 0 != c.wrong {
				t.Errorf("%d wrong, %v", wrong, err)
			}
			for _, f := range found {
				if (f.Word == OK) != (f.Mend == "") {
					t.Errorf("%s %s: what mends it is %q", f.Word, f.About, f.Mend)
				}
			}
			if strings.Contains(page.String(), "push.example") {
				t.Error("the page tells a phone's address")
			}
			golden := filepath.Join("testdata", c.name+".golden")
			if *update {
				if err := os.WriteFile(golden, page.Bytes(), 0o644); err != nil {
					t.Fatal(err)
				}
			}
			want, err := os.ReadFile(golden)
			if err != nil {
				t.Fatal(err)
			}
			if !bytes.Equal(page.Bytes(), want) {
				t.Errorf("the page is\n%s\nand was\n%s", page.String(), want)
			}
		})
	}
}

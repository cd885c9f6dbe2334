package ledger

import (
	"bytes"
	"errors"
	"os"
	"path/filepath"
	"testing"
)

const someID = "00112233445566778899aabbccddeeff"

func save(t testing.TB, path string, c Copy) {
	t.Helper()
	if err := SaveCopy(path, c); err != nil {
		t.Fatal(err)
	}
}

func TestCopyRoundTrip(t *testing.T) {
	path := filepath.Join(t.TempDir(), "state")
	if _, err := LoadCopy(path); !errors.Is(err, ErrNoCopy) {
		t.Errorf("before the first: %v", err)
	}
	for i := range 5 {
		want := Copy{Ledger: someID, Sweep: uint64(100 + i), LastSeq: uint64(i), Snapshot: bytes.Repeat([]byte{byte(i)}, 1000*i)}
		if i == 3 {
			want.Ledger = ""
		}
		save(t, path, want)
		got, err := LoadCopy(path)
		if err != nil || got.Ledger != want.Ledger || got.Sweep != want.Sweep || got.LastSeq != want.LastSeq || !bytes.Equal(got.Snapshot, want.Snapshot) {
			t.Errorf("copy %d: %+v, %v", i, got, err)
		}
	}
	files, err := filepath.Glob(path + "*")
	if err != nil || len(files) != 2 {
		t.Errorf("files %v, %v", files, err)
	}
	if err := SaveCopy(path, Copy{Ledger: "x"}); err == nil {
		t.Error("a ledger's id of one letter is taken")
	}
	if err := SaveCopy(filepath.Join(path, "none"), Copy{}); err == nil {
		t.Error("a folder that does not exist is taken")
	}
}

// Whatever is left of the newest slot, the copy before it is found; a whole newest one wins.
func TestCopyTorn(t *testing.T) {
	path := filepath.Join(t.TempDir(), "state")
	save(t, path, Copy{Ledger: someID, Sweep: 1, Snapshot: []byte(`{"lots":["a"]}`)})
	save(t, path, Copy{Ledger: someID, Sweep: 2, Snapshot: []byte(`{"lots":["a","b"]}`)})
	newest := path + ".b"
	whole, err := os.ReadFile(newest)
	if err != nil {
		t.Fatal(err)
	}
	torn := map[string][]byte{"longer": append(bytes.Clone(whole), 0), "zeros": make([]byte, len(whole))}
	for n := range whole {
		torn["cut"] = whole[:n]
		bad := bytes.Clone(whole)
		bad[n] ^= 0x10
		torn["altered"] = bad
		// A card may keep the length and lose the end of what was written.
		torn["end lost"] = append(bytes.Clone(whole[:n]), make([]byte, len(whole)-n)...)
		for how, b := range torn {
			if err := os.WriteFile(newest, b, 0o600); err != nil {
				t.Fatal(err)
			}
			if c, err := LoadCopy(path); err != nil || c.Sweep != 1 {
				t.Fatalf("%s at %d: %+v, %v", how, n, c, err)
			}
		}
		delete(torn, "longer")
		delete(torn, "zeros")
	}
	// The next save repairs the torn slot and leaves the whole one alone.
	save(t, path, Copy{Ledger: someID, Sweep: 3})
	if c, err := LoadCopy(path); err != nil || c.Sweep != 3 {
		t.Errorf("after the repair: %+v, %v", c, err)
	}
	if _, n, err := readSlot(path + ".a"); err != nil || n != 1 {
		t.Errorf("the whole slot has number %d, %v", n, err)
	}
}

func FuzzDecodeCopy(f *testing.F) {
	path := filepath.Join(f.TempDir(), "state")
	save(f, path, Copy{Ledger: someID, Sweep: 9, LastSeq: 4, Snapshot: []byte("{}")})
	b, err := os.ReadFile(path + ".a")
	if err != nil {
		f.Fatal(err)
	}
	f.Add(b)
	f.Add(b[:copyHead])
	f.Add([]byte(copyMagic))
	f.Fuzz(func(t *testing.T, b []byte) {
		if c, _, err := decodeCopy(b); err == nil && len(c.Ledger) != 32 && c.Ledger != "" {
			t.Errorf("an id %q", c.Ledger)
		}
	})
}

// The copy is written with events and marks and at the end, else every ten minutes.
func TestWriterCopies(t *testing.T) {
	bubble(t, func(t *testing.T, path string) {
		copyPath := filepath.Join(filepath.Dir(path), "copy")
		r := newRig(t, beginAt(t, path), WriterOptions{CopyPath: copyPath})
		expect := func(what string, sweep uint64) {
			t.Helper()
			if c, err := LoadCopy(copyPath); err != nil || c.Sweep != sweep || c.LastSeq != uint64(r.seq) || c.Ledger != r.g.ID() {
				t.Errorf("%s: %+v, %v", what, c, err)
			}
		}
		r.rounds(61)
		expect("the first block", 61)
		r.rounds(9 * 60)
		expect("within ten minutes", 61)
		r.rounds(3 * 60)
		if c, err := LoadCopy(copyPath); err != nil || c.Sweep < 600 {
			t.Errorf("after ten minutes: %+v, %v", c, err)
		}
		r.round(1)
		expect("with an event", 782)
		r.round(0, "m")
		expect("with a mark", 783)
		r.rounds(2)
		// A restart goes on from a copy that is ahead of the record, so it waits for what is in it to be
		// recorded; but not for ever.
		open := r.g.stall()
		r.round(1)
		r.rounds(3)
		if c, err := LoadCopy(copyPath); err != nil || c.Sweep != 783 {
			t.Errorf("over a stall of 4 s: %+v, %v", c, err)
		}
		r.rounds(2)
		expect("over a longer one", 786)
		open()
		r.rounds(1)
		open = r.g.stall()
		r.round(1)
		if c, err := LoadCopy(copyPath); err != nil || c.Sweep != 786 {
			t.Errorf("over a second stall: %+v, %v", c, err)
		}
		open()
		r.rounds(1)
		r.close()
		expect("at the end", 794)
	})
}

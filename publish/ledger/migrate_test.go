package ledger

import (
	"bytes"
	"database/sql"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"testing"

	"holdbell/rules"
)

// older copies the ledger that a program of schema 1 left behind, with its copy of the state.
func older(t testing.TB) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "ledger.db")
	for _, suffix := range []string{"", ".memory.a"} {
		b, err := os.ReadFile("testdata/schema1.db" + suffix)
		must(t, err)
		must(t, os.WriteFile(path+suffix, b, 0o600))
	}
	return path
}

// A ledger of schema 1 is read as it is, and gets its chain when a daemon opens it; nothing in it is rewritten.
func TestMigrateSchema1(t *testing.T) {
	path := older(t)
	before, err := os.ReadFile(path)
	must(t, err)
	if v := verified(t, path, VerifyOptions{}); v.Break == nil || v.Break.Problem != NoChain {
		t.Errorf("before: %+v", v.Break)
	}
	old, err := OpenReader(path)
	must(t, err)
	wasEvents, wasInputs := events(t, old), inputs(t, old, 0, nil)
	must(t, old.Close())
	if len(wasEvents) != 12 || !wasEvents[1].Unrecorded || len(wasInputs) != 40 {
		t.Fatalf("the reader finds %d events and %d inputs", len(wasEvents), len(wasInputs))
	}
	if after, err := os.ReadFile(path); err != nil || !bytes.Equal(before, after) {
		t.Errorf("reading has changed it: %v", err)
	}

	l, err := Open(path, Options{CopyPath: CopyPath(path)})
	must(t, err)
	same(t, "events", events(t, l), wasEvents)
	same(t, "inputs", inputs(t, l, 0, nil), wasInputs)
	if r := restore(t, l); r.Ledger != l.ID() || r.LastSeq != 12 || string(r.Snapshot) != `{"sweep":"d"}` {
		t.Errorf("restored %+v", r)
	}
	commit(t, l, Batch{Layout: twoProbes, FirstSweep: 41, Sweeps: sweepsFrom(41, 2, 2), Events: eventsFrom(13, 1)})
	head := l.Head()
	must(t, l.Close())
	v := verified(t, path, VerifyOptions{})
	// The beginning, 12 events, 8 marks and a notice of before; then a block and an event.
	if v.Break != nil || v.Head != head || v.Head.Links != 1+12+8+1+2 || v.OlderSweeps != 40 || v.Rows[linkBlock] != 1 || v.Before.Ledger != "" {
		t.Errorf("after: %+v, break %+v", v, v.Break)
	}
	alter(t, path, `UPDATE events SET event = replace(event, '133 °F', '143 °F') WHERE seq = 3`)
	if v := verified(t, path, VerifyOptions{}); v.Break == nil || v.Break.Link != 4 || v.Break.Problem != Altered {
		t.Errorf("an old event altered since: %+v", v.Break)
	}
}

// Who takes a chain away so that the daemon begins another is given away by the copy of the state.
func TestChainTakenAway(t *testing.T) {
	path := older(t)
	l, err := Open(path, Options{CopyPath: CopyPath(path)})
	must(t, err)
	head := l.Head()
	must(t, l.Close())
	save(t, CopyPath(path), Copy{Ledger: head.Ledger, Links: head.Links, Hash: head.Hash, Sweep: 40, LastSeq: 12, Snapshot: []byte(`{}`)})
	b, err := os.ReadFile("testdata/schema1.db")
	must(t, err)
	must(t, os.WriteFile(path, b, 0o600))
	alter(t, path, `UPDATE events SET event = replace(event, '133 °F', '143 °F') WHERE seq = 3`)
	l, err = Open(path, Options{CopyPath: CopyPath(path)})
	must(t, err)
	must(t, l.Close())
	if v := verified(t, path, VerifyOptions{}); v.Break == nil || v.Break.Problem != Began || v.Before != head {
		t.Errorf("%+v, before %+v, want %+v", v.Break, v.Before, head)
	}
}

// A ledger that is begun because the one before was damaged names that one and its last known head.
func TestCarriedOn(t *testing.T) {
	path := filepath.Join(t.TempDir(), "ledger.db")
	o := Options{CopyPath: CopyPath(path)}
	l, err := Open(path, o)
	must(t, err)
	w := NewWriter(l, WriterOptions{CopyPath: o.CopyPath, Log: quiet})
	w.Add(Entry{Probes: twoProbes, Input: inputOf(1), Events: eventsFrom(1, 1), Snapshot: func() ([]byte, error) { return []byte(`{}`), nil }})
	must(t, w.Close(t.Context(), func() ([]byte, error) { return []byte(`{}`), nil }))
	first := l.Head()
	if c, err := LoadCopy(o.CopyPath); err != nil || c.Links != first.Links || c.Hash != first.Hash {
		t.Errorf("the copy knows link %d, %v; the head is %d", c.Links, err, first.Links)
	}
	must(t, os.WriteFile(path, []byte("SQLite format 3\x00 and no more"), 0o600))
	l, err = Open(path, o)
	must(t, err)
	must(t, l.Close())
	v := verified(t, path, VerifyOptions{})
	if v.Break != nil || v.Before != first || v.Ledger == first.Ledger {
		t.Errorf("%+v, break %+v; want carried on from %+v", v, v.Break, first)
	}
}

func noticeOf(number int) rules.Notice { return rules.Notice{At: at(number), Kind: rules.LedgerFine} }

func inputOf(number int) rules.Input { return rules.Input{Sweep: sweep(number, 2)} }

// A ledger of schema 3, which had a chain and guarded less, goes on with the same chain and is guarded.
func TestMigrateSchema3(t *testing.T) {
	path := older(t)
	stepped(t, path, 3)
	before := verified(t, path, VerifyOptions{})
	if before.Break != nil || before.Rows[linkEvent] != 12 {
		t.Fatalf("before: %+v, break %+v", before, before.Break)
	}
	l, err := Open(path, Options{})
	must(t, err)
	if l.Head() != before.Head {
		t.Errorf("the head is %+v, it was %+v", l.Head(), before.Head)
	}
	refuses(t, l, `DELETE FROM events WHERE seq = 1`, `DELETE FROM blocks`, `DELETE FROM chain WHERE n = 1`)
	commit(t, l, Batch{Layout: twoProbes, FirstSweep: 41, Sweeps: sweepsFrom(41, 2, 2), Events: eventsFrom(13, 1)})
	must(t, l.Close())
	if v := verified(t, path, VerifyOptions{}); v.Break != nil || v.Head.Links != before.Head.Links+2 {
		t.Errorf("after: %+v, break %+v", v, v.Break)
	}
}

// stepped brings a ledger of schema 1 to a later one as a program of then did.
func stepped(t testing.TB, path string, schema int) {
	t.Helper()
	db, err := sql.Open("sqlite", dsn(path, "journal_mode(DELETE)"))
	must(t, err)
	tx, err := db.Begin()
	must(t, err)
	for _, step := range migrations()[:schema-1] {
		must(t, step(t.Context(), tx, noon, Head{}))
	}
	_, err = tx.Exec(fmt.Sprintf(`PRAGMA user_version = %d`, schema))
	must(t, errors.Join(err, tx.Commit(), db.Close()))
}

// refuses runs statements of which none may go through.
func refuses(t *testing.T, l *Ledger, statements ...string) {
	t.Helper()
	c, err := l.conns()
	must(t, err)
	for _, s := range statements {
		if _, err := c.writer.Exec(s); err == nil {
			t.Errorf("%s goes through", s)
		}
	}
}

// No statement of ours overwrites or removes what is recorded, in any table that the chain covers, nor what says
// which ledger it is.
func TestNothingIsOverwritten(t *testing.T) {
	l := begin(t)
	for first := 1; first <= 21; first += 10 {
		commit(t, l, Batch{Layout: twoProbes, FirstSweep: uint64(first), Sweeps: sweepsFrom(first, 10, 2), Events: eventsFrom(first, 2),
			Marks: []Marked{{uint64(first), mark(first, "a")}}, Notices: []Noticed{{uint64(first), noticeOf(first)}}, Unrecorded: []uint64{uint64(first)}})
	}
	commit(t, l, Batch{Unrecorded: []uint64{1}})
	guarded := func() {
		t.Helper()
		tables := []string{"chain", "layouts", "meta"}
		for _, k := range coverings() {
			tables = append(tables, k.table)
		}
		for _, table := range tables {
			where := ""
			if table == "meta" {
				where = ` WHERE key = 'id'`
			}
			c, err := l.conns()
			must(t, err)
			var column string
			var rows int
			must(t, c.reader.QueryRow(`SELECT name FROM pragma_table_info(?) ORDER BY cid DESC LIMIT 1`, table).Scan(&column))
			must(t, c.reader.QueryRow(`SELECT count(*) FROM `+table+where).Scan(&rows))
			if rows == 0 {
				t.Fatalf("nothing in %s to guard", table)
			}
			refuses(t, l, `UPDATE `+table+` SET `+column+` = 1`+where, `DELETE FROM `+table+where, `INSERT OR REPLACE INTO `+table+` SELECT * FROM `+table+where)
		}
		refuses(t, l, `INSERT OR REPLACE INTO layouts SELECT 99, probes FROM layouts`)
	}
	must(t, l.thinAway(1, 10)) // one block of readings goes by age, and no other
	if v := verified(t, l.path, VerifyOptions{}); v.Break != nil || v.Thinned != 1 || v.Rows[linkBlock] != 2 {
		t.Errorf("thinned: %+v, break %+v", v, v.Break)
	}
	guarded()
	commit(t, l, Batch{Layout: twoProbes, FirstSweep: 31, Sweeps: sweepsFrom(31, 10, 2)})
	guarded()
	if v := verified(t, l.path, VerifyOptions{}); v.Break != nil {
		t.Errorf("afterwards: %+v", v.Break)
	}
}

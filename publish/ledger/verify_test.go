package ledger

import (
	"bytes"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"holdbell/rules"
)

// chained makes a closed ledger with something of every kind in it, and gives its bytes.
func chained(t testing.TB) []byte {
	t.Helper()
	path := filepath.Join(fastDir(t), "ledger.db")
	l, err := Open(path, Options{})
	must(t, err)
	for i := range 4 {
		first := 1 + 10*i
		b := Batch{Layout: twoProbes, FirstSweep: uint64(first), Sweeps: sweepsFrom(first, 10, 2), Events: eventsFrom(1+3*i, 3),
			Marks: []Marked{{uint64(first), mark(first, fmt.Sprint("id-", i))}, {uint64(first), mark(first, "")}}}
		if i%2 == 1 {
			b.Notices = []Noticed{{uint64(first), rules.Notice{At: at(first), Kind: rules.LedgerFine}}}
			b.Unrecorded = []uint64{uint64(3*i - 1)}
		}
		commit(t, l, b)
	}
	must(t, l.thinAway(1, 11))
	must(t, l.Close())
	b, err := os.ReadFile(path)
	must(t, err)
	return b
}

// thinAway takes the blocks that begin with the sweeps first to last out by age.
func (l *Ledger) thinAway(first, last uint64) error {
	return l.write(func(c *conns) error {
		tx, err := c.writer.Begin()
		if err != nil {
			return err
		}
		defer tx.Rollback()
		links, err := openChain(context.Background(), tx, c.id)
		if err != nil {
			return err
		}
		if err := links.thin(noon, first, last); err != nil {
			return err
		}
		if _, err := tx.Exec(`DELETE FROM blocks WHERE first >= ? AND first <= ?`, first, last); err != nil {
			return err
		}
		return tx.Commit()
	})
}

// tampered writes the bytes of a ledger to a file, alters it behind the ledger's back, and verifies it.
func tampered(t testing.TB, b []byte, o VerifyOptions, statements ...string) *Verification {
	t.Helper()
	path := filepath.Join(fastDir(t), "ledger.db")
	must(t, os.WriteFile(path, b, 0o600))
	alter(t, path, statements...)
	return verified(t, path, o)
}

// alter runs statements without the triggers, as somebody would who means it.
func alter(t testing.TB, path string, statements ...string) {
	t.Helper()
	db, err := sql.Open("sqlite", path)
	must(t, err)
	defer db.Close()
	names, err := texts(db, `SELECT name FROM sqlite_schema WHERE type = 'trigger'`)
	must(t, err)
	for _, name := range names {
		_, err := db.Exec(`DROP TRIGGER ` + name)
		must(t, err)
	}
	for _, s := range statements {
		if _, err := db.Exec(s); err != nil {
			t.Fatalf("%s: %v", s, err)
		}
	}
	_, err = db.Exec(`PRAGMA journal_mode = DELETE`)
	must(t, err)
}

func texts(db *sql.DB, query string) (all []string, err error) {
	rows, err := db.Query(query)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	for rows.Next() {
		var s string
		if err := rows.Scan(&s); err != nil {
			return nil, err
		}
		all = append(all, s)
	}
	return all, rows.Err()
}

func verified(t testing.TB, path string, o VerifyOptions) *Verification {
	t.Helper()
	l, err := OpenReader(path)
	must(t, err)
	v, err := l.Verify(context.Background(), o)
	must(t, errors.Join(err, l.Close()))
	return v
}

// What nobody touched is sound, also beside its writer, and every row is covered.
func TestVerifySound(t *testing.T) {
	v := tampered(t, chained(t), VerifyOptions{})
	if v.Break != nil || v.Thinned != 2 || v.Rows[linkEvent] != 12 || v.Rows[linkMark] != 8 || v.Rows[linkNotice] != 2 ||
		v.Rows[linkBlock] != 2 || v.Rows[linkLate] != 2 || v.Head.Links != 1+12+8+2+4+2+1 || v.Begun.IsZero() {
		t.Errorf("%+v, break %+v", v, v.Break)
	}
	l := begin(t)
	commit(t, l, Batch{Layout: twoProbes, FirstSweep: 1, Sweeps: sweepsFrom(1, 3, 2), Events: eventsFrom(1, 1)})
	v = verified(t, l.path, VerifyOptions{})
	if v.Break != nil || v.Head != l.Head() || v.Head.Links != 3 {
		t.Errorf("beside its writer: %+v, break %+v, want the head %+v", v, v.Break, l.Head())
	}
}

// cell is one value of a row that a link covers.
type cell struct {
	table, where, column string
	value                any
	link                 uint64
}

// cells gives everything that the chain of a ledger covers, and the chain itself.
func cells(t testing.TB, b []byte) (all []cell) {
	t.Helper()
	path := filepath.Join(fastDir(t), "ledger.db")
	must(t, os.WriteFile(path, b, 0o600))
	db, err := sql.Open("sqlite", readerDSN(path, true)) // as the verifying reader does
	must(t, err)
	defer db.Close()
	number := map[string]uint64{}
	eachRow(t, db, "chain", func(_ []string, v []any) { number[fmt.Sprint(v[1], v[2], v[3])] = uint64(v[0].(int64)) })
	for table, kind := range map[string]string{"events": linkEvent, "marks": linkMark, "notices": linkNotice, "blocks": linkBlock,
		"late": linkLate, "thinned": linkThinned, "origin": linkBegin, "chain": ""} {
		eachRow(t, db, table, func(columns []string, v []any) {
			where, second := fmt.Sprintf("%s = %v", columns[0], v[0]), any(0)
			if kind == linkMark || kind == linkNotice {
				where, second = where+fmt.Sprintf(" AND n = %v", v[1]), v[1]
			}
			link := number[fmt.Sprint(kind, v[0], second)]
			if table == "chain" {
				link = uint64(v[0].(int64))
			}
			for i, column := range columns {
				if link > 0 && column != "layout" && column != "one" {
					all = append(all, cell{table, where, column, v[i], link})
				}
			}
		})
	}
	return all
}

func eachRow(t testing.TB, db *sql.DB, table string, f func(columns []string, values []any)) {
	t.Helper()
	rows, err := db.Query(`SELECT * FROM ` + table)
	must(t, err)
	defer rows.Close()
	columns, err := rows.Columns()
	must(t, err)
	for rows.Next() {
		values, into := make([]any, len(columns)), make([]any, len(columns))
		for i := range values {
			into[i] = &values[i]
		}
		must(t, rows.Scan(into...))
		f(columns, values)
	}
	must(t, rows.Err())
}

// changed is another value that differs in one byte, or in one bit of a number; as SQL. The low bits of numbers
// stay: a key that another row has would not be taken.
func changed(v any, place, bit int) string {
	hexed := func(b []byte) string {
		if len(b) == 0 {
			return "20"
		}
		b = bytes.Clone(b)
		b[place%len(b)] ^= 1 << (bit % 8)
		return fmt.Sprintf("%x", b)
	}
	switch v := v.(type) {
	case int64:
		return fmt.Sprint(v ^ 1<<(8+bit%32))
	case string:
		return "CAST(x'" + hexed([]byte(v)) + "' AS TEXT)"
	case []byte:
		return "x'" + hexed(v) + "'"
	}
	return "'x'" // there was nothing
}

// Whatever single byte of whatever row is another, the link that covers it is named.
func TestEveryChangedByteIsFound(t *testing.T) {
	b := chained(t)
	all := cells(t, b)
	if len(all) < 250 {
		t.Fatalf("%d values only", len(all))
	}
	try := func(t testing.TB, c cell, place, bit int) {
		set := fmt.Sprintf("UPDATE %s SET %s = %s WHERE %s", c.table, c.column, changed(c.value, place, bit), c.where)
		v := tampered(t, b, VerifyOptions{}, set)
		switch {
		case v.Break == nil:
			t.Errorf("%s: found nothing", set)
		case c.table == "thinned" && (v.Break.Link == 2 || v.Break.Link == 8):
			// The readings that went by age miss what said so.
		case v.Break.Link != c.link && !(c.table == "chain" && c.column == "n"):
			t.Errorf("%s: link %d is named, not %d: %+v", set, v.Break.Link, c.link, v.Break)
		}
	}
	src := rand.New(rand.NewPCG(1, 2))
	for _, c := range all {
		try(t, c, src.IntN(1000), src.IntN(40))
	}
	rapid.Check(t, func(rt *rapid.T) {
		c := rapid.SampledFrom(all).Draw(rt, "cell")
		try(t, c, rapid.IntRange(0, 4096).Draw(rt, "place"), rapid.IntRange(0, 39).Draw(rt, "bit"))
	})
}

// A change of any byte of the file is found, or has changed nothing that the record says.
func TestEveryFlippedBitIsFound(t *testing.T) {
	b := chained(t)
	want := cells(t, b)
	src := rand.New(rand.NewPCG(3, 4))
	found, same := 0, 0
	for range 400 {
		path := filepath.Join(fastDir(t), "ledger.db")
		flipped := bytes.Clone(b)
		at := 100 + src.IntN(len(b)-100)
		flipped[at] ^= 1 << src.IntN(8)
		must(t, os.WriteFile(path, flipped, 0o600))
		l, err := OpenReader(path)
		if err != nil {
			found++
			continue
		}
		v, err := l.Verify(context.Background(), VerifyOptions{})
		must(t, errors.Join(err, l.Close()))
		if v.Break != nil {
			found++
			continue
		}
		same++
		if got := cells(t, flipped); fmt.Sprint(byPlace(got)) != fmt.Sprint(byPlace(want)) {
			t.Errorf("byte %d: the record says something else, and nothing was found", at)
		}
	}
	if found == 0 || same == 0 {
		t.Errorf("%d found, %d of no consequence", found, same)
	}
}

func byPlace(all []cell) map[string]any {
	m := map[string]any{}
	for _, c := range all {
		m[c.table+c.where+c.column] = c.value
	}
	return m
}

// What is taken out, put in, exchanged or cut off is found and told apart.
func TestTampering(t *testing.T) {
	b := chained(t)
	sound := tampered(t, b, VerifyOptions{})
	last := sound.Head
	remembered := Copy{Ledger: last.Ledger, Links: last.Links, Hash: last.Hash}
	const renumber = `UPDATE chain SET n = -n WHERE n > %[1]d; UPDATE chain SET n = -n %[2]s WHERE n < 0`
	// 1 begin, 2 block, 3 and 4 marks, 5 to 7 events 1 to 3, 8 block, 9 and 10 marks, 11 notice, 12 to 14 events.
	for name, c := range map[string]struct {
		do      []string
		o       VerifyOptions
		link    uint64
		problem Problem
		words   string
	}{
		"an event": {do: []string{`DELETE FROM events WHERE seq = 2`}, link: 6, problem: Missing, words: "event 2"},
		"a mark":   {do: []string{`DELETE FROM marks WHERE sweep = 11 AND n = 0`}, link: 9, problem: Missing, words: "sweep 11"},
		"a block":  {do: []string{`DELETE FROM blocks WHERE first = 21`}, link: 16, problem: Missing, words: "sweep 21"},
		"an event and its link": {do: []string{`DELETE FROM events WHERE seq = 2`, `DELETE FROM chain WHERE n = 6`},
			link: 6, problem: LinkLost},
		"an event and its link, renumbered": {do: []string{`DELETE FROM events WHERE seq = 2`, `DELETE FROM chain WHERE n = 6`,
			fmt.Sprintf(renumber, 6, "- 1")}, link: 6, problem: Unfit},
		"an event put in": {do: []string{`INSERT INTO events SELECT 99, wall, kind, alarm, station, lot, event FROM events WHERE seq = 3`},
			link: 0, problem: Unlinked, words: "event 99"},
		"a mark put in": {do: []string{`INSERT INTO marks SELECT sweep, 7, id, mark FROM marks WHERE sweep = 11 AND n = 1`},
			link: 0, problem: Unlinked, words: "sweep 11"},
		"a block put in": {do: []string{`INSERT INTO blocks SELECT 99, count, layout, lo, hi, data FROM blocks WHERE first = 31`},
			link: 0, problem: Unlinked, words: "sweep 99"},
		"an event put in with a link": {do: []string{`INSERT INTO events SELECT 99, wall, kind, alarm, station, lot, event FROM events WHERE seq = 3`,
			fmt.Sprintf(renumber, 5, "+ 1"), `INSERT INTO chain SELECT 6, kind, 99, b, digest, x'` + strings.Repeat("ab", 32) + `' FROM chain WHERE n = 5`},
			link: 6, problem: Inserted, words: "event 99"},
		"two events exchanged": {do: []string{`UPDATE events SET seq = 99 WHERE seq = 2`, `UPDATE events SET seq = 2 WHERE seq = 3`,
			`UPDATE events SET seq = 3 WHERE seq = 99`}, link: 6, problem: Altered, words: "event 2"},
		"two links exchanged": {do: []string{`UPDATE chain SET n = 99 WHERE n = 6`, `UPDATE chain SET n = 6 WHERE n = 7`,
			`UPDATE chain SET n = 7 WHERE n = 99`}, link: 6, problem: Reordered, words: "event 3"},
		"another id": {do: []string{`UPDATE meta SET value = '` + someID + `' WHERE key = 'id'`}, link: 1, problem: Altered},
		"a lost end": {do: []string{fmt.Sprintf(`DELETE FROM chain WHERE n > %d`, last.Links-1), `DELETE FROM thinned`},
			o: VerifyOptions{Copy: remembered}, link: 16, problem: CutOff},
		"no chain":      {do: []string{`DELETE FROM chain`}, link: 1, problem: NoChain},
		"an old schema": {do: []string{`PRAGMA user_version = 1`}, link: 1, problem: NoChain},
		"no beginning":  {do: []string{`DELETE FROM chain WHERE n = 1`}, link: 1, problem: LinkLost},
		"a copy that knows another": {o: VerifyOptions{Copy: Copy{Ledger: last.Ledger, Links: 7, Hash: Hash{1}}},
			link: 7, problem: Rewritten},
	} {
		t.Run(name, func(t *testing.T) {
			v := tampered(t, b, c.o, c.do...)
			if name == "a lost end" {
				// Its blocks were thinned, of which now nothing speaks.
				c.link, c.problem = 2, Missing
			}
			if v.Break == nil || v.Break.Link != c.link || v.Break.Problem != c.problem || !strings.Contains(v.Break.Subject, c.words) {
				t.Errorf("%+v, want link %d: %s", v.Break, c.link, c.problem)
			}
		})
	}
}

// An end that was cut off shows by a head that was held elsewhere, and by the copy's.
func TestCutOff(t *testing.T) {
	b := chained(t)
	last := tampered(t, b, VerifyOptions{}).Head
	cut := []string{`DELETE FROM events WHERE seq = 99`}
	path := filepath.Join(fastDir(t), "ledger.db")
	must(t, os.WriteFile(path, b, 0o600))
	l, err := Open(path, Options{})
	must(t, err)
	commit(t, l, Batch{Layout: twoProbes, FirstSweep: 41, Sweeps: sweepsFrom(41, 1, 2), Events: eventsFrom(13, 1)})
	head := l.Head()
	must(t, l.Close())
	whole, err := os.ReadFile(path)
	must(t, err)
	cut = append(cut, `DELETE FROM events WHERE seq = 13`, `DELETE FROM blocks WHERE first = 41`,
		fmt.Sprintf(`DELETE FROM chain WHERE n > %d`, last.Links))

	held := func(h Hash) []byte {
		p, err := ParseHash(h.Short())
		must(t, err)
		return p
	}
	if v := tampered(t, whole, VerifyOptions{Held: held(last.Hash)}); v.Break != nil || *v.Held != (Held{true, last.Links, 2}) {
		t.Errorf("a head of before: %+v, break %+v", v.Held, v.Break)
	}
	if v := tampered(t, whole, VerifyOptions{Held: held(head.Hash), Copy: Copy{Ledger: head.Ledger, Links: head.Links, Hash: head.Hash}}); v.Break != nil || *v.Held != (Held{true, head.Links, 0}) {
		t.Errorf("the newest head: %+v, break %+v", v.Held, v.Break)
	}
	if v := tampered(t, whole, VerifyOptions{Copy: Copy{Ledger: someID, Links: 999}}); v.Break != nil {
		t.Errorf("another ledger's copy: %+v", v.Break)
	}
	v := tampered(t, whole, VerifyOptions{Held: held(head.Hash)}, cut...)
	if v.Break != nil || v.Held.Found || v.Head != last {
		t.Errorf("cut, with a held head: %+v, break %+v", v.Held, v.Break)
	}
	v = tampered(t, whole, VerifyOptions{Copy: Copy{Ledger: head.Ledger, Links: head.Links, Hash: head.Hash}}, cut...)
	if v.Break == nil || v.Break.Problem != CutOff || v.Break.Link != last.Links+1 || v.Break.To != head.Links {
		t.Errorf("cut, with a copy: %+v", v.Break)
	}
	for _, s := range []string{"", "12", "zz34567890123456", head.Hash.String() + "00"} {
		if _, err := ParseHash(s); err == nil {
			t.Errorf("%q is taken for a hash", s)
		}
	}
}

func bytesOf(t testing.TB, path string) []byte {
	t.Helper()
	b, err := os.ReadFile(path)
	must(t, err)
	return b
}

package ledger

import (
	"bytes"
	"context"
	"database/sql"
	"encoding/hex"
	"errors"
	"fmt"
	"strings"
	"time"
)

// Problem is what does not fit at a link.
type Problem string

// The problems, each in words that follow "link 12 (event 7) ".
const (
	Altered    Problem = "was altered"
	Missing    Problem = "is missing"
	Inserted   Problem = "was put in"
	Reordered  Problem = "changed places with the next"
	Unfit      Problem = "does not follow from the link before it: it was altered, or something between them was taken out"
	LinkLost   Problem = "is missing from the chain"
	LinkBroken Problem = "has another hash than follows from what it covers"
	Unlinked   Problem = "has no link in the chain: it was put in"
	CutOff     Problem = "is missing, and all links after it: the end was cut off"
	Rewritten  Problem = "is another one than the copy of the state remembers: the chain was written anew"
	Began      Problem = "begins the chain, but this record had a chain before: it was taken away"
	NoChain    Problem = "is missing: the record has no chain"
	Unreadable Problem = "cannot be read: the file is damaged"
)

// Break is the first place at which a record is not what was written.
type Break struct {
	Link    uint64    // the number of the first link that does not fit; 0: what does not fit has none
	To      uint64    // the last of several links that are missing, else 0
	Subject string    // what the link covers, such as "event 12"; empty when that is not known
	At      time.Time // when that was, by its own row; zero when that is not known
	After   time.Time // when what the link before it covers was; zero when that is not known
	Problem Problem
}

// Held says where on the chain a head lies that was held elsewhere.
type Held struct {
	Found bool
	Link  uint64 // its number
	After uint64 // how many links came after it
}

// Verification is what Verify found.
type Verification struct {
	Ledger      string
	Begun       time.Time // when the chain began, by the wall clock of then
	OlderSweeps uint64    // readings up to this sweep are older than the chain, which does not cover them
	Before      Head      // of the ledger that this one was carried on from; Ledger is empty for none, Links 0 for not known
	Head        Head      // the newest link that was looked at
	Rows        map[string]int
	Thinned     int       // blocks of readings that were taken out by age, or gave way to a thinner one
	ThinnedAt   time.Time // the last time
	Held        *Held     // nil unless a head was asked about
	Kept        *Kept     // nil unless heads were given
	Break       *Break
}

// VerifyOptions say what else is known of the chain.
type VerifyOptions struct {
	// Held is the beginning of a link's hash, or all of it, that somebody kept; ParseHash makes it. nil: none.
	Held []byte
	// Kept are heads that a second party wrote down, of this record and of others; ReadHeads reads them. nil: none.
	Kept []Head
	// Copy is the copy of the state beside the ledger, as LoadCopy gives it; it knows a head, too. One of
	// another ledger is left aside.
	Copy Copy
}

// ParseHash takes a hash as it is shown, or at least its first 16 digits; dashes and blanks may stand in it.
func ParseHash(s string) ([]byte, error) {
	digits := strings.NewReplacer("-", "", " ", "").Replace(s)
	b, err := hex.DecodeString(digits)
	if err != nil || len(b) < 8 || len(b) > len(Hash{}) {
		return nil, fmt.Errorf("%q is no hash of a head; write 16 to 64 hexadecimal digits, an even number of them", s)
	}
	return b, nil
}

// Verify goes through the whole chain and everything that it covers, and finds the first place that does not
// fit. It reads one state of the ledger, also beside a daemon that writes, and holds one row at a time. An
// error means that it could not look; a record that is not sound is none.
func (l *Ledger) Verify(ctx context.Context, o VerifyOptions) (*Verification, error) {
	c, err := l.conns()
	if err != nil {
		return nil, err
	}
	v := &Verification{Ledger: c.id, Head: Head{Ledger: c.id}, Rows: map[string]int{}}
	if o.Held != nil {
		v.Held = new(Held)
	}
	if c.schema < schemaChain {
		v.Break = &Break{Link: 1, Problem: NoChain}
		return v, nil
	}
	err = l.read(func(db *sql.DB) error {
		tx, err := db.BeginTx(ctx, &sql.TxOptions{ReadOnly: true})
		if err != nil {
			return err
		}
		defer tx.Rollback()
		w := &walk{ctx: ctx, tx: tx, o: o, v: v, kinds: coverings()}
		w.keep()
		defer w.lose()
		return w.run()
	})
	if damaged(broken(err)) {
		v.Break = &Break{Link: v.Head.Links + 1, Problem: Unreadable}
		return v, nil
	}
	if v.Held != nil && v.Held.Found {
		v.Held.After = v.Head.Links - v.Held.Link
	}
	return v, err
}

// walk is one way through the chain.
type walk struct {
	ctx   context.Context
	tx    *sql.Tx
	o     VerifyOptions
	v     *Verification
	kinds []covering

	after time.Time // of the newest row that fits
	thin  struct{ n, first, last int64 }
	kept  map[uint64][]Hash // the heads of the options that were not met yet, by number
}

// row is a link with what it covers.
type row struct {
	n      uint64
	kind   string
	a, b   int64
	digest Hash
	link   Hash
	well   bool // these could be read
	fields []any
}

func (w *walk) run() error {
	var columns, joins []string
	for _, k := range w.kinds {
		columns = append(columns, k.columns...)
		joins = append(joins, " LEFT JOIN "+k.join)
	}
	rows, err := w.tx.QueryContext(w.ctx, `SELECT c.n, c.kind, c.a, c.b, c.digest, c.link, `+strings.Join(columns, ", ")+
		` FROM chain c`+strings.Join(joins, "")+` ORDER BY c.n`)
	if err != nil {
		return err
	}
	defer rows.Close()
	next := w.reader(rows, 6+len(columns))
	for {
		r, err := next()
		if err != nil {
			return err
		}
		if r == nil {
			break
		}
		if err := w.step(r, next); err != nil || w.v.Break != nil {
			return err
		}
	}
	if err := rows.Close(); err != nil {
		return err
	}
	if w.v.Head.Links == 0 {
		w.v.Break = &Break{Link: 1, Problem: NoChain}
		return nil
	}
	if c := w.o.Copy; c.Ledger == w.v.Ledger && c.Links > w.v.Head.Links {
		w.v.Break = &Break{Link: w.v.Head.Links + 1, To: c.Links, After: w.after, Problem: CutOff}
		return nil
	}
	return w.extra()
}

// reader gives the rows one after the other, nil at the end.
func (w *walk) reader(rows *sql.Rows, n int) func() (*row, error) {
	values, into := make([]any, n), make([]any, n)
	for i := range values {
		into[i] = &values[i]
	}
	return func() (*row, error) {
		if !rows.Next() {
			return nil, rows.Err()
		}
		if err := rows.Scan(into...); err != nil {
			return nil, err
		}
		r := new(row)
		number, _ := values[0].(int64)
		r.n = uint64(number)
		var ok [5]bool
		var sum, link []byte
		r.kind, ok[0] = values[1].(string)
		r.a, ok[1] = values[2].(int64)
		r.b, ok[2] = values[3].(int64)
		sum, ok[3] = values[4].([]byte)
		link, ok[4] = values[5].([]byte)
		r.well = ok == [5]bool{true, true, true, true, true} && len(sum) == len(Hash{}) && len(link) == len(Hash{})
		if r.well {
			r.digest, r.link = Hash(sum), Hash(link)
		}
		at := 6
		for _, k := range w.kinds {
			if k.kind == r.kind {
				r.fields = append([]any(nil), values[at:at+len(k.columns)]...)
			}
			at += len(k.columns)
		}
		r.well = r.well && r.fields != nil
		return r, nil
	}
}

// present reports whether what the link covers is there.
func (r *row) present() bool { return r.fields != nil && r.fields[0] != nil }

// fits reports whether what the link covers is what was linked.
func (r *row) fits() bool { return r.present() && digest(r.kind, r.fields...) == r.digest }

// follows reports whether the link is the one after prev.
func (r *row) follows(prev Hash) bool {
	return r.well && linkAfter(prev, r.kind, r.a, r.b, r.digest) == r.link
}

// step looks at one link. Where it does not fit, next gives the one after it, to tell what happened.
func (w *walk) step(r *row, next func() (*row, error)) error {
	head := &w.v.Head
	if r.n != head.Links+1 {
		w.v.Break = &Break{Link: head.Links + 1, To: r.n - 1, After: w.after, Problem: LinkLost}
		return nil
	}
	if !r.follows(head.Hash) {
		after, err := next()
		if err != nil {
			return err
		}
		w.broken(r, why(head.Hash, r, after))
		return nil
	}
	switch {
	case r.fits():
		if r.kind != linkBlock || uint64(r.a) > w.v.OlderSweeps {
			w.v.Rows[r.kind]++
		}
		if err := w.learn(r); err != nil || w.v.Break != nil {
			return err
		}
	case r.kind == linkBlock:
		aged, err := w.thinned(r)
		if err != nil {
			return err
		}
		if aged {
			w.v.Thinned++
			break
		}
		fallthrough
	default:
		problem := Altered
		if !r.present() {
			problem = Missing
		}
		w.broken(r, problem)
		return nil
	}
	head.Links, head.Hash = r.n, r.link
	w.held(r.n, r.link)
	if c := w.o.Copy; c.Ledger == w.v.Ledger && c.Links == r.n && c.Hash != r.link {
		w.broken(r, Rewritten)
	}
	return nil
}

// held looks whether a link is the one that was asked about, or one that was kept.
func (w *walk) held(n uint64, link Hash) {
	if h := w.v.Held; h != nil && !h.Found && bytes.HasPrefix(link[:], w.o.Held) {
		h.Found, h.Link = true, n
	}
	w.meet(n, link)
}

// why tells what happened to a link that does not follow from prev. after is the link that comes next, nil for
// none.
func why(prev Hash, r, after *row) Problem {
	switch {
	case !r.well:
		return Altered
	case after != nil && after.follows(prev) && r.follows(after.link):
		return Reordered
	case after != nil && after.follows(prev):
		return Inserted
	case after != nil && after.follows(linkAfter(prev, r.kind, r.a, r.b, r.digest)):
		return LinkBroken
	case r.fits():
		return Unfit
	}
	return Altered
}

func (w *walk) broken(r *row, p Problem) {
	w.v.Break = &Break{Link: r.n, Problem: p, Subject: r.subject(), At: r.at(), After: w.after}
}

// learn takes from a row that fits what the rest is judged by.
func (w *walk) learn(r *row) error {
	if at := r.at(); !at.IsZero() {
		w.after = at
	}
	switch r.kind {
	case linkBegin:
		w.v.Begun = r.at()
		id, _ := r.fields[1].(string)
		if sweep, _ := r.fields[3].(int64); sweep > 0 {
			w.v.OlderSweeps = uint64(sweep)
		}
		if before, _ := r.fields[4].(string); before != "" {
			links, _ := r.fields[5].(int64)
			hash, _ := r.fields[6].([]byte)
			w.v.Before = Head{Ledger: before, Links: uint64(links)}
			copy(w.v.Before.Hash[:], hash)
		}
		switch {
		case id != w.v.Ledger:
			w.broken(r, Altered)
		case w.v.Before.Ledger == id:
			w.broken(r, Began)
		}
	case linkThinned:
		w.v.ThinnedAt = r.at()
	}
	return nil
}

// thinned reports whether the readings of a link went by age: a later link says so.
func (w *walk) thinned(r *row) (bool, error) {
	t := &w.thin
	covers := func() bool { return t.n > int64(r.n) && t.first <= r.a && r.a <= t.last }
	if covers() {
		return true, nil
	}
	err := w.tx.QueryRowContext(w.ctx, `SELECT n, first, last FROM thinned WHERE last >= ?1 AND first <= ?1 AND n > ?2 LIMIT 1`,
		r.a, clampInt(r.n)).Scan(&t.n, &t.first, &t.last)
	if errors.Is(err, sql.ErrNoRows) {
		return false, nil
	}
	return covers(), err
}

// extra looks for rows that have no link.
func (w *walk) extra() error {
	for _, k := range w.kinds {
		where, args := "", []any{}
		if k.kind == linkBlock {
			where, args = ` WHERE first > ?`, []any{clampInt(w.v.OlderSweeps)}
		}
		var n int
		if err := w.tx.QueryRowContext(w.ctx, `SELECT count(*) FROM `+k.table+where, args...).Scan(&n); err != nil {
			return err
		}
		if n == w.v.Rows[k.kind] || k.kind == linkBegin {
			continue
		}
		if err := w.unlinked(k, args); err != nil || w.v.Break != nil {
			return err
		}
	}
	return nil
}

// unlinked finds the first row of a kind that has no link.
func (w *walk) unlinked(k covering, args []any) error {
	key, of := k.columns[0], `SELECT a FROM chain WHERE kind = '`+k.kind+`'`
	if k.kind == linkMark || k.kind == linkNotice {
		key, of = "("+k.columns[0]+", "+k.columns[1]+")", `SELECT a, b FROM chain WHERE kind = '`+k.kind+`'`
	}
	from, where := k.table, ` WHERE `+key+` NOT IN (`+of+`)`
	if k.kind == linkBlock {
		from, where = `blocks LEFT JOIN layouts ON layouts.id = blocks.layout`, where+` AND first > ?`
	}
	values, into := make([]any, len(k.columns)), make([]any, len(k.columns))
	for i := range values {
		into[i] = &values[i]
	}
	err := w.tx.QueryRowContext(w.ctx, `SELECT `+strings.Join(k.columns, ", ")+` FROM `+from+where+` LIMIT 1`, args...).Scan(into...)
	if errors.Is(err, sql.ErrNoRows) {
		return nil
	}
	if err != nil {
		return err
	}
	r := &row{kind: k.kind, fields: values}
	r.a, _ = values[0].(int64)
	w.broken(r, Unlinked)
	return nil
}

package ledger

import (
	"context"
	"crypto/sha256"
	"database/sql"
	"encoding/binary"
	"encoding/hex"
	"fmt"
	"math"
	"time"
)

// Hash is a SHA-256.
type Hash [sha256.Size]byte

// String is the whole hash, 64 hexadecimal digits.
func (h Hash) String() string { return hex.EncodeToString(h[:]) }

// Short is what people compare and note down: the first 16 hexadecimal digits, in fours.
func (h Hash) Short() string {
	s := h.String()
	return s[:4] + "-" + s[4:8] + "-" + s[8:12] + "-" + s[12:16]
}

// Head is the newest link of a ledger's chain. Whoever holds one from elsewhere can tell later whether what
// was recorded up to then still stands: it lies on the chain, or something was altered or cut off.
type Head struct {
	Ledger string // the ledger's id; empty: no head is known
	Links  uint64 // the link's number, from 1
	Hash   Hash
}

// What a link covers, as it is written in the chain.
const (
	linkBegin   = "begin"   // the ledger itself: the row of origin
	linkEvent   = "event"   // a is the event's Seq
	linkMark    = "mark"    // a is the sweep, b the place among the marks of that sweep
	linkNotice  = "notice"  // as a mark
	linkBlock   = "block"   // a is the first sweep
	linkLate    = "late"    // a is the Seq of an event that was told before it was recorded
	linkThinned = "thinned" // a is the link's own number: readings that were taken out by age
)

// covering says where the row lies that a kind of link covers.
type covering struct {
	kind    string
	table   string
	join    string   // finds the row of a link c, in a LEFT JOIN; a NULL where the kind is another spares the search
	columns []string // what the link's digest covers, in order: first the key, which is never NULL
}

// coverings are all kinds. The order of the columns is part of the chain: it never changes.
func coverings() []covering {
	return []covering{
		{linkBegin, "origin", `origin ON origin.one = iif(c.kind = 'begin', c.a, NULL)`,
			[]string{"origin.one", "origin.ledger", "origin.wall", "origin.sweep", "origin.before", "origin.links", "origin.link"}},
		{linkEvent, "events", `events ON events.seq = iif(c.kind = 'event', c.a, NULL)`,
			[]string{"events.seq", "events.wall", "events.kind", "events.alarm", "events.station", "events.lot", "events.event"}},
		{linkMark, "marks", `marks ON marks.sweep = iif(c.kind = 'mark', c.a, NULL) AND marks.n = c.b`,
			[]string{"marks.sweep", "marks.n", "marks.id", "marks.mark"}},
		{linkNotice, "notices", `notices ON notices.sweep = iif(c.kind = 'notice', c.a, NULL) AND notices.n = c.b`,
			[]string{"notices.sweep", "notices.n", "notices.notice"}},
		{linkBlock, "blocks", `blocks ON blocks.first = iif(c.kind = 'block', c.a, NULL) LEFT JOIN layouts ON layouts.id = blocks.layout`,
			[]string{"blocks.first", "blocks.count", "blocks.lo", "blocks.hi", "layouts.probes", "blocks.data"}},
		{linkLate, "late", `late ON late.seq = iif(c.kind = 'late', c.a, NULL)`, []string{"late.seq"}},
		{linkThinned, "thinned", `thinned ON thinned.n = iif(c.kind = 'thinned', c.a, NULL)`,
			[]string{"thinned.n", "thinned.wall", "thinned.first", "thinned.last"}},
	}
}

// digest covers a row: its kind, then each value with its type and its length before it, so that nothing can
// move from one column into the next. Numbers are eight bytes, big-endian.
func digest(kind string, values ...any) Hash {
	b := make([]byte, 0, 512)
	b = appendValue(b, kind)
	for _, v := range values {
		b = appendValue(b, v)
	}
	return sha256.Sum256(b)
}

func appendValue(b []byte, v any) []byte {
	put := func(tag byte, n int) { b = binary.BigEndian.AppendUint64(append(b, tag), uint64(n)) }
	switch v := v.(type) {
	case nil:
		put('n', 0)
	case int64:
		put('i', 8)
		b = binary.BigEndian.AppendUint64(b, uint64(v))
	case float64: // nothing of ours: somebody put it there
		put('f', 8)
		b = binary.BigEndian.AppendUint64(b, math.Float64bits(v))
	case string:
		put('s', len(v))
		b = append(b, v...)
	case []byte:
		put('b', len(v))
		b = append(b, v...)
	default:
		// A type that SQLite does not have. Its name keeps it from passing for another.
		s := fmt.Sprintf("%T", v)
		put('?', len(s))
		b = append(b, s...)
	}
	return b
}

// linkAfter is the link that follows prev: the SHA-256 of prev, then of the kind, the row's key and its
// digest, each with its type and length.
func linkAfter(prev Hash, kind string, a, b int64, row Hash) Hash {
	buf := make([]byte, 0, 192)
	buf = append(buf, prev[:]...)
	for _, v := range []any{kind, a, b, row[:]} {
		buf = appendValue(buf, v)
	}
	return sha256.Sum256(buf)
}

// chain appends links within a transaction, so that a row and its link are durable together.
type chain struct {
	ctx  context.Context
	tx   *sql.Tx
	head Head
}

// openChain reads the newest link.
func openChain(ctx context.Context, tx *sql.Tx, ledger string) (*chain, error) {
	head, err := headOf(ctx, tx, ledger)
	if err != nil {
		return nil, err
	}
	return &chain{ctx, tx, head}, nil
}

// headOf reads the newest link; sql.ErrNoRows when there is none.
func headOf(ctx context.Context, q querier, ledger string) (Head, error) {
	head := Head{Ledger: ledger}
	var link []byte
	if err := q.QueryRowContext(ctx, `SELECT n, link FROM chain ORDER BY n DESC LIMIT 1`).Scan(&head.Links, &link); err != nil {
		return Head{}, err
	}
	if len(link) != len(head.Hash) {
		return Head{}, fmt.Errorf("%w: its newest link has %d bytes", errDamaged, len(link))
	}
	head.Hash = Hash(link)
	return head, nil
}

// add appends the link of a row that has the key (a, b).
func (c *chain) add(kind string, a, b int64, row Hash) error {
	link := linkAfter(c.head.Hash, kind, a, b, row)
	if _, err := c.tx.ExecContext(c.ctx, `INSERT INTO chain VALUES (?, ?, ?, ?, ?, ?)`,
		clampInt(c.head.Links+1), kind, a, b, row[:], link[:]); err != nil {
		return err
	}
	c.head.Links++
	c.head.Hash = link
	return nil
}

// block writes a block of readings and its link. layout is the id of its layout.
func (c *chain) block(first, count, layout, lo, hi int64, data []byte) error {
	if _, err := c.tx.ExecContext(c.ctx, `INSERT INTO blocks VALUES (?, ?, ?, ?, ?, ?)`, first, count, layout, lo, hi, data); err != nil {
		return err
	}
	var probes string
	if err := c.tx.QueryRowContext(c.ctx, `SELECT probes FROM layouts WHERE id = ?`, layout).Scan(&probes); err != nil {
		return err
	}
	return c.add(linkBlock, first, 0, digest(linkBlock, first, count, lo, hi, probes, data))
}

// begin writes the origin and its link, the first one. before is the head of the ledger that this one was
// carried on from, zero for none; sweep is the last one whose readings are older than the chain.
func (c *chain) begin(ledger string, now time.Time, sweep uint64, before Head) error {
	var id, link any
	if before.Ledger != "" {
		id, link = before.Ledger, before.Hash[:]
	}
	row := []any{int64(1), ledger, now.UnixMilli(), clampInt(sweep), id, clampInt(before.Links), link}
	if _, err := c.tx.ExecContext(c.ctx, `INSERT INTO origin VALUES (?, ?, ?, ?, ?, ?, ?)`, row...); err != nil {
		return err
	}
	return c.add(linkBegin, 1, 0, digest(linkBegin, row...))
}

// know keeps the newest head: of two commits the later one may tell of itself first.
func (l *Ledger) know(head Head) {
	for {
		was := l.head.Load()
		if was != nil && was.Ledger == head.Ledger && was.Links >= head.Links || l.head.CompareAndSwap(was, &head) {
			return
		}
	}
}

// Head gives the newest link as this process knows it: of its own last commit, or of when the file was
// opened. It never waits for the disk. It is zero while the ledger was never open.
func (l *Ledger) Head() Head {
	if h := l.head.Load(); h != nil {
		return *h
	}
	return Head{}
}

// thin says that the blocks which begin with the sweeps first to last go by age. Whoever removes them, or puts
// a thinner one in their place, calls it before, in the same transaction.
func (c *chain) thin(now time.Time, first, last uint64) error {
	n := clampInt(c.head.Links + 1)
	row := []any{n, now.UnixMilli(), clampInt(first), clampInt(last)}
	if _, err := c.tx.ExecContext(c.ctx, `INSERT INTO thinned VALUES (?, ?, ?, ?)`, row...); err != nil {
		return err
	}
	return c.add(linkThinned, n, 0, digest(linkThinned, row...))
}

package ledger

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"math"

	"holdbell/rules"
	"holdbell/sensor"
)

// ErrConflict is wrapped by a Commit whose sweeps or events the record has already, with another content.
var ErrConflict = errors.New("the record has this already")

// Marked is a mark and the number of the sweep it entered with.
type Marked struct {
	Sweep uint64
	Mark  rules.Mark
}

// Noticed is a notice and the number of the sweep it entered with.
type Noticed struct {
	Sweep  uint64
	Notice rules.Notice
}

// Batch is what one Commit makes durable. Every part may be empty.
type Batch struct {
	Layout     []string // the probes' names, in the order of each sweep's readings
	FirstSweep uint64   // the number of Sweeps[0]; the others follow without a gap
	Sweeps     []sensor.Sweep
	Marks      []Marked
	Notices    []Noticed
	Events     []rules.Event
	// Unrecorded names events of earlier batches that publishers heard of before they were durable.
	Unrecorded    []uint64
	Snapshot      []byte // nil: the one before stays
	SnapshotSweep uint64 // the sweep that Snapshot was taken after
}

// rows is a Batch as it is stored.
type rows struct {
	layout, block, snapshot []byte
	lo, hi                  int64
	marks, notices, events  [][]byte
}

// Commit makes b durable in one transaction. A batch that was committed before, though the caller never
// learned of it, is known again and adds nothing.
func (l *Ledger) Commit(ctx context.Context, b Batch) error {
	r, err := b.rows()
	if err != nil {
		return fmt.Errorf("%s: %w", l.path, err)
	}
	return l.write(func(c *conns) error {
		head, again, err := c.commit(ctx, &b, r)
		if err == nil && again {
			err = c.settle(ctx, "FULL")
		}
		if err == nil {
			l.broken.Store(0)
			l.know(head)
		}
		return err
	})
}

// settle makes durable what a log found again holds: it was read from memory, and the disk may have refused it
// before. Written anew, into the database, it is as durable as the disk says.
// FULL waits for those who read older parts, PASSIVE does not.
func (c *conns) settle(ctx context.Context, mode string) error {
	var busy, log, done int
	err := c.writer.QueryRowContext(ctx, `PRAGMA wal_checkpoint(`+mode+`)`).Scan(&busy, &log, &done)
	if err == nil && (busy != 0 || done < log) {
		err = errors.New("what the log holds cannot be made durable while somebody reads older parts of the record")
	}
	return err
}

func (b *Batch) rows() (*rows, error) {
	r := new(rows)
	var err error
	if r.layout, err = json.Marshal(b.Layout); err != nil {
		return nil, err
	}
	if len(b.Sweeps) > 0 {
		if r.block, err = encodeBlock(b.Sweeps, len(b.Layout)); err != nil {
			return nil, err
		}
		r.lo, r.hi = span(b.Sweeps)
	}
	for i := range b.Marks {
		text, err := json.Marshal(&b.Marks[i].Mark)
		if err != nil {
			return nil, err
		}
		r.marks = append(r.marks, text)
	}
	for i := range b.Notices {
		text, err := json.Marshal(&b.Notices[i].Notice)
		if err != nil {
			return nil, err
		}
		r.notices = append(r.notices, text)
	}
	for i := range b.Events {
		text, err := json.Marshal(&b.Events[i])
		if err != nil {
			return nil, err
		}
		r.events = append(r.events, text)
	}
	if b.Snapshot != nil {
		r.snapshot, err = pack(b.Snapshot)
	}
	return r, err
}

// known reports whether b was committed already. A commit is whole or not made, so one that was is there row for
// row; the first row that is not there says that it was not.
func known(ctx context.Context, tx *sql.Tx, b *Batch, r *rows) (bool, error) {
	if len(b.Sweeps)+len(b.Marks)+len(b.Notices)+len(b.Events) == 0 {
		return false, nil // a snapshot, and what was told late: written twice they are the same
	}
	there := func(query string, args ...any) (found bool, err error) {
		err = tx.QueryRowContext(ctx, `SELECT EXISTS (SELECT 1 FROM `+query+`)`, args...).Scan(&found)
		return found, err
	}
	if len(b.Sweeps) > 0 {
		if found, err := there(`blocks WHERE first = ? AND data = ?`, clampInt(b.FirstSweep), r.block); !found {
			return false, err
		}
	}
	for i := range b.Marks {
		if found, err := there(`marks WHERE sweep = ? AND mark = ?`, clampInt(b.Marks[i].Sweep), string(r.marks[i])); !found {
			return false, err
		}
	}
	for i := range b.Notices {
		if found, err := there(`notices WHERE sweep = ? AND notice = ?`, clampInt(b.Notices[i].Sweep), string(r.notices[i])); !found {
			return false, err
		}
	}
	for i := range b.Events {
		// One that was told while its commit was on its way says so at the next try.
		if found, err := there(`events WHERE seq = ? AND json_remove(event, '$.unrecorded') = json_remove(?, '$.unrecorded')`,
			clampInt(b.Events[i].Seq), string(r.events[i])); !found {
			return false, err
		}
	}
	if b.Snapshot == nil {
		return true, nil
	}
	return there(`snapshot WHERE sweep = ? AND data = ?`, clampInt(b.SnapshotSweep), r.snapshot)
}

// span gives the earliest and the latest wall of sweeps in milliseconds.
func span(sweeps []sensor.Sweep) (lo, hi int64) {
	lo, hi = math.MaxInt64, math.MinInt64
	for i := range sweeps {
		t := sweeps[i].At.Wall.UnixMilli()
		lo, hi = min(lo, t), max(hi, t)
	}
	return lo, hi
}

// commit gives the chain's head after it, and whether b was known again.
func (c *conns) commit(ctx context.Context, b *Batch, r *rows) (head Head, again bool, err error) {
	tx, err := c.writer.BeginTx(ctx, nil)
	if err != nil {
		return Head{}, false, err
	}
	defer tx.Rollback()
	links, err := openChain(ctx, tx, c.id)
	if err != nil {
		return Head{}, false, err
	}
	again, err = known(ctx, tx, b, r)
	if err != nil {
		return Head{}, false, err
	}
	if !again {
		if err := insert(ctx, tx, links, b, r); err != nil {
			return Head{}, false, err
		}
	}
	late := append([]uint64(nil), b.Unrecorded...)
	for i := range b.Events {
		if b.Events[i].Unrecorded {
			late = append(late, b.Events[i].Seq)
		}
	}
	for _, seq := range late {
		if err := insertLate(ctx, tx, links, seq); err != nil {
			return Head{}, false, err
		}
	}
	return links.head, again, tx.Commit()
}

// insertLate records that an event which is recorded had been told before. One that says so itself, or is not
// there, needs none.
func insertLate(ctx context.Context, tx *sql.Tx, links *chain, seq uint64) error {
	res, err := tx.ExecContext(ctx, `INSERT INTO late SELECT seq FROM events WHERE seq = ?
		AND json_extract(event, '$.unrecorded') IS NULL AND seq NOT IN (SELECT seq FROM late)`, clampInt(seq))
	if err != nil {
		return err
	}
	if n, err := res.RowsAffected(); err != nil || n == 0 {
		return err
	}
	return links.add(linkLate, clampInt(seq), 0, digest(linkLate, clampInt(seq)))
}

func insert(ctx context.Context, tx *sql.Tx, links *chain, b *Batch, r *rows) error {
	if err := insertBlock(ctx, tx, links, b, r); err != nil {
		return err
	}
	for i := range b.Marks {
		if err := insertTold(ctx, tx, links, linkMark, b.Marks[i].Sweep, orNull(b.Marks[i].Mark.ID), string(r.marks[i])); err != nil {
			return err
		}
	}
	for i := range b.Notices {
		if err := insertTold(ctx, tx, links, linkNotice, b.Notices[i].Sweep, string(r.notices[i])); err != nil {
			return err
		}
	}
	if err := insertEvents(ctx, tx, links, b, r); err != nil {
		return err
	}
	if b.Snapshot == nil {
		return nil
	}
	_, err := tx.ExecContext(ctx, `UPDATE snapshot SET sweep = ?, data = ?`, clampInt(b.SnapshotSweep), r.snapshot)
	return err
}

// insertTold records a mark or a notice: it has the next place within its sweep.
func insertTold(ctx context.Context, tx *sql.Tx, links *chain, kind string, sweep uint64, values ...any) error {
	count, write := `SELECT count(*) FROM marks WHERE sweep = ?`, `INSERT INTO marks VALUES (?, ?, ?, ?)`
	if kind == linkNotice {
		count, write = `SELECT count(*) FROM notices WHERE sweep = ?`, `INSERT INTO notices VALUES (?, ?, ?)`
	}
	row := append([]any{clampInt(sweep), int64(0)}, values...)
	var n int64
	if err := tx.QueryRowContext(ctx, count, row[0]).Scan(&n); err != nil {
		return err
	}
	row[1] = n
	if _, err := tx.ExecContext(ctx, write, row...); err != nil {
		return err
	}
	return links.add(kind, clampInt(sweep), n, digest(kind, row...))
}

func insertBlock(ctx context.Context, tx *sql.Tx, links *chain, b *Batch, r *rows) error {
	if len(b.Sweeps) == 0 {
		return nil
	}
	last, err := lastSweep(ctx, tx)
	if err != nil {
		return err
	}
	if b.FirstSweep <= last {
		return fmt.Errorf("sweep %d, while the newest is %d: %w; another daemon writes to it, or its snapshot was not restored", b.FirstSweep, last, ErrConflict)
	}
	var layout int64
	err = tx.QueryRowContext(ctx, `SELECT id FROM layouts WHERE probes = ?`, string(r.layout)).Scan(&layout)
	if errors.Is(err, sql.ErrNoRows) {
		var res sql.Result
		if res, err = tx.ExecContext(ctx, `INSERT INTO layouts (probes) VALUES (?)`, string(r.layout)); err == nil {
			layout, err = res.LastInsertId()
		}
	}
	if err != nil {
		return err
	}
	return links.block(clampInt(b.FirstSweep), int64(len(b.Sweeps)), layout, r.lo, r.hi, r.block)
}

func insertEvents(ctx context.Context, tx *sql.Tx, links *chain, b *Batch, r *rows) error {
	if len(b.Events) == 0 {
		return nil
	}
	last, err := lastSeq(ctx, tx)
	if err != nil {
		return err
	}
	for i := range b.Events {
		ev := &b.Events[i]
		if ev.Seq <= last {
			return fmt.Errorf("event %d, while the newest is %d: %w; another daemon writes to it, or its snapshot was not restored", ev.Seq, last, ErrConflict)
		}
		last = ev.Seq
		row := []any{clampInt(ev.Seq), ev.At.Wall.UnixMilli(), string(ev.Kind), orNull(string(ev.Alarm)), orNull(ev.Station),
			orNull(ev.Lot), string(r.events[i])}
		if _, err := tx.ExecContext(ctx, `INSERT INTO events VALUES (?, ?, ?, ?, ?, ?, ?)`, row...); err != nil {
			return err
		}
		if err := links.add(linkEvent, clampInt(ev.Seq), 0, digest(linkEvent, row...)); err != nil {
			return err
		}
	}
	return nil
}

// orNull stores an empty word as NULL, which the indexes leave out.
func orNull(s string) any {
	if s == "" {
		return nil
	}
	return s
}

// querier is a connection, or a transaction on one.
type querier interface {
	QueryRowContext(ctx context.Context, query string, args ...any) *sql.Row
}

func lastSweep(ctx context.Context, q querier) (n uint64, err error) {
	err = q.QueryRowContext(ctx, `SELECT first + count - 1 FROM blocks ORDER BY first DESC LIMIT 1`).Scan(&n)
	if errors.Is(err, sql.ErrNoRows) {
		return 0, nil
	}
	return n, err
}

func lastSeq(ctx context.Context, q querier) (n uint64, err error) {
	err = q.QueryRowContext(ctx, `SELECT coalesce(max(seq), 0) FROM events`).Scan(&n)
	return n, err
}

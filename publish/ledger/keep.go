package ledger

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"path/filepath"
	"strconv"
	"time"

	"golang.org/x/sys/unix"

	"holdbell/sensor"
)

// Keep says how much history is kept. Events, marks and notices are never removed.
type Keep struct {
	// Full is how long every reading is kept; older ones are thinned to rows of ten seconds. 0: for ever.
	Full time.Duration
	// MaxBytes bounds the record. Over it what is older than a day is thinned early, then the oldest goes; the
	// last day and what is never removed may exceed it. 0: no bound.
	MaxBytes int64
	// MinFree is how much of the disk history leaves free, in bytes; 0: lowFraction of the disk, at most lowBytes.
	MinFree int64
}

// The free space at which history stops, unless told: a card that is full takes the events with it.
const (
	lowFraction = 20 // a twentieth
	lowBytes    = 1 << 30
)

// A step of thinning takes so much at the most: half an hour at 1 Hz, some milliseconds of writing.
const (
	stepBlocks = 60
	stepSweeps = 1800
)

// fullFloor is how much stays whole whatever the bound on size says.
const fullFloor = 24 * time.Hour

// Usage is what the record takes.
type Usage struct {
	Bytes        int64 // in use within the file
	Free, Disk   int64 // of its disk, for a user who is not root
	ThinnedUntil time.Time
}

// Usage gives what the record takes; it asks file and disk.
func (l *Ledger) Usage(ctx context.Context) (u Usage, err error) {
	if u.Free, u.Disk, err = l.room(); err != nil {
		return u, err
	}
	if u.Bytes, err = l.used(ctx); err != nil {
		return u, err
	}
	u.ThinnedUntil, err = l.ThinnedUntil(ctx)
	return u, err
}

// room asks the disk.
func (l *Ledger) room() (free, total int64, err error) {
	var st unix.Statfs_t
	if err := unix.Statfs(filepath.Dir(l.path), &st); err != nil {
		return 0, 0, fmt.Errorf("the disk of %s does not tell how full it is: %w", l.path, err)
	}
	return int64(st.Bavail) * int64(st.Bsize), int64(st.Blocks) * int64(st.Bsize), nil
}

// floor is the free space that history leaves on a disk of so many bytes.
func (k Keep) floor(disk int64) int64 {
	if k.MinFree > 0 {
		return k.MinFree
	}
	return min(disk/lowFraction, lowBytes)
}

func (l *Ledger) used(ctx context.Context) (n int64, err error) {
	err = l.read(func(db *sql.DB) error {
		return db.QueryRowContext(ctx, `SELECT (page_count - freelist_count) * page_size
			FROM pragma_page_count, pragma_freelist_count, pragma_page_size`).Scan(&n)
	})
	return n, err
}

// ThinnedUntil gives the wall of the last sweep that was thinned; zero when none was.
func (l *Ledger) ThinnedUntil(ctx context.Context) (until time.Time, err error) {
	err = l.read(func(db *sql.DB) error {
		to, err := thinnedTo(ctx, db)
		if err != nil || to == 0 {
			return err
		}
		var hi sql.NullInt64
		err = db.QueryRowContext(ctx, `SELECT hi FROM blocks WHERE first <= ? ORDER BY first DESC LIMIT 1`, clampInt(to)).Scan(&hi)
		if hi.Valid {
			until = time.UnixMilli(hi.Int64).UTC()
		}
		if errors.Is(err, sql.ErrNoRows) {
			return nil // all of it has gone
		}
		return err
	})
	return until, err
}

// thinnedTo is the last sweep that was thinned, 0 for none. Everything before it is thinned too.
func thinnedTo(ctx context.Context, q querier) (n uint64, err error) {
	err = q.QueryRowContext(ctx, `SELECT CAST(value AS INTEGER) FROM meta WHERE key = 'thinned'`).Scan(&n)
	if errors.Is(err, sql.ErrNoRows) {
		return 0, nil
	}
	return n, err
}

// tidy does one small step of what k asks for, in one transaction; more says that there is another. It touches
// nothing that a restart reads: that begins after the snapshot's sweep.
func (l *Ledger) tidy(ctx context.Context, k Keep) (more bool, err error) {
	if k.Full > 0 {
		if more, err = l.thinStep(ctx, k.Full, true); more || err != nil {
			return more, err
		}
	}
	if k.MaxBytes == 0 {
		return false, nil
	}
	used, err := l.used(ctx)
	if err != nil || used <= k.MaxBytes {
		return false, err
	}
	if more, err = l.thinStep(ctx, fullFloor, false); more || err != nil {
		return more, err
	}
	return l.dropStep(ctx)
}

// candidate is a run of whole blocks that can be thinned.
type candidate struct {
	blocks []*block
	lo, hi int64
	layout int64
	apart  map[uint64]bool // sweeps with which something was told
	moment map[int64]bool  // walls, in nanoseconds, of sweeps that decided something
}

// thinStep thins the oldest whole blocks, if they are older than age. patient waits until they are worth a
// step.
func (l *Ledger) thinStep(ctx context.Context, age time.Duration, patient bool) (done bool, err error) {
	var c *candidate
	if err := l.read(func(db *sql.DB) (err error) {
		c, err = oldest(ctx, db, age, patient)
		return err
	}); err != nil || c == nil {
		return false, err
	}
	var sweeps []sensor.Sweep
	for _, b := range c.blocks {
		sweeps = append(sweeps, b.sweeps...)
	}
	first, last := c.blocks[0].first, c.blocks[len(c.blocks)-1].last()
	// A place is no number where sweeps are missing between two blocks; oldest ends a run there.
	data, err := encodeThin(thin(sweeps, func(i int) bool {
		return c.apart[first+uint64(i)] || c.moment[sweeps[i].At.Wall.UnixNano()]
	}))
	if err != nil {
		return false, fmt.Errorf("%s: thinning sweep %d: %w", l.path, first, err)
	}
	return true, l.age(ctx, func(tx *sql.Tx, links *chain) error {
		if err := links.thin(l.now(), first, last); err != nil {
			return err
		}
		res, err := tx.ExecContext(ctx, `DELETE FROM blocks WHERE first >= ? AND first <= ?`, clampInt(first), clampInt(last))
		if err != nil {
			return err
		}
		if n, err := res.RowsAffected(); err != nil || n != int64(len(c.blocks)) {
			return errors.Join(fmt.Errorf("%d blocks from sweep %d on were to be thinned, and %d are there", len(c.blocks), first, n), err)
		}
		if err := links.block(clampInt(first), clampInt(last-first+1), c.layout, c.lo, c.hi, data); err != nil {
			return err
		}
		_, err = tx.ExecContext(ctx, `INSERT INTO meta VALUES ('thinned', ?) ON CONFLICT (key) DO UPDATE SET value = excluded.value`,
			strconv.FormatUint(last, 10))
		return err
	})
}

// age runs f, which takes readings out by age and says so in the chain, in one transaction.
func (l *Ledger) age(ctx context.Context, f func(tx *sql.Tx, links *chain) error) error {
	return l.write(func(c *conns) error {
		tx, err := c.writer.BeginTx(ctx, nil)
		if err != nil {
			return err
		}
		defer tx.Rollback()
		links, err := openChain(ctx, tx, c.id)
		if err != nil {
			return err
		}
		if err := f(tx, links); err != nil {
			return err
		}
		if err := tx.Commit(); err != nil {
			return err
		}
		l.know(links.head)
		return nil
	})
}

// oldest gives the whole blocks to thin next, nil for none.
func oldest(ctx context.Context, db *sql.DB, age time.Duration, patient bool) (*candidate, error) {
	r, err := restored(ctx, db)
	if err != nil || !r.Newest.Believed {
		return nil, err // what is old is not known
	}
	after, err := thinnedTo(ctx, db)
	if err != nil {
		return nil, err
	}
	cutoff := r.Newest.Wall.Add(-age).UnixMilli()
	rows, err := db.QueryContext(ctx, `SELECT first, count, layout, lo, hi FROM blocks WHERE first > ? AND first + count - 1 <= ? ORDER BY first LIMIT ?`,
		clampInt(after), clampInt(r.Sweep), stepBlocks+1)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	c, sweeps, full := new(candidate), uint64(0), false
	var firsts []uint64
	for rows.Next() {
		var first, count uint64
		var layout, lo, hi int64
		if err := rows.Scan(&first, &count, &layout, &lo, &hi); err != nil {
			return nil, err
		}
		if hi >= cutoff {
			break
		}
		n := len(firsts)
		if n > 0 && (layout != c.layout || sweeps+count > stepSweeps || n == stepBlocks || first != firsts[0]+sweeps) {
			full = true
			break
		}
		if n == 0 {
			c.layout, c.lo, c.hi = layout, lo, hi
		}
		c.lo, c.hi = min(c.lo, lo), max(c.hi, hi)
		firsts, sweeps = append(firsts, first), sweeps+count
	}
	if err := errors.Join(rows.Err(), rows.Close()); err != nil || len(firsts) == 0 || patient && !full {
		return nil, err
	}
	for _, first := range firsts {
		b, err := nextBlock(ctx, db, `first = ?`, clampInt(first))
		if err != nil || b == nil {
			return nil, err
		}
		c.blocks = append(c.blocks, b)
	}
	if old, err := surelyOld(ctx, db, c.blocks[len(c.blocks)-1], cutoff); err != nil || !old {
		return nil, err
	}
	return c, c.told(ctx, db)
}

// surelyOld reports whether b is older than cutoff by a wall clock that was believed: its own, else that of a
// later block.
func surelyOld(ctx context.Context, db *sql.DB, b *block, cutoff int64) (bool, error) {
	last := b.last()
	for _, ahead := range []int{0, stepBlocks, 1500, 20000} { // an hour, a day and two weeks of quiet blocks
		if at := b.sweeps[len(b.sweeps)-1].At; at.Believed {
			return at.Wall.UnixMilli() < cutoff, nil
		}
		next, err := nextBlock(ctx, db, `first = (SELECT first FROM blocks WHERE first > ? ORDER BY first LIMIT 1 OFFSET ?)`, clampInt(last), ahead)
		if err != nil || next == nil {
			return false, err
		}
		b = next
	}
	return false, nil
}

// told finds the sweeps that must keep their place.
func (c *candidate) told(ctx context.Context, db *sql.DB) error {
	first, last := c.blocks[0].first, c.blocks[len(c.blocks)-1].last()
	c.apart, c.moment = map[uint64]bool{}, map[int64]bool{}
	for _, table := range []string{"marks", "notices"} {
		err := eachTold(ctx, db, `SELECT sweep, '' FROM `+table, first-min(first, 1), last, func(sweep uint64, _ []byte) error {
			c.apart[sweep] = true
			return nil
		})
		if err != nil {
			return err
		}
	}
	rows, err := db.QueryContext(ctx, `SELECT json_extract(event, '$.at') FROM events WHERE wall >= ? AND wall <= ?`, c.lo, c.hi)
	if err != nil {
		return err
	}
	defer rows.Close()
	for rows.Next() {
		var text []byte
		var at sensor.Instant
		if err := rows.Scan(&text); err != nil {
			return err
		}
		if err := json.Unmarshal(text, &at); err != nil {
			return err
		}
		c.moment[at.Wall.UnixNano()] = true
	}
	return rows.Err()
}

// dropBlocks is how many blocks go in one step.
const dropBlocks = 16

// dropStep removes the oldest readings, some blocks of them, but none of the last day and none that a restart
// reads.
func (l *Ledger) dropStep(ctx context.Context) (done bool, err error) {
	err = l.age(ctx, func(tx *sql.Tx, links *chain) error {
		first, last, err := oldRun(ctx, tx)
		if err != nil || last == 0 {
			return err
		}
		done = true
		if err := links.thin(l.now(), first, last); err != nil {
			return err
		}
		_, err = tx.ExecContext(ctx, `DELETE FROM blocks WHERE first >= ? AND first <= ?`, clampInt(first), clampInt(last))
		return err
	})
	return done && err == nil, err
}

// oldRun gives the first sweeps of the first and the last of the blocks to remove next, 0 for none: the oldest
// that may go, and those that follow it without one between that may not.
func oldRun(ctx context.Context, tx *sql.Tx) (first, last uint64, err error) {
	const old = `first + count - 1 <= (SELECT sweep FROM snapshot) AND hi < (SELECT hi FROM blocks ORDER BY first DESC LIMIT 1) - ?1`
	rows, err := tx.QueryContext(ctx, `SELECT first, `+old+` FROM blocks
		WHERE first >= (SELECT first FROM blocks WHERE `+old+` ORDER BY first LIMIT 1) ORDER BY first LIMIT ?2`,
		fullFloor.Milliseconds(), dropBlocks)
	if err != nil {
		return 0, 0, err
	}
	defer rows.Close()
	for rows.Next() {
		var at uint64
		var goes bool
		if err := rows.Scan(&at, &goes); err != nil {
			return 0, 0, err
		}
		if !goes {
			break
		}
		if last == 0 {
			first = at
		}
		last = at
	}
	return first, last, errors.Join(rows.Err(), rows.Close())
}

// checkpoint brings the write-ahead log into the database and gives its space back.
func (l *Ledger) checkpoint(ctx context.Context) error {
	return l.write(func(c *conns) error {
		var busy, log, done int
		return c.writer.QueryRowContext(ctx, `PRAGMA wal_checkpoint(TRUNCATE)`).Scan(&busy, &log, &done)
	})
}

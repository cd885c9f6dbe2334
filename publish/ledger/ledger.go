package ledger

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"sync"
	"sync/atomic"
	"time"

	"holdbell/publish"
	"holdbell/rules"
)

// ErrNotOpen is wrapped by every method of a Ledger that is not open.
var ErrNotOpen = errors.New("the record is not open")

// Options are a ledger's settings; the zero value is right for a daemon.
type Options struct {
	Now func() time.Time // names the file that is moved aside; default time.Now
	// CopyPath is where the snapshot is kept apart, as SaveCopy does: a ledger that is begun anew names the
	// ledger of that copy as the one that it was carried on from. Empty: nowhere.
	CopyPath string
	// Fleeting is a record that is thrown away with its folder: no commit of it waits for the disk, and none need
	// survive a power cut.
	Fleeting bool
}

// Ledger is the record in one file. It is safe for concurrent use. Its methods wait for the disk; the one
// loop uses a Writer instead.
type Ledger struct {
	path     string
	now      func() time.Time
	copyPath string
	fleeting bool

	mu     sync.Mutex // held while opening and closing
	c      atomic.Pointer[conns]
	id     atomic.Value // string: of the file that was opened last
	head   atomic.Pointer[Head]
	moved  string
	broken atomic.Int32 // how often since the last Commit a write proved the file to be damaged
}

// The couriers' two ends of a ledger.
var (
	_ publish.Cursors = (*Ledger)(nil)
	_ publish.Older   = (*Ledger)(nil)
)

// conns is an open file: one connection that writes and one that reads. One opened for reading only has
// neither writer nor lock.
type conns struct {
	writer, reader *sql.DB
	lock           *os.File
	id             string
	head           Head   // when it was opened
	schema         int    // a reader's file may be of an older one
	still          string // its path, when it is read as it lies because nobody writes to it
}

// New gives a ledger that is not open yet: every method says so until Reopen succeeds. The error of Open
// is no reason to watch without a record for ever.
func New(path string, o Options) *Ledger {
	if o.Now == nil {
		o.Now = time.Now
	}
	return &Ledger{path: path, now: o.Now, copyPath: o.CopyPath, fleeting: o.Fleeting}
}

// Open opens the ledger at path, or makes a new one. A damaged file is moved aside, as Moved tells, and a
// new one begun. The errors name the path and what to do: a folder that is missing or cannot be written, a
// file that is another program's, a ledger of a newer holdbell.
func Open(path string, o Options) (*Ledger, error) {
	l := New(path, o)
	if err := l.Reopen(); err != nil {
		return nil, err
	}
	return l, nil
}

// brokenAfter writes that find the file damaged, without a Commit between, are believed. SQLite says so, too, when the disk once
// did not give a page that it was asked for.
const brokenAfter = 2

// Reopen closes the file, if it is open, and opens it as Open does. A file that proved to be damaged while
// it was open, brokenAfter times, is moved aside first. Calls under way on the old file fail.
func (l *Ledger) Reopen() error {
	l.mu.Lock()
	defer l.mu.Unlock()
	why := ""
	if l.broken.Load() >= brokenAfter {
		why = asideCorrupt
	}
	return l.reopen(why)
}

// StartAnew closes the file, moves it aside, sound as it may be, and begins a new one: what a run does that
// did not go on from what the file holds.
func (l *Ledger) StartAnew() error {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.reopen(asideEarlier)
}

func (l *Ledger) reopen(why string) error {
	// What closing says of a file that is given up, or opened again, adds nothing.
	_ = l.shut()
	c, moved, err := openFile(l.path, why, l.now, l.before)
	l.moved = moved
	if moved != "" {
		l.broken.Store(0)
	}
	if err != nil {
		return err
	}
	if l.fleeting {
		if _, err := c.writer.Exec("PRAGMA synchronous = OFF"); err != nil {
			return errors.Join(err, c.writer.Close(), c.reader.Close())
		}
	}
	l.id.Store(c.id)
	l.head.Store(&c.head)
	l.c.Store(c)
	return nil
}

// before is the head that is known of the ledger which a new one would be carried on from.
func (l *Ledger) before() Head {
	if l.copyPath == "" {
		return Head{}
	}
	c, err := LoadCopy(l.copyPath)
	if err != nil {
		// Resume tells of a copy that cannot be read.
		return Head{}
	}
	return Head{Ledger: c.Ledger, Links: c.Links, Hash: c.Hash}
}

// Close closes the file. What was committed is durable without it.
func (l *Ledger) Close() error {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.shut()
}

func (l *Ledger) shut() error {
	c := l.c.Swap(nil)
	if c == nil {
		return nil
	}
	return c.close()
}

func (c *conns) close() error {
	if c.writer == nil {
		return c.closeReader()
	}
	// The writer goes last: SQLite empties and removes the write-ahead log with the last connection.
	return guard(func() error { return errors.Join(c.reader.Close(), c.writer.Close(), c.lock.Close()) })
}

// ID is the ledger's random id, 32 hexadecimal digits; empty before it was open for the first time.
func (l *Ledger) ID() string {
	id, _ := l.id.Load().(string)
	return id
}

func (l *Ledger) opened() bool { return l.c.Load() != nil }

// Moved is where the latest opening moved the file that it found; empty when it goes on in that.
func (l *Ledger) Moved() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.moved
}

// conns gives the open file.
func (l *Ledger) conns() (*conns, error) {
	if c := l.c.Load(); c != nil {
		return c, nil
	}
	return nil, fmt.Errorf("%s: %w", l.path, ErrNotOpen)
}

// write runs f on the open file. A damaged file is remembered for Reopen: what cannot be written to any
// more is moved aside. Damage that only a reader meets, in old history, is no reason to.
func (l *Ledger) write(f func(c *conns) error) error {
	c, err := l.conns()
	if err != nil {
		return err
	}
	if c.writer == nil {
		return fmt.Errorf("%s: %w", l.path, errReadOnly)
	}
	if err = guard(func() error { return f(c) }); err == nil {
		return nil
	}
	if err = broken(err); damaged(err) {
		l.broken.Add(1)
	}
	return fmt.Errorf("%s: %w", l.path, err)
}

// read runs f on the reading connection.
func (l *Ledger) read(f func(db *sql.DB) error) error {
	c, err := l.conns()
	if err != nil {
		return err
	}
	if err = guard(func() error { return f(c.reader) }); err == nil {
		return nil
	}
	return fmt.Errorf("%s: %w", l.path, err)
}

// Events gives recorded events with a Seq greater than after, in order, at most max of them.
func (l *Ledger) Events(ctx context.Context, after uint64, max int) ([]rules.Event, error) {
	return decoded[rules.Event](ctx, l, fmt.Sprintf("an event after %d", after),
		`SELECT `+l.event()+` FROM events WHERE seq > ? ORDER BY seq LIMIT ?`, clampInt(after), max)
}

// event is what a query reads an event's JSON with. That it was told before it was recorded stands apart: a
// recorded event is never written to again.
func (l *Ledger) event() string {
	if c := l.c.Load(); c != nil && c.schema < schemaChain {
		return `event`
	}
	return `CASE WHEN seq IN (SELECT seq FROM late) THEN json_set(event, '$.unrecorded', json('true')) ELSE event END`
}

// decoded gives the values that a query finds, a column of JSON; what names one in an error.
func decoded[T any](ctx context.Context, l *Ledger, what, query string, args ...any) ([]T, error) {
	var all []T
	err := l.read(func(db *sql.DB) error {
		rows, err := db.QueryContext(ctx, query, args...)
		if err != nil {
			return err
		}
		defer rows.Close()
		for rows.Next() {
			var text []byte
			var v T
			if err := rows.Scan(&text); err != nil {
				return err
			}
			if err := json.Unmarshal(text, &v); err != nil {
				return fmt.Errorf("%s: %w", what, err)
			}
			all = append(all, v)
		}
		return rows.Err()
	})
	return all, err
}

// Cursor gives the Seq of the last event that the publisher name has dealt with; found is false when none
// was ever set.
func (l *Ledger) Cursor(ctx context.Context, name string) (seq uint64, found bool, err error) {
	err = l.read(func(db *sql.DB) error {
		err := db.QueryRowContext(ctx, `SELECT seq FROM cursors WHERE name = ?`, name).Scan(&seq)
		found = err == nil
		if errors.Is(err, sql.ErrNoRows) {
			return nil
		}
		return err
	})
	return seq, found, err
}

// SetCursor keeps how far the publisher name is. It is durable on return.
func (l *Ledger) SetCursor(ctx context.Context, name string, seq uint64) error {
	return l.write(func(c *conns) error {
		_, err := c.writer.ExecContext(ctx, `INSERT INTO cursors (name, seq) VALUES (?, ?)
			ON CONFLICT (name) DO UPDATE SET seq = excluded.seq`, name, clampInt(seq))
		return err
	})
}

// HasMark reports whether a mark with this id was ever recorded.
func (l *Ledger) HasMark(ctx context.Context, id string) (found bool, err error) {
	err = l.read(func(db *sql.DB) error {
		return db.QueryRowContext(ctx, `SELECT EXISTS (SELECT 1 FROM marks WHERE id = ?)`, id).Scan(&found)
	})
	return found, err
}

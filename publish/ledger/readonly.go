package ledger

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io/fs"
	"math"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"time"

	"modernc.org/sqlite"
	sqlite3 "modernc.org/sqlite/lib"

	"holdbell/rules"
)

// errReadOnly is what a ledger that was opened for reading answers to whoever wants to write.
var errReadOnly = errors.New("the record was opened for reading only")

// OpenReader opens the ledger at path for reading, beside a daemon that may be writing to it, or a copy of
// one. It changes nothing, takes no lock that a daemon would wait for, and moves nothing aside. A file
// without a write-ahead log has nobody writing to it; it is read as it lies, so that not even SQLite leaves
// a file of its own beside it, and Close tells of a daemon that started meanwhile. The errors name the path
// and the fix.
func OpenReader(path string) (*Ledger, error) {
	abs, err := filepath.Abs(path)
	if err != nil {
		return nil, err
	}
	if err := inspect(abs); err != nil {
		return nil, explainRead(path, err)
	}
	l, c := New(abs, Options{}), new(conns)
	if !hasLog(abs) {
		c.still = abs
	}
	err = guard(func() (err error) {
		if c.reader, err = sql.Open("sqlite", readerDSN(abs, c.still != "")); err != nil {
			return err
		}
		c.reader.SetMaxOpenConns(1)
		// The end of the record is not asked for: a reader of old days can live with a damaged last block.
		if err := c.reader.QueryRow(`SELECT value, user_version FROM meta, pragma_user_version WHERE key = 'id'`).Scan(&c.id, &c.schema); err != nil {
			return err
		}
		return c.readHead()
	})
	if err != nil {
		if c.reader != nil {
			err = errors.Join(err, guard(c.reader.Close))
		}
		return nil, explainRead(path, err)
	}
	l.id.Store(c.id)
	l.head.Store(&c.head)
	l.c.Store(c)
	return l, nil
}

// readHead reads the newest link, if there is a chain.
func (c *conns) readHead() (err error) {
	if c.schema < schemaChain {
		return nil
	}
	c.head, err = headOf(context.Background(), c.reader, c.id)
	if errors.Is(err, sql.ErrNoRows) { // Verify tells what that means
		return nil
	}
	return err
}

// closeReader closes what OpenReader opened.
func (c *conns) closeReader() error {
	err := guard(c.reader.Close)
	if c.still != "" && hasLog(c.still) {
		return errors.Join(err, fmt.Errorf("a daemon began to write to %s while it was read; read it again", c.still))
	}
	return err
}

// hasLog reports whether a write-ahead log lies beside the file: somebody writes to it, or did when it was
// copied or its machine lost power.
func hasLog(path string) bool {
	_, err := os.Lstat(path + "-wal")
	return err == nil
}

func readerDSN(path string, still bool) string {
	q := url.Values{"mode": {"ro"}, "_pragma": {"busy_timeout(5000)", "cache_size(-1024)", "query_only(1)"}}
	if still {
		q.Set("immutable", "1")
	}
	u := url.URL{Scheme: "file", Path: path, RawQuery: q.Encode()}
	return u.String()
}

func explainRead(path string, err error) error {
	var e *sqlite.Error
	code := 0
	if errors.As(err, &e) {
		code = e.Code() & 0xff
	}
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return fmt.Errorf("there is no record at %s; name the file with --ledger, or the configuration that names it with --config", path)
	case errors.Is(err, fs.ErrPermission), code == sqlite3.SQLITE_CANTOPEN, code == sqlite3.SQLITE_READONLY, code == sqlite3.SQLITE_PERM:
		return fmt.Errorf("the record %s cannot be read: %w; read it as the daemon's user, or copy the file and its -wal into a folder of your own and name the copy", path, err)
	case errors.Is(err, errDamaged), damaged(err):
		return fmt.Errorf("the record %s cannot be read: %w; take another copy, or look for one that the daemon moved aside", path, err)
	}
	// What inspect says advises a daemon's ledger.path; whoever reads named a file.
	says := strings.NewReplacer("give ledger.path a file of its own", "name another file", "or change ledger.path", "or name another file").Replace(err.Error())
	return fmt.Errorf("the record %s cannot be read: %s", path, says)
}

// EventsWithin gives the recorded events that the walls place from from to to, both included, in order of
// Seq; a zero time is no bound. With kinds, only those. Labels of a boot whose clock was set later are put right.
func (l *Ledger) EventsWithin(ctx context.Context, from, to time.Time, kinds ...rules.EventKind) ([]rules.Event, error) {
	lo, hi := bounds(from, to)
	query, args := `SELECT `+l.event()+` FROM events WHERE wall >= ? AND wall <= ?`, []any{lo, hi}
	if len(kinds) > 0 {
		query += ` AND kind IN (?` + strings.Repeat(`, ?`, len(kinds)-1) + `)`
		for _, k := range kinds {
			args = append(args, string(k))
		}
	}
	events, err := decoded[rules.Event](ctx, l, "a recorded event", query+` ORDER BY seq`, args...)
	if err != nil {
		return nil, err
	}
	clocks, err := l.Clocks(ctx)
	if err != nil || len(clocks) == 0 {
		return events, err
	}
	return l.rightEvents(ctx, clocks, events, lo, hi, kinds)
}

// Span gives the walls of the first and the last recorded sweep, put right as EventsWithin does; zero when there
// is none.
func (l *Ledger) Span(ctx context.Context) (from, to time.Time, err error) {
	err = l.read(func(db *sql.DB) error {
		var lo, hi sql.NullInt64
		if err := db.QueryRowContext(ctx, `SELECT min(lo), max(hi) FROM blocks`).Scan(&lo, &hi); err != nil || !lo.Valid {
			return err
		}
		from, to = time.UnixMilli(lo.Int64).UTC(), time.UnixMilli(hi.Int64).UTC()
		return nil
	})
	if err != nil || from.IsZero() {
		return from, to, err
	}
	clocks, err := l.Clocks(ctx)
	if err != nil || len(clocks) == 0 {
		return from, to, err
	}
	var first, last *block
	err = l.read(func(db *sql.DB) (err error) {
		if first, err = nextBlock(ctx, db, `1 ORDER BY first`); err != nil {
			return err
		}
		last, err = nextBlock(ctx, db, `1 ORDER BY first DESC`)
		return err
	})
	if err != nil || first == nil || last == nil {
		return from, to, err
	}
	return clocks.Right(first.sweeps[0].At).Wall, clocks.Right(last.sweeps[len(last.sweeps)-1].At).Wall, nil
}

// SweepBefore gives the number of the last sweep of the blocks that end before a time: Inputs after it begins
// with the block that holds the time.
func (l *Ledger) SweepBefore(ctx context.Context, at time.Time) (sweep uint64, err error) {
	err = l.read(func(db *sql.DB) error {
		var first sql.NullInt64
		if err := db.QueryRowContext(ctx, `SELECT min(first) FROM blocks WHERE hi >= ?`, at.UnixMilli()).Scan(&first); err != nil {
			return err
		}
		if first.Valid {
			sweep = uint64(max(0, first.Int64-1))
			return nil
		}
		sweep, err = lastSweep(ctx, db)
		return err
	})
	if err != nil {
		return 0, err
	}
	clocks, err := l.Clocks(ctx)
	for _, known := range clocks.touching(at.UnixMilli(), math.MaxInt64) {
		firsts, err := l.doubted(ctx, known.At)
		if err != nil {
			return 0, err
		}
		for _, first := range firsts {
			sweep = min(sweep, uint64(max(0, first-1)))
		}
	}
	return sweep, err
}

// MarksOf gives all recorded marks of a kind, oldest first.
func (l *Ledger) MarksOf(ctx context.Context, kind rules.MarkKind) ([]rules.Mark, error) {
	return decoded[rules.Mark](ctx, l, "a mark of the kind "+string(kind),
		`SELECT mark FROM marks WHERE json_extract(mark, '$.mark') = ? ORDER BY sweep, n`, string(kind))
}

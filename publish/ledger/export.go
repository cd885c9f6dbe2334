package ledger

import (
	"context"
	"database/sql"
	"encoding/json"
	"fmt"
	"io"
	"iter"
	"math"
	"slices"
	"time"

	"holdbell/sensor/recording"
)

// Export writes the recorded sweeps from from to to, both included, as a recording: a column a probe in
// °C. A zero from or to is no bound. Where the probes changed within the span, every one has its column,
// and reads as stale while it was not there. A recording's rows go forward in time; skipped counts the
// sweeps that were left out because the wall clock had stepped back before them. Labels of a boot whose clock was
// set later are put right. A remark stands before and after the rows of a span that was thinned.
func (l *Ledger) Export(w io.Writer, from, to time.Time) (skipped int, err error) {
	lo, hi := bounds(from, to)
	columns, err := l.columns(lo, hi)
	if err != nil {
		return 0, err
	}
	if len(columns) == 0 {
		return 0, fmt.Errorf("%s: nothing is recorded from %s to %s", l.path, bound(from, "the beginning"), bound(to, "now"))
	}
	out, err := recording.NewWriter(w, columns, false)
	if err != nil {
		return 0, err
	}
	clocks, err := l.Clocks(context.Background())
	if err != nil {
		return 0, err
	}
	var newest time.Time
	var done uint64
	thin := false
	for b, err := range l.blocks(lo, hi) {
		if err != nil {
			return skipped, err
		}
		place := placing(b.layout, columns)
		if now := b.offsets != nil; now != thin {
			thin = now
			if err := out.Remark(remark(thin)); err != nil {
				return skipped, err
			}
		}
		for i, s := range b.sweeps {
			if b.number(i) <= done {
				continue
			}
			done = b.number(i)
			s.At = clocks.Right(s.At)
			if !from.IsZero() && s.At.Wall.Before(from) || !to.IsZero() && s.At.Wall.After(to) {
				continue
			}
			if !newest.IsZero() && !s.At.Wall.After(newest) {
				skipped++
				continue
			}
			newest = s.At.Wall
			if err := out.Write(arrange(s, place)); err != nil {
				return skipped, err
			}
		}
	}
	return skipped, out.Flush()
}

// remark says in a recording what the rows after it are.
func remark(thin bool) string {
	if thin {
		return "thinned: of ten seconds at most the rows hold the lowest, the mean and the highest reading of each probe, the extremes in the order in which they came"
	}
	return "every reading"
}

// bounds gives a span as milliseconds of the wall.
func bounds(from, to time.Time) (lo, hi int64) {
	lo, hi = math.MinInt64, math.MaxInt64
	if !from.IsZero() {
		lo = from.UnixMilli()
	}
	if !to.IsZero() {
		hi = to.UnixMilli()
	}
	return lo, hi
}

func bound(t time.Time, open string) string {
	if t.IsZero() {
		return open
	}
	return t.Format(time.RFC3339)
}

// columns gives the names of all probes of a span, in the order in which they first appear.
func (l *Ledger) columns(lo, hi int64) (names []string, err error) {
	err = l.read(func(db *sql.DB) error {
		rows, err := db.Query(`SELECT probes FROM blocks JOIN layouts ON layouts.id = layout
			WHERE hi >= ? AND lo <= ? GROUP BY layout ORDER BY min(first)`, lo, hi)
		if err != nil {
			return err
		}
		defer rows.Close()
		for rows.Next() {
			var text []byte
			var layout []string
			if err := rows.Scan(&text); err != nil {
				return err
			}
			if err := json.Unmarshal(text, &layout); err != nil {
				return fmt.Errorf("%w: the names of its probes: %w", errBlock, err)
			}
			for _, name := range layout {
				if !slices.Contains(names, name) {
					names = append(names, name)
				}
			}
		}
		return rows.Err()
	})
	return names, err
}

// blocks gives the blocks that touch a span, in the order in which they were recorded. Each is read by
// itself, so that no reader, however slow, keeps the write-ahead log from shrinking. A block that is thinned
// meanwhile may come again with what was read of it already. An error ends the sequence.
func (l *Ledger) blocks(lo, hi int64) iter.Seq2[*block, error] {
	return func(yield func(*block, error) bool) {
		firsts, err := l.rightFirsts(lo, hi)
		if err != nil {
			yield(nil, err)
			return
		}
		after := uint64(0)
		for _, first := range firsts {
			if uint64(first) <= after {
				continue // thinned meanwhile into one that was read
			}
			var b *block
			err := l.read(func(db *sql.DB) (err error) {
				b, err = nextBlock(context.Background(), db, afterSweep+` ORDER BY first`, first-1)
				return err
			})
			if b == nil && err == nil || !yield(b, err) || err != nil {
				return
			}
			after = b.last()
		}
	}
}

// rightFirsts is firsts with the blocks whose labels, put right, may touch the span.
func (l *Ledger) rightFirsts(lo, hi int64) ([]int64, error) {
	firsts, err := l.firsts(lo, hi)
	if err != nil {
		return nil, err
	}
	clocks, err := l.Clocks(context.Background())
	if err != nil {
		return nil, err
	}
	for _, known := range clocks.touching(lo, hi) {
		more, err := l.doubted(context.Background(), known.At)
		if err != nil {
			return nil, err
		}
		firsts = append(firsts, more...)
	}
	slices.Sort(firsts)
	return slices.Compact(firsts), nil
}

func (l *Ledger) firsts(lo, hi int64) (firsts []int64, err error) {
	err = l.read(func(db *sql.DB) error {
		rows, err := db.Query(`SELECT first FROM blocks WHERE hi >= ? AND lo <= ? ORDER BY first`, lo, hi)
		if err != nil {
			return err
		}
		defer rows.Close()
		for rows.Next() {
			var first int64
			if err := rows.Scan(&first); err != nil {
				return err
			}
			firsts = append(firsts, first)
		}
		return rows.Err()
	})
	return firsts, err
}

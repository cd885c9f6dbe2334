package ledger

import (
	"cmp"
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"time"

	"holdbell/rules"
	"holdbell/sensor"
)

// Clocks are the moments from which a boot's wall clock was known to be right, oldest first. By them a reader
// puts earlier labels of the same boot right: a board without a clock chip starts in the past and jumps. What is
// recorded stays as it is.
type Clocks []rules.Event

// Clocks reads them; most ledgers have none.
func (l *Ledger) Clocks(ctx context.Context) (Clocks, error) {
	all, err := decoded[rules.Event](ctx, l, "an event of the clock", `SELECT event FROM events WHERE kind = ? ORDER BY seq`, string(rules.ClockSet))
	return slices.DeleteFunc(all, func(ev rules.Event) bool { return !ev.At.Believed }), err
}

// Right gives i with its label put right, where a later moment of its boot tells how.
func (c Clocks) Right(i sensor.Instant) sensor.Instant {
	for k := range c {
		if at := c[k].At; !i.Believed && at.Boot == i.Boot && at.Mono >= i.Mono {
			return i.Rebase(at)
		}
	}
	return i
}

// RightEvent puts the labels of ev right.
func (c Clocks) RightEvent(ev rules.Event) rules.Event {
	ev.At, ev.Since = c.Right(ev.At), c.Right(ev.Since)
	return ev
}

// RightInput puts the labels of in right; in itself stays as it was recorded.
func (c Clocks) RightInput(in rules.Input) rules.Input {
	if len(c) == 0 {
		return in
	}
	in.Sweep.At = c.Right(in.Sweep.At)
	in.Marks, in.Notices = slices.Clone(in.Marks), slices.Clone(in.Notices)
	for i := range in.Marks {
		in.Marks[i].At = c.Right(in.Marks[i].At)
	}
	for i := range in.Notices {
		in.Notices[i].At = c.Right(in.Notices[i].At)
	}
	return in
}

// touching gives those by which labels of a span are put right: each speaks for its boot up to itself.
func (c Clocks) touching(lo, hi int64) (some Clocks) {
	for _, ev := range c {
		if to := ev.At.Wall.UnixMilli(); to >= lo && ev.At.Wall.Add(-ev.At.Mono).UnixMilli() <= hi {
			some = append(some, ev)
		}
	}
	return some
}

// within reports whether a label lies in a span of milliseconds.
func within(at time.Time, lo, hi int64) bool { t := at.UnixMilli(); return t >= lo && t <= hi }

// rightEvents makes events, which were found by their labels as recorded, those of the span by their labels put
// right.
func (l *Ledger) rightEvents(ctx context.Context, c Clocks, events []rules.Event, lo, hi int64, kinds []rules.EventKind) ([]rules.Event, error) {
	for i := range events {
		events[i] = c.RightEvent(events[i])
	}
	events = slices.DeleteFunc(events, func(ev rules.Event) bool { return !within(ev.At.Wall, lo, hi) })
	for _, known := range c.touching(lo, hi) {
		err := l.backwards(ctx, known, func(ev rules.Event) {
			right := c.RightEvent(ev)
			if !ev.At.Believed && right.At.Believed && !within(ev.At.Wall, lo, hi) && within(right.At.Wall, lo, hi) &&
				(len(kinds) == 0 || slices.Contains(kinds, ev.Kind)) {
				events = append(events, right)
			}
		})
		if err != nil {
			return nil, err
		}
	}
	slices.SortFunc(events, func(a, b rules.Event) int { return cmp.Compare(a.Seq, b.Seq) })
	return slices.CompactFunc(events, func(a, b rules.Event) bool { return a.Seq == b.Seq }), nil
}

// backwards visits the events before known, newest first, as long as they are of its boot.
func (l *Ledger) backwards(ctx context.Context, known rules.Event, visit func(rules.Event)) error {
	return l.read(func(db *sql.DB) error {
		rows, err := db.QueryContext(ctx, `SELECT event FROM events WHERE seq < ? ORDER BY seq DESC`, clampInt(known.Seq))
		if err != nil {
			return err
		}
		defer rows.Close()
		for rows.Next() {
			var text []byte
			var ev rules.Event
			if err := rows.Scan(&text); err != nil {
				return err
			}
			if err := json.Unmarshal(text, &ev); err != nil {
				return fmt.Errorf("an event before %d: %w", known.Seq, err)
			}
			if ev.At.Boot != known.At.Boot {
				return nil
			}
			visit(ev)
		}
		return rows.Err()
	})
}

// doubted gives the first sweeps of the blocks, newest first, that hold labels which known puts right.
func (l *Ledger) doubted(ctx context.Context, known sensor.Instant) (firsts []int64, err error) {
	err = l.read(func(db *sql.DB) error {
		rows, err := db.QueryContext(ctx, `SELECT first FROM blocks WHERE lo <= ?1 AND hi >= ?1`, known.Wall.UnixMilli())
		if err != nil {
			return err
		}
		var all []int64
		for rows.Next() {
			var first int64
			if err := rows.Scan(&first); err != nil {
				return errors.Join(err, rows.Close())
			}
			all = append(all, first)
		}
		if err := errors.Join(rows.Err(), rows.Close()); err != nil {
			return err
		}
		for _, first := range all {
			b, err := nextBlock(ctx, db, `first = ?`, first)
			if err != nil {
				return err
			}
			if b == nil || !slices.ContainsFunc(b.sweeps, func(s sensor.Sweep) bool { return s.At.Boot == known.Boot && s.At.Mono == known.Mono }) {
				continue
			}
			for b != nil && slices.ContainsFunc(b.sweeps, func(s sensor.Sweep) bool { return s.At.Boot == known.Boot }) {
				firsts = append(firsts, int64(b.first))
				if b, err = nextBlock(ctx, db, `first < ? ORDER BY first DESC`, int64(b.first)); err != nil {
					return err
				}
			}
			return nil
		}
		return nil
	})
	return firsts, err
}

package ledger

import (
	"context"
	"database/sql"
	"encoding/json"
	"fmt"
	"strings"
	"time"

	"holdbell/sensor"
)

// readAtOnce is how many blocks one query reads: few enough that no reader keeps the write-ahead log from
// shrinking for long, many enough that a day is read in a moment.
const readAtOnce = 60

// Readings gives the recorded sweeps that the walls place from from to to, both included, in the order in
// which they were recorded, with the names of their probes. Labels of a boot whose clock was set later are put
// right. A span that was thinned gives the sweeps that Inputs gives of it. visit returns false to end it. A sweep is valid during the call only.
func (l *Ledger) Readings(ctx context.Context, from, to time.Time, visit func(probes []string, s *sensor.Sweep) bool) error {
	lo, hi := bounds(from, to)
	firsts, err := l.rightFirsts(lo, hi)
	if err != nil {
		return err
	}
	clocks, err := l.Clocks(ctx)
	if err != nil {
		return err
	}
	for len(firsts) > 0 {
		n := min(readAtOnce, len(firsts))
		blocks, err := l.numbered(ctx, firsts[:n])
		if err != nil {
			return err
		}
		firsts = firsts[n:]
		for _, b := range blocks {
			for i := range b.sweeps {
				s := &b.sweeps[i]
				s.At = clocks.Right(s.At)
				if !from.IsZero() && s.At.Wall.Before(from) || !to.IsZero() && s.At.Wall.After(to) {
					continue
				}
				if !visit(b.layout, s) {
					return nil
				}
			}
		}
	}
	return nil
}

// Stretch is what one block of the record holds of the sweeps after some number.
type Stretch struct {
	Probes  []string
	Sweeps  []sensor.Sweep // in the order of their numbers, labels put right where a later one of their boot tells how
	Numbers []uint64       // of Sweeps
	Last    uint64         // what comes next is the Stretch after this number
}

// Stretch gives the oldest recorded sweeps after the one numbered after, those of one block; nil at the end of what
// is recorded. A span that was thinned gives the sweeps that Inputs gives of it.
func (l *Ledger) Stretch(ctx context.Context, after uint64) (*Stretch, error) {
	var b *block
	err := l.read(func(db *sql.DB) (err error) {
		b, err = nextBlock(ctx, db, afterSweep+` ORDER BY first`, clampInt(after))
		return err
	})
	if err != nil || b == nil {
		return nil, err
	}
	s := &Stretch{Probes: b.layout, Last: b.last()}
	doubted := false
	for i := range b.sweeps {
		if n := b.number(i); n > after {
			s.Sweeps, s.Numbers = append(s.Sweeps, b.sweeps[i]), append(s.Numbers, n)
			doubted = doubted || !b.sweeps[i].At.Believed
		}
	}
	if doubted { // most ledgers have no such sweep: they need not look for the clock's events
		clocks, err := l.Clocks(ctx)
		if err != nil {
			return nil, err
		}
		for i := range s.Sweeps {
			s.Sweeps[i].At = clocks.Right(s.Sweeps[i].At)
		}
	}
	return s, nil
}

// numbered gives the blocks with these numbers, in order. A layout is read once, for it stays the same for
// months.
func (l *Ledger) numbered(ctx context.Context, firsts []int64) (blocks []*block, err error) {
	layouts := map[string][]string{}
	numbers := make([]any, len(firsts))
	for i, first := range firsts {
		numbers[i] = first
	}
	err = l.read(func(db *sql.DB) error {
		rows, err := db.QueryContext(ctx, `SELECT first, count, probes, data FROM blocks JOIN layouts ON layouts.id = layout
			WHERE first IN (?`+strings.Repeat(`, ?`, len(firsts)-1)+`) ORDER BY first`, numbers...)
		if err != nil {
			return err
		}
		defer rows.Close()
		for rows.Next() {
			var b block
			var layout, data sql.RawBytes
			if err := rows.Scan(&b.first, &b.count, &layout, &data); err != nil {
				return err
			}
			known, ok := layouts[string(layout)]
			if !ok {
				if err := json.Unmarshal(layout, &known); err != nil {
					return fmt.Errorf("sweep %d: %w: its layout: %w", b.first, errBlock, err)
				}
				layouts[string(layout)] = known
			}
			b.layout = known
			if err := b.fill(data); err != nil {
				return err
			}
			blocks = append(blocks, &b)
		}
		return rows.Err()
	})
	return blocks, err
}

// fill decodes the sweeps of a block whose number, count and layout are known.
func (b *block) fill(data []byte) (err error) {
	count := 0
	if len(data) > 0 && data[0] == thinFormat {
		b.sweeps, b.offsets, count, err = unthin(data)
	} else {
		b.sweeps, err = decodeBlock(data)
		count = len(b.sweeps)
	}
	if err != nil {
		return fmt.Errorf("sweep %d: %w", b.first, err)
	}
	if uint64(count) != b.count || count == 0 || len(b.sweeps[0].Readings) != len(b.layout) {
		return fmt.Errorf("sweep %d: %w", b.first, errBlock)
	}
	return nil
}

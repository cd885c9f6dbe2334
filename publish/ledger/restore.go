package ledger

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"iter"
	"slices"

	"holdbell/rules"
	"holdbell/sensor"
)

// Restored is where the record ends: what a restart goes on from.
type Restored struct {
	Ledger    string         // the id of the ledger that this is from; empty when there is none
	Snapshot  []byte         // nil when none was taken yet
	Sweep     uint64         // the sweep that Snapshot was taken after
	LastSeq   uint64         // of the newest event, 0 for none
	LastSweep uint64         // the newest recorded sweep, 0 for none
	Newest    sensor.Instant // of that sweep
}

// Restore gives the newest snapshot and where the record ends. What was recorded after the snapshot is
// had from Inputs.
func (l *Ledger) Restore() (*Restored, error) {
	var r *Restored
	err := l.read(func(db *sql.DB) (err error) {
		r, err = restored(context.Background(), db)
		return err
	})
	if err != nil {
		return nil, err
	}
	return r, nil
}

func restored(ctx context.Context, db *sql.DB) (*Restored, error) {
	r := new(Restored)
	var packed []byte
	err := db.QueryRowContext(ctx, `SELECT value, sweep, data FROM meta, snapshot WHERE key = 'id'`).Scan(&r.Ledger, &r.Sweep, &packed)
	if err != nil {
		return nil, err
	}
	if len(packed) > 0 {
		if r.Snapshot, err = unpack(packed); err != nil {
			return nil, err
		}
	}
	if r.LastSeq, err = lastSeq(ctx, db); err != nil {
		return nil, err
	}
	if r.LastSweep, err = lastSweep(ctx, db); err != nil {
		return nil, err
	}
	b, err := nextBlock(ctx, db, `first <= ? ORDER BY first DESC`, clampInt(r.LastSweep))
	if err != nil || b == nil {
		return r, err
	}
	r.Newest = b.sweeps[len(b.sweeps)-1].At
	return r, nil
}

// block is one row of the table, decoded.
type block struct {
	first, count uint64
	layout       []string
	sweeps       []sensor.Sweep
	offsets      []int // of a thinned one: from first to each of the sweeps; nil: it holds every sweep
}

func (b *block) last() uint64 { return b.first + b.count - 1 }

// number is the number of the i-th of the sweeps.
func (b *block) number(i int) uint64 {
	if b.offsets != nil {
		i = b.offsets[i]
	}
	return b.first + uint64(i)
}

// holder is the number of the first of the sweeps that is n or later.
func (b *block) holder(n uint64) uint64 {
	if n <= b.first {
		return b.first
	}
	if b.offsets == nil {
		return n
	}
	i, _ := slices.BinarySearch(b.offsets, int(n-b.first))
	return b.number(min(i, len(b.offsets)-1))
}

// nextBlock gives the first block that fits where; nil when there is none. Each is a query of its own, so
// that no reader, however slow, keeps the write-ahead log from shrinking.
func nextBlock(ctx context.Context, db *sql.DB, where string, args ...any) (*block, error) {
	var b block
	var layout, data []byte
	err := db.QueryRowContext(ctx, `SELECT first, count, probes, data FROM blocks JOIN layouts ON layouts.id = layout
		WHERE `+where+` LIMIT 1`, args...).Scan(&b.first, &b.count, &layout, &data)
	if errors.Is(err, sql.ErrNoRows) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	if err := json.Unmarshal(layout, &b.layout); err != nil {
		return nil, fmt.Errorf("sweep %d: %w: its layout: %w", b.first, errBlock, err)
	}
	if err := b.fill(data); err != nil {
		return nil, err
	}
	return &b, nil
}

// afterSweep finds the blocks with sweeps after ?1. One block may begin before: a restart's own, or one that
// was thinned while it was read.
const afterSweep = `first + count > ?1 + 1 AND first >= coalesce((SELECT max(first) FROM blocks WHERE first <= ?1 + 1), 0)`

// Inputs gives what was recorded after the sweep numbered after, in order: each sweep with the marks and
// notices that entered with it. Readings stand in the order of layout; a probe that a sweep did not have
// reads as stale. A nil layout gives them as recorded. A span that was thinned gives three sweeps for each
// of its rows, or as many as the row stands for: the extremes of each probe in the order in which they came,
// and the mean between. An error ends the sequence.
func (l *Ledger) Inputs(after uint64, layout []string) iter.Seq2[rules.Input, error] {
	return func(yield func(rules.Input, error) bool) {
		ctx := context.Background()
		for {
			var b *block
			var told map[uint64]*rules.Input
			err := l.read(func(db *sql.DB) (err error) {
				b, err = nextBlock(ctx, db, afterSweep+` ORDER BY first`, clampInt(after))
				if err != nil || b == nil {
					return err
				}
				told, err = toldBetween(ctx, db, after, b)
				return err
			})
			if err != nil {
				yield(rules.Input{}, err)
				return
			}
			if b == nil {
				return
			}
			place := placing(b.layout, layout)
			for i, s := range b.sweeps {
				number := b.number(i)
				if number <= after {
					continue
				}
				in := rules.Input{}
				if t := told[number]; t != nil {
					in = *t
				}
				in.Sweep = arrange(s, place)
				if !yield(in, nil) {
					return
				}
			}
			after = b.last()
		}
	}
}

// toldBetween gives the marks and notices of the sweeps after one, up to the end of b, by sweep. Those of
// a sweep whose readings were lost enter with the first that is there.
func toldBetween(ctx context.Context, db *sql.DB, after uint64, b *block) (map[uint64]*rules.Input, error) {
	told := map[uint64]*rules.Input{}
	entry := func(sweep uint64) *rules.Input {
		sweep = b.holder(sweep)
		if told[sweep] == nil {
			told[sweep] = new(rules.Input)
		}
		return told[sweep]
	}
	err := eachTold(ctx, db, `SELECT sweep, mark FROM marks`, after, b.last(), func(sweep uint64, text []byte) error {
		in := entry(sweep)
		in.Marks = append(in.Marks, rules.Mark{})
		return json.Unmarshal(text, &in.Marks[len(in.Marks)-1])
	})
	if err != nil {
		return nil, err
	}
	err = eachTold(ctx, db, `SELECT sweep, notice FROM notices`, after, b.last(), func(sweep uint64, text []byte) error {
		in := entry(sweep)
		in.Notices = append(in.Notices, rules.Notice{})
		return json.Unmarshal(text, &in.Notices[len(in.Notices)-1])
	})
	return told, err
}

func eachTold(ctx context.Context, db *sql.DB, query string, after, last uint64, f func(uint64, []byte) error) error {
	rows, err := db.QueryContext(ctx, query+` WHERE sweep > ? AND sweep <= ? ORDER BY sweep, n`, clampInt(after), clampInt(last))
	if err != nil {
		return err
	}
	defer rows.Close()
	for rows.Next() {
		var sweep uint64
		var text []byte
		if err := rows.Scan(&sweep, &text); err != nil {
			return err
		}
		if err := f(sweep, text); err != nil {
			return fmt.Errorf("what was told at sweep %d: %w", sweep, err)
		}
	}
	return rows.Err()
}

// placing gives for each probe of want where have has it, -1 for nowhere; nil when nothing moves.
func placing(have, want []string) []int {
	if want == nil || slices.Equal(have, want) {
		return nil
	}
	place := make([]int, len(want))
	for i, name := range want {
		place[i] = slices.Index(have, name)
	}
	return place
}

func arrange(s sensor.Sweep, place []int) sensor.Sweep {
	if place == nil {
		return s
	}
	out := sensor.Sweep{At: s.At, Readings: make([]sensor.Reading, len(place))}
	for i, j := range place {
		out.Readings[i] = sensor.Bad(sensor.Stale)
		if j >= 0 {
			out.Readings[i] = s.Readings[j]
		}
	}
	return out
}

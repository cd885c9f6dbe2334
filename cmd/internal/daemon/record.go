package daemon

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"time"

	"holdbell/publish"
	"holdbell/publish/ledger"
	"holdbell/publish/metrics"
	"holdbell/publish/mqtt"
	"holdbell/rules"
	"holdbell/sensor"
)

// record is the ledger, and what a start goes on from.
type record struct {
	path   string
	copy   string // the copy of the rules' memory apart from it; empty for none
	keep   ledger.Keep
	log    *slog.Logger
	ledger *ledger.Ledger
	from   ledger.Restored
	writer *ledger.Writer // nil before start
	tail   *publish.Tail
	old    []rules.Event // the newest events of before the start, for the page

	engine *rules.Engine
	carry  []rules.Event  // decided from the record just now, and not recorded yet
	newest sensor.Instant // of the last sweep that the engine has seen; zero in a new record
}

// shownEvents is how many events of before the start the page shows.
const shownEvents = 60

// openRecord opens the ledger at path and brings an engine to where the record ends: the snapshot, then
// what was recorded after it. A ledger that cannot be opened is said once; the engine goes on from the
// copy apart from it, and the writer goes on trying. Only a setup that contradicts the memory is an error.
//
// A fleeting record has no copy, and waits for no disk.
func openRecord(path string, fleeting bool, keep ledger.Keep, setup rules.Setup, probes []string, log *slog.Logger) (*record, error) {
	r := &record{path: path, copy: ledger.CopyPath(path), keep: keep, log: log}
	if fleeting {
		r.copy = ""
	}
	r.ledger = ledger.New(path, ledger.Options{CopyPath: r.copy, Fleeting: fleeting})
	if err := r.ledger.Reopen(); err != nil {
		log.Error("the record cannot be opened; the watch goes on, without it where it must, and tries again", "err", err)
	}
	from, err := ledger.Resume(r.ledger, r.copy)
	if aside := r.ledger.Moved(); aside != "" {
		log.Error("the record was damaged and lies aside; a new one is begun", "aside", aside)
	}
	switch {
	case from == nil:
		log.Error("the record does not say where it ends; the watch begins anew", "err", err)
		from = new(ledger.Restored)
	case err != nil && !errors.Is(err, ledger.ErrNoCopy):
		log.Warn("the record, or the copy of the rules' memory beside it, cannot be read; the watch goes on from the other", "err", err)
	}
	r.from = *from
	if r.engine, err = revive(setup, from.Snapshot, log); err != nil {
		return nil, errors.Join(err, r.ledger.Close())
	}
	r.catchUp(probes)
	st := r.engine.State()
	r.newest = st.At
	begin := st.Seq - uint64(len(r.carry))
	r.tail = publish.NewTail(0, begin, r.ledger)
	r.old = r.before(begin)
	return r, nil
}

// revive makes an engine of a snapshot, or a new one without. A snapshot that is no snapshot must not end
// the watch; one that the setup contradicts has to be told to whoever wrote the setup.
func revive(setup rules.Setup, snapshot []byte, log *slog.Logger) (*rules.Engine, error) {
	if len(snapshot) > 0 && !json.Valid(snapshot) {
		log.Error("the rules' memory in the record cannot be read; the watch begins anew")
		snapshot = nil
	}
	if len(snapshot) == 0 {
		return rules.New(setup)
	}
	return rules.Restore(setup, snapshot)
}

// catchUp feeds what was recorded after the snapshot. An event that is decided once more is in the record
// already; a later one is new.
func (r *record) catchUp(probes []string) {
	for in, err := range r.ledger.Inputs(r.from.Sweep, probes) {
		if errors.Is(err, ledger.ErrNotOpen) {
			return
		}
		if err != nil {
			r.log.Error("a part of the record cannot be read; the time counts as unknown", "err", err)
			return
		}
		for _, ev := range r.engine.Step(in) {
			if ev.Seq > r.from.LastSeq {
				r.carry = append(r.carry, ev)
			}
		}
	}
}

// before reads the newest events up to begin.
func (r *record) before(begin uint64) []rules.Event {
	ctx, cancel := context.WithTimeout(context.Background(), 2*time.Second)
	defer cancel()
	events, err := r.ledger.Events(ctx, begin-min(begin, shownEvents), shownEvents)
	if err != nil && !errors.Is(err, ledger.ErrNotOpen) {
		r.log.Warn("earlier events cannot be read; the page begins without them", "err", err)
	}
	return events
}

// start sets the writer to work.
func (r *record) start() {
	r.writer = ledger.NewWriter(r.ledger, ledger.WriterOptions{
		Resumed: r.from, CopyPath: r.copy, Told: r.tail.Add, Keep: r.keep, Log: r.log,
	})
}

// newestSweep is the number of the newest sweep, recorded or about to be.
func (r *record) newestSweep() uint64 { return r.writer.Newest() }

// figures are the record's for a scrape; they wait for no disk.
func (r *record) figures() metrics.Record {
	if r.writer == nil {
		return metrics.Record{}
	}
	u := r.writer.Usage()
	return metrics.Record{Bytes: u.Bytes, Free: u.Free, ThinnedUntil: u.ThinnedUntil, Dropped: r.writer.Dropped().Sweeps}
}

// end writes what waits, with the engine's memory, and closes the ledger.
func (r *record) end(snapshot func() ([]byte, error)) error {
	ctx, cancel := context.WithTimeout(context.Background(), lastWords)
	defer cancel()
	if err := r.writer.Close(ctx, snapshot); err != nil {
		return fmt.Errorf("the last readings are not recorded: %w", err)
	}
	return nil
}

// head is the newest link of the record's chain, from memory alone.
func (r *record) head() mqtt.Head {
	h := r.ledger.Head()
	return mqtt.Head{Ledger: h.Ledger, Links: h.Links, Hash: h.Hash.String()}
}

// recent gives the newest events, from memory alone.
func (r *record) recent() []rules.Event {
	later, _ := r.tail.Skip(r.tail.Begin(), maxRecent)
	all := append(append([]rules.Event(nil), r.old...), later...)
	return all[max(0, len(all)-shownEvents):]
}

// maxRecent is more than the tail holds.
const maxRecent = 1 << 16

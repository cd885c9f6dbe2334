package daemon

import (
	"context"
	"errors"
	"io"
	"log/slog"
	"sync/atomic"
	"time"

	"holdbell/rules"
	"holdbell/sensor"
)

// recorder is the record as the loop sees it. No method waits for a disk.
type recorder interface {
	// Add takes one input and what came of it; both are copied. durable is called once they are on the
	// disk, from any goroutine, and may be nil.
	Add(in rules.Input, events []rules.Event, durable func())
	// Trouble is why nothing can be written at present, nil while all is well.
	Trouble() error
}

// loop is the one loop: a sweep and the marks since the last one go through the rules, and out again.
type loop struct {
	source  sensor.Source
	engine  *rules.Engine
	desk    *desk
	record  recorder
	release *release
	show    func(*rules.State)  // to every publisher; none of them blocks
	took    func(time.Duration) // how long a sweep took from its reading to here
	alive   func()              // one round is done
	script  func(sensor.Instant) []rules.Mark
	log     *slog.Logger
	state   *atomic.Pointer[rules.State]

	held     []*order // marks for this sweep, or a later one
	marks    []rules.Mark
	notices  []rules.Notice
	heard    bool // the record was asked before
	troubled bool
}

// errReload ends a loop that shall go on with another configuration.
var errReload = errors.New("a new configuration")

// run goes round until ctx ends, the source does, or a reload is due. Only a source that fails is an error.
func (l *loop) run(ctx context.Context, reload <-chan struct{}) error {
	for {
		sweep, err := l.source.Next(ctx)
		switch {
		case errors.Is(err, io.EOF), ctx.Err() != nil:
			return nil
		case err != nil:
			return err
		}
		l.step(sweep)
		select {
		case <-reload:
			return errReload
		default:
		}
	}
}

// step is one round. Nothing in it waits.
func (l *loop) step(sweep sensor.Sweep) {
	begun := time.Now()
	orders := l.due(sweep.At)
	l.marks = l.marks[:0]
	if l.script != nil {
		l.marks = append(l.marks, l.script(sweep.At)...)
	}
	for _, o := range orders {
		l.marks = append(l.marks, o.mark)
	}
	in := rules.Input{Sweep: sweep, Marks: l.marks, Notices: l.listen(sweep.At)}
	events := l.engine.Step(in)
	settle(orders, events)
	told := l.release.add(events)
	durable := told
	if len(orders) > 0 {
		durable = func() {
			told()
			for _, o := range orders {
				o.done()
			}
		}
	}
	l.record.Add(in, events, durable)
	st := l.engine.State()
	l.state.Store(st)
	l.show(st)
	l.took(time.Since(begun))
	l.alive()
}

// due takes the marks that arrived up to the sweep. One that arrived while the probes were being read is
// later than the sweep's instant and enters with the next: so the record, fed again, tells the same.
func (l *loop) due(at sensor.Instant) []*order {
	l.held = l.desk.collect(l.held)
	if len(l.held) == 0 {
		return nil
	}
	var due, later []*order
	for _, o := range l.held {
		if d, known := o.mark.At.Sub(at); known && d > 0 {
			later = append(later, o)
		} else {
			due = append(due, o)
		}
	}
	l.held = later
	return due
}

// listen asks the record how it is, and makes a notice of a change. The first answer is always one: the
// rules may remember trouble from before a restart.
func (l *loop) listen(at sensor.Instant) []rules.Notice {
	l.notices = l.notices[:0]
	err := l.record.Trouble()
	if l.heard && (err != nil) == l.troubled {
		return nil
	}
	first := !l.heard
	l.heard, l.troubled = true, err != nil
	switch {
	case err != nil:
		l.log.Error("the record cannot be written; the watch goes on without it", "err", err)
		l.notices = append(l.notices, rules.Notice{At: at, Kind: rules.LedgerTrouble, Text: err.Error()})
	case first:
		l.notices = append(l.notices, rules.Notice{At: at, Kind: rules.LedgerFine})
	default:
		l.log.Info("the record can be written again")
		l.notices = append(l.notices, rules.Notice{At: at, Kind: rules.LedgerFine})
	}
	return l.notices
}

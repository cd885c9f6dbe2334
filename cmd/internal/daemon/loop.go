package daemon

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"slices"
	"sync/atomic"
	"time"

	"holdbell/publish/ledger"
	"holdbell/publish/remotewrite"
	"holdbell/rules"
	"holdbell/sensor"
)

// recorder is the record as the loop sees it: a ledger.Writer. No method waits for a disk.
type recorder interface {
	Add(ledger.Entry)
	Trouble() error
}

// loop is the one loop: a sweep and the marks since the last one go through the rules, and out again.
type loop struct {
	source  sensor.Source
	engine  *rules.Engine
	desk    *desk
	record  recorder
	probes  []string                          // names, in the order of the readings
	show    func(*rules.State)                // to every publisher; none of them blocks
	took    func(time.Duration)               // how long a sweep took from its reading to here
	alive   func(*rules.State)                // one round is done
	between func()                            // before the next round: a new configuration may be taken up
	script  func(sensor.Instant) []rules.Mark // a story's own marks up to an instant; nil without a story
	log     *slog.Logger
	state   *atomic.Pointer[rules.State]

	recent   *remotewrite.Recent // hears of each sweep as it is recorded
	supplies []*supply           // what the kernel says of the board's power

	carry    []rules.Event // decided from the record at the start, and not recorded yet
	last     sensor.Instant
	held     []*order // marks for this sweep, or a later one
	marks    []rules.Mark
	notices  []rules.Notice
	heard    bool // the record was asked before
	troubled bool
}

// run goes round until ctx ends or the source does. Only a source that fails is an error.
func (l *loop) run(ctx context.Context) error {
	for {
		sweep, err := l.source.Next(ctx)
		switch {
		case errors.Is(err, io.EOF), ctx.Err() != nil:
			return nil
		case err != nil:
			return fmt.Errorf("the sweeps have stopped: %w", err)
		}
		l.step(sweep)
		l.between()
	}
}

// step is one round. Nothing in it waits.
func (l *loop) step(sweep sensor.Sweep) {
	begun := time.Now()
	orders := l.due(sweep.At)
	l.marks = l.marks[:0]
	for _, o := range orders {
		l.marks = append(l.marks, o.mark)
	}
	if l.script != nil {
		l.marks = append(l.marks, l.script(sweep.At)...)
		slices.SortStableFunc(l.marks, func(a, b rules.Mark) int {
			d, _ := a.At.Sub(b.At)
			return cmp.Compare(d, 0)
		})
	}
	in := rules.Input{Sweep: sweep, Marks: l.marks, Notices: l.listen(sweep.At)}
	events := l.engine.Step(in)
	l.last = sweep.At
	settle(orders, events)
	if len(l.carry) > 0 {
		events, l.carry = append(l.carry, events...), nil
	}
	l.record.Add(ledger.Entry{
		Probes: l.probes, Input: in, Events: events, Alarmed: l.engine.Alarmed(),
		Snapshot: l.engine.Snapshot, Durable: answering(orders),
	})
	l.recent.Add(l.probes, sweep)
	st := l.engine.State()
	l.state.Store(st)
	l.show(st)
	l.took(time.Since(begun))
	l.alive(st)
}

// answering is what to do once orders are durable.
func answering(orders []*order) func() {
	if len(orders) == 0 {
		return nil
	}
	return func() {
		for _, o := range orders {
			o.done()
		}
	}
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
		// A clock of milliseconds can stamp a mark alike with the sweep that has just been judged without it.
		if d, known := o.mark.At.Sub(l.last); known && d <= 0 {
			o.mark.At = l.last.Add(tick)
		}
		if d, known := o.mark.At.Sub(at); known && d > 0 {
			later = append(later, o)
		} else {
			due = append(due, o)
		}
	}
	l.held = later
	return due
}

// listen asks the record and the supply how they are, and makes a notice of a change. The first answer is always one: the
// rules may remember trouble from before a restart.
func (l *loop) listen(at sensor.Instant) []rules.Notice {
	l.notices = l.notices[:0]
	for _, s := range l.supplies {
		n, changed := s.notice(at)
		switch {
		case !changed:
			continue
		case n.Kind == rules.SupplyLow:
			l.log.Warn("the board's supply is low, by its kernel; probes may fail for it: look at power supply and cable")
		case n.Kind == rules.MainsOff:
			l.log.Warn("the mains power is off, by the kernel; the board runs from its battery")
		}
		l.notices = append(l.notices, n)
	}
	err := l.record.Trouble()
	if l.heard && (err != nil) == l.troubled {
		return l.notices
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

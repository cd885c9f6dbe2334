package phone

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net/http"
	"sync"
	"sync/atomic"
	"time"

	"holdbell/publish"
	"holdbell/rules"
	"holdbell/sensor"
)

// Options are what a Phone needs to know. Name, URLFile, From and Now are required.
type Options struct {
	Name    string         // stable for each target: the delivery cursor is kept under it
	URLFile string         // a file of one line, the address; read anew for every message
	From    rules.Priority // the least priority that rings
	Site    string         // named in every message
	Page    string         // address of the daemon's page, for a tap on the message; may be empty
	// After makes this target the next in line: it rings for an alarm only once nobody has acknowledged it for
	// so long, with its first repeat from then on. 0 rings at once.
	After time.Duration
	// Quiet reports whether advice is to wait at that time: it does not ring then. nil: it always rings.
	Quiet func(at sensor.Instant) bool
	// Answer gives the address that acknowledges the alarm which the event seq raised, for a button on the
	// message; nil, or an empty address: no button.
	Answer func(ledger string, seq uint64) string
	Budget int // messages in any hour; default 60
	Now    func() sensor.Instant
	Zone   *time.Location // of the clock times in a message; default time.Local
	Log    *slog.Logger   // default slog.Default()
	Client *http.Client   // default: one of its own; its redirect policy is replaced
}

const (
	defaultBudget = 60
	// sendTimeout is the deadline of one message. It is shorter than a courier's, so that the reason of a
	// failure comes from here.
	sendTimeout = 15 * time.Second
	// A reminder that comes this late while its alarm has just rung says nothing new.
	freshRing = 10 * time.Minute
)

// Phone is a publish.Publisher that rings one target.
type Phone struct {
	o       Options
	client  *http.Client
	service slot
	state   atomic.Pointer[rules.State]

	mu       sync.Mutex // over the next four
	address  addressFile
	quiet    time.Time // the far end asked for silence until then, or shut its door
	quietFor string    // by the address that the file held then
	shut     int       // how often it shut its door in a row

	// What follows belongs to Deliver, which is called one at a time.
	budget  budget
	ledger  string                 // whose Seqs summed holds
	summed  map[uint64]bool        // raised alarms that a summary has told
	unheard map[identity]bool      // raised alarms whose end says nothing: dropped, or told as past
	rang    map[identity]time.Time // when an alarm last rang
	recent  []time.Time            // the last rings of raised alarms

	sent, dropped, summaries atomic.Uint64
	latency                  atomic.Int64
}

// identity is what makes an alarm one alarm.
type identity struct {
	alarm               rules.AlarmName
	station, lot, probe string
}

// mostKept bounds what is remembered of alarms, far above what a kitchen has.
const mostKept = 512

// New gives a Phone. An address that cannot be used yet is no error: it is logged, and read again for
// every message.
func New(o Options) (*Phone, error) {
	switch {
	case o.Name == "":
		return nil, errors.New("the phone has no name; set Name")
	case o.URLFile == "":
		return nil, errors.New("the phone has no file with its address; set URLFile")
	case o.From.Rank() == 0:
		return nil, fmt.Errorf("%q is no priority to ring from; write advice, warning or critical", o.From)
	case o.Now == nil:
		return nil, errors.New("the phone has no clock; set Now")
	case o.After < 0:
		return nil, fmt.Errorf("a target cannot ring %s before the alarm; write a time, or none", -o.After)
	case o.Budget < 0:
		return nil, fmt.Errorf("a budget of %d messages an hour is none; write at least 1", o.Budget)
	}
	if o.Budget == 0 {
		o.Budget = defaultBudget
	}
	if o.Zone == nil {
		o.Zone = time.Local
	}
	if o.Log == nil {
		o.Log = slog.Default()
	}
	p := &Phone{o: o, client: newClient(o.Client), address: addressFile{path: o.URLFile}, budget: budget{size: o.Budget},
		summed: map[uint64]bool{}, unheard: map[identity]bool{}, rang: map[identity]time.Time{}}
	if _, err := p.target(); err != nil {
		o.Log.Warn("this phone cannot ring yet", "publisher", o.Name, "err", err)
	}
	return p, nil
}

// Name implements publish.Publisher.
func (p *Phone) Name() string { return p.o.Name }

// Show implements publish.Publisher: it keeps the state, by which a flood of alarms is known.
func (p *Phone) Show(st *rules.State) { p.state.Store(st) }

// Stats are a target's figures since it was made.
type Stats struct {
	Sent      uint64        // messages that the far end took
	Dropped   uint64        // events for which the budget had no room, or which came too late to say anything
	Summaries uint64        // those of Sent that told of several alarms
	Latency   time.Duration // how long the newest message of Sent took
}

// Stats gives the figures. It is safe for concurrent use.
func (p *Phone) Stats() Stats {
	return Stats{p.sent.Load(), p.dropped.Load(), p.summaries.Load(), time.Duration(p.latency.Load())}
}

// Test sends a message that says it is a test, as loud as a critical alarm, past the budget.
func (p *Phone) Test(ctx context.Context) error {
	now := p.o.Now()
	ev := rules.Event{Kind: "test", At: now, Since: now, Priority: rules.Critical,
		Text: "This is a test message. No alarm stands behind it."}
	t, err := p.target()
	if err != nil {
		return err
	}
	return p.send(ctx, t, p.compose("", ev))
}

// Deliver implements publish.Publisher. It returns nil once the far end has the message, or when the event
// does not ring here.
func (p *Phone) Deliver(ctx context.Context, ledger string, ev rules.Event) error {
	if !p.rings(&ev) {
		return nil
	}
	if err := ctx.Err(); err != nil {
		return err
	}
	p.remember(ledger, ev.Seq)
	id := identify(ev.Alarm, ev.Station, ev.Lot, ev.Probe)
	if p.summed[ev.Seq] {
		return nil
	}
	if p.o.After > 0 && !p.escalates(&ev, id) {
		return nil
	}
	if p.hushed(&ev) {
		p.dropped.Add(1)
		if ev.Kind == rules.AlarmRaised {
			p.unheard[id] = true
		}
		return nil
	}
	if p.overtaken(&ev, id) {
		p.dropped.Add(1)
		return nil
	}
	if ok, wait := p.budget.room(time.Now(), &ev); !ok {
		if wait > 0 {
			return fmt.Errorf("the budget of %d messages an hour is spent; the next may go in %s", p.o.Budget, rules.Words(wait))
		}
		p.dropped.Add(1)
		if ev.Kind == rules.AlarmRaised {
			p.unheard[id] = true
		}
		return nil
	}
	t, err := p.target()
	if err != nil {
		return err
	}
	if err := p.hush(ctx); err != nil {
		return err
	}
	var group []rules.AlarmState
	if t.form != hook && p.o.After == 0 { // a machine sums up for itself, and the next in line hears of each that was left standing
		if group, err = p.flood(ctx, &ev); err != nil {
			return err
		}
	}
	m := p.compose(ledger, ev)
	past := group == nil && t.form != hook && p.past(&ev, id)
	switch {
	case group != nil:
		p.sumUp(&m, group)
	case past:
		p.tellPast(&m, &ev)
	}
	if err := p.send(ctx, t, m); err != nil {
		if publish.IsPermanent(err) && ev.Kind == rules.AlarmRaised {
			p.unheard[id] = true
		}
		return err
	}
	p.note(&ev, id, group)
	if past {
		p.unheard[id] = true // its end has been told with it
	}
	return nil
}

// past reports whether ev tells late of an alarm that has ended since: then one message tells all of it.
func (p *Phone) past(ev *rules.Event, id identity) bool {
	st := p.state.Load()
	if ev.Kind != rules.AlarmRaised || st == nil || st.Seq <= ev.Seq || p.late(ev.At) <= lateFrom {
		return false
	}
	a := standing(st, id)
	return a == nil || a.Seq != ev.Seq || !a.Active
}

// rings reports whether ev is one for this target.
func (p *Phone) rings(ev *rules.Event) bool {
	switch ev.Kind {
	case rules.AlarmRaised, rules.AlarmRepeated, rules.AlarmCleared:
		if ev.State == rules.Shelved || ev.State == rules.OutOfService {
			return false
		}
	case rules.LotEnded:
		if ev.Priority != rules.Critical {
			return false
		}
	default:
		return false
	}
	return ev.Priority.Rank() >= p.o.From.Rank()
}

// overtaken reports whether ev has nothing to say any more: the end of an alarm that nobody heard of, a
// late reminder of one that has just rung, or of one that has ended or that somebody has answered since.
func (p *Phone) overtaken(ev *rules.Event, id identity) bool {
	switch ev.Kind {
	case rules.AlarmCleared:
		defer delete(p.unheard, id)
		return p.unheard[id]
	case rules.AlarmRepeated:
		if p.late(ev.At) < lateFrom {
			return false
		}
		if at, ok := p.rang[id]; ok && time.Since(at) < freshRing {
			return true
		}
		st := p.state.Load()
		if st == nil || st.Seq < ev.Seq {
			return false
		}
		a := standing(st, id)
		return a == nil || a.Seq > ev.Seq || a.Status != rules.Unacknowledged
	}
	return false
}

// hush waits while the far end has asked for silence. Another address was asked for nothing.
func (p *Phone) hush(ctx context.Context) error {
	p.mu.Lock()
	until, asked := p.quiet, p.quietFor == p.address.last
	p.mu.Unlock()
	wait := time.Until(until)
	if wait <= 0 || !asked {
		return nil
	}
	timer := time.NewTimer(wait)
	defer timer.Stop()
	select {
	case <-timer.C:
		return nil
	case <-ctx.Done():
		return fmt.Errorf("the far end is left alone for %s more, as its last answer asked: %w", rules.Words(time.Until(until)), ctx.Err())
	}
}

// remember forgets what another ledger, or an earlier time, has told.
func (p *Phone) remember(ledger string, seq uint64) {
	if ledger != p.ledger {
		p.ledger = ledger
		clear(p.summed)
	}
	for s := range p.summed {
		if s < seq {
			delete(p.summed, s)
		}
	}
	if len(p.rang) > mostKept {
		clear(p.rang)
	}
	if len(p.unheard) > mostKept {
		clear(p.unheard)
	}
}

// note keeps the books after a message that went out.
func (p *Phone) note(ev *rules.Event, id identity, group []rules.AlarmState) {
	now := time.Now()
	p.budget.spend(now)
	if group != nil {
		p.summaries.Add(1)
	}
	for i := range group {
		a := &group[i]
		p.summed[a.Seq] = true
		p.rang[identify(a.Alarm, a.Station, a.Lot, a.Probe)] = now
	}
	switch ev.Kind {
	case rules.AlarmRaised:
		p.recent = append(p.recent, now)
		if len(p.recent) > floodRings {
			p.recent = p.recent[1:]
		}
		p.rang[id] = now
	case rules.AlarmRepeated:
		p.rang[id] = now
		delete(p.unheard, id)
	case rules.AlarmCleared:
		delete(p.rang, id)
	}
}

func identify(alarm rules.AlarmName, station, lot, probe string) identity {
	return identity{alarm, station, lot, probe}
}

// standing finds an alarm in a state; nil when it is normal.
func standing(st *rules.State, id identity) *rules.AlarmState {
	for i := range st.Alarms {
		a := &st.Alarms[i]
		if identify(a.Alarm, a.Station, a.Lot, a.Probe) == id {
			return a
		}
	}
	return nil
}

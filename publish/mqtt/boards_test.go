package mqtt

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"math/rand/v2"
	"net"
	"os"
	"slices"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"

	"holdbell/publish/publishtest"
	"holdbell/publish/publishtest/nats"
	"holdbell/rules"
	"holdbell/sensor"
)

// fleet are boards at a cluster, each with the real client: eight probes, and an event now and then.
type fleet struct {
	t      *testing.T
	c      *nats.Cluster
	boards []*fleetBoard
	period time.Duration // of a sweep
	every  time.Duration // of an event of a board, on the average

	mu       sync.Mutex
	sent     map[string]time.Time // when an event was decided, by site and number
	came     map[string][]uint64  // numbers by site in the order in which they came first
	got      map[string]bool
	took     []time.Duration // since the phase began
	twice    int
	late     int // came after a later one of the same board
	online   map[string]string
	readings int
	knocks   []time.Time
}

type fleetBoard struct {
	f     *fleet
	site  string
	c     *Client
	seq   atomic.Uint64
	quiet atomic.Bool // decides no more events
	dead  atomic.Bool // has no power
	mu    sync.Mutex
	conn  *cuttable
}

// cuttable is a connection that can be cut as if from afar.
type cuttable struct {
	net.Conn
	was atomic.Bool
}

func (c *cuttable) Read(b []byte) (int, error) {
	n, err := c.Conn.Read(b)
	if err != nil && c.was.Load() {
		err = io.EOF
	}
	return n, err
}

func (b *fleetBoard) dial(ctx context.Context, at string) (net.Conn, error) {
	if b.dead.Load() {
		return nil, io.ErrClosedPipe
	}
	b.f.mu.Lock()
	b.f.knocks = append(b.f.knocks, time.Now())
	b.f.mu.Unlock()
	conn, err := new(net.Dialer).DialContext(ctx, "tcp", at)
	if err != nil {
		return nil, err
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	b.conn = &cuttable{Conn: conn}
	return b.conn, nil
}

func (b *fleetBoard) cut() {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.conn != nil {
		b.conn.was.Store(true)
		b.conn.Close()
	}
}

// sweeps shows a state a period, in which every probe has changed.
func (b *fleetBoard) sweeps(ctx context.Context) {
	pause(ctx, jitter(b.f.period))
	for n := uint64(1); ctx.Err() == nil; n++ {
		st := publishtest.State(n)
		st.Lots, st.Stations = nil, nil
		probe := st.Probes[0]
		st.Probes = nil
		for i := range 8 {
			p := probe
			p.Name = fmt.Sprintf("probe-%d", i+1)
			p.Reading.Temp += sensor.Temp(n%1000) + sensor.Temp(i)
			st.Probes = append(st.Probes, p)
		}
		if seq := b.seq.Load(); seq%2 == 1 {
			st.Alarms = []rules.AlarmState{{Seq: seq, Alarm: rules.BelowHotLimit, Station: "warmer", Lot: "brisket", Probe: "probe-1", Priority: rules.Critical,
				Status: rules.Unacknowledged, Active: true, Since: st.At, Raised: st.At, Text: "Example: the brisket in the warmer is below 135 °F."}}
		}
		b.c.Show(st)
		pause(ctx, b.f.period)
	}
}

// tells delivers events one after the other, each until it is acknowledged.
func (b *fleetBoard) tells(ctx context.Context) {
	ev := publishtest.Events(2)
	for {
		pause(ctx, 2*jitter(b.f.every))
		if ctx.Err() != nil || b.quiet.Load() || b.dead.Load() {
			return
		}
		seq := b.seq.Load() + 1
		e := ev[seq%2]
		e.Seq = seq
		b.f.mu.Lock()
		b.f.sent[fmt.Sprint(b.site, seq)] = time.Now()
		b.f.mu.Unlock()
		b.seq.Store(seq)
		for ctx.Err() == nil && b.c.Deliver(ctx, "l", e) != nil {
			pause(ctx, 100*time.Millisecond)
		}
	}
}

// hears takes what a reader gets.
func (f *fleet) hears(_ paho.Client, m paho.Message) {
	now := time.Now()
	_, rest, _ := strings.Cut(m.Topic(), "/")
	site, what, _ := strings.Cut(rest, "/")
	f.mu.Lock()
	defer f.mu.Unlock()
	switch {
	case what == "status":
		f.online[site] = string(m.Payload())
	case what == "event":
		var e struct{ Seq uint64 }
		if json.Unmarshal(m.Payload(), &e) != nil {
			return
		}
		key := fmt.Sprint(site, e.Seq)
		if f.got[key] {
			f.twice++
			return
		}
		f.got[key] = true
		if all := f.came[site]; len(all) > 0 && all[len(all)-1] > e.Seq {
			f.late++
		}
		f.came[site] = append(f.came[site], e.Seq)
		f.took = append(f.took, now.Sub(f.sent[key]))
	default:
		f.readings++
	}
}

// reads subscribes to what the fleet says, at one node; a cluster without a leader is asked again.
func (f *fleet) reads(node int) {
	mc := rawClient(f.t, natsUser(f.c, node, "dashboard").SetOrderMatters(true))
	for filter, qos := range map[string]byte{"holdbell/+/event": 1, "holdbell/+/status": 1, "holdbell/+/probe/+": 0} {
		tok := mc.Subscribe(filter, qos, f.hears).(*paho.SubscribeToken)
		done(f.t, tok)
		if tok.Result()[filter] == refused {
			f.t.Fatalf("the cluster refuses the subscription to %s", filter)
		}
	}
}

// phase tells what a span of time was like.
func (f *fleet) phase(what string, span time.Duration) {
	f.t.Helper()
	begun := time.Now()
	before := f.cpu()
	f.mu.Lock()
	f.took, f.readings, f.twice, f.late = nil, 0, 0, 0
	f.mu.Unlock()
	pause(f.t.Context(), span)
	took := time.Since(begun).Seconds()
	f.mu.Lock()
	defer f.mu.Unlock()
	slices.Sort(f.took)
	p50, p99, most := time.Duration(0), time.Duration(0), time.Duration(0)
	if n := len(f.took); n > 0 {
		p50, p99, most = f.took[n/2], f.took[n*99/100], f.took[n-1]
	}
	var use strings.Builder
	after := f.cpu()
	for i := range after {
		cpu := (after[i].cpu - before[i].cpu).Seconds() / took * 100
		if after[i].cpu < before[i].cpu {
			cpu = after[i].cpu.Seconds() / took * 100
		}
		fmt.Fprintf(&use, "  node %d %.0f %% of a core, %d MB", i+1, cpu, after[i].rss>>20)
	}
	f.t.Logf("%s (%.0f s): %.0f readings a second; %d events, from alarm to reader p50 %v, p99 %v, most %v, %d twice, %d late; at most %d connections in a second;%s",
		what, took, float64(f.readings)/took, len(f.took), p50.Round(100*time.Microsecond), p99.Round(100*time.Microsecond), most.Round(time.Millisecond),
		f.twice, f.late, peak(f.knocks, begun), use.String())
}

type usage struct {
	cpu time.Duration
	rss int64
}

// cpu reads what each node has used (proc(5): /proc/PID/stat fields 14, 15 and 24, a clock tick being 10 ms).
func (f *fleet) cpu() (all [3]usage) {
	for i := range all {
		text, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", f.c.PID(i)))
		if err != nil {
			continue
		}
		fields := strings.Fields(string(text[strings.LastIndexByte(string(text), ')')+2:]))
		user, _ := strconv.ParseInt(fields[11], 10, 64)
		system, _ := strconv.ParseInt(fields[12], 10, 64)
		pages, _ := strconv.ParseInt(fields[21], 10, 64)
		all[i] = usage{time.Duration(user+system) * 10 * time.Millisecond, pages * int64(os.Getpagesize())}
	}
	return all
}

// eventually waits for is, and says what is missing when it does not come.
func (f *fleet) eventually(what string, within time.Duration, is func() []string) {
	f.t.Helper()
	begun := time.Now()
	for {
		missing := is()
		if len(missing) == 0 {
			f.t.Logf("%s: after %v", what, time.Since(begun).Round(time.Millisecond))
			return
		}
		if time.Since(begun) > within {
			f.t.Fatalf("%s: not so after %v for %d, such as %v", what, within, len(missing), missing[:min(5, len(missing))])
		}
		pause(f.t.Context(), 50*time.Millisecond)
	}
}

func (f *fleet) away() (sites []string) {
	for _, b := range f.boards {
		if !b.dead.Load() && !b.c.Status().Connected {
			sites = append(sites, b.site)
		}
	}
	return sites
}

// TestBoards: a fleet at three nodes. A node is killed and comes back, every board is cut off at the same moment, some lose
// their power for good: no event is lost, and at the end each board's status is right at every node. HOLDBELL_BOARDS=1000
// is the proof, with the pace of a real board; without it there are few, in a hurry.
func TestBoards(t *testing.T) {
	n, span := 20, 3*time.Second
	f := &fleet{t: t, period: time.Second, every: time.Second, sent: map[string]time.Time{}, came: map[string][]uint64{}, got: map[string]bool{}, online: map[string]string{}}
	real := os.Getenv("HOLDBELL_BOARDS")
	if real != "" {
		var err error
		n, err = strconv.Atoi(real)
		must(t, err)
		span, f.period, f.every = time.Minute, 10*time.Second, 30*time.Second
	}
	sites := make([]string, n)
	for i := range sites {
		sites[i] = fmt.Sprintf("kitchen-%04d", i+1)
	}
	f.c = nats.Start(t, natsConfigs, sites, nil)
	f.c.Settle(func(at string) *paho.ClientOptions {
		return paho.NewClientOptions().AddBroker("tcp://" + at).SetUsername("dashboard")
	})
	ctx, cancel := context.WithCancel(context.Background())
	var running sync.WaitGroup
	t.Cleanup(func() { cancel(); running.Wait() })
	f.reads(2)
	begun := time.Now()
	for i, site := range sites {
		o := board(f.c, site)
		o.ClientID = fmt.Sprintf("board-%d", i)
		b := &fleetBoard{f: f, site: site}
		o.Dial = b.dial
		var err error
		b.c, err = New(o)
		must(t, err)
		if real == "" {
			b.c.pace = quick()
			b.c.pace.start, b.c.pace.loss = time.Second, time.Second
		}
		f.boards = append(f.boards, b)
		running.Go(func() { b.c.Run(ctx) })
		running.Go(func() { b.sweeps(ctx) })
		running.Go(func() { b.tells(ctx) })
	}
	f.eventually("all are connected after the start", 2*time.Minute, f.away)
	f.mu.Lock()
	t.Logf("start: at most %d connections in a second", peak(f.knocks, begun))
	f.mu.Unlock()
	f.phase("steady", span)
	f.c.Kill(0)
	f.phase("a node is killed", span)
	f.eventually("all are connected", 2*time.Minute, f.away)
	f.phase("two nodes", span)
	f.c.Restart(0)
	f.phase("the node is back", span)
	for _, b := range f.boards {
		b.cut()
	}
	f.phase("every board was cut off at the same moment", span)
	f.eventually("all are connected", 2*time.Minute, f.away)
	rand.Shuffle(n, func(i, j int) { f.boards[i], f.boards[j] = f.boards[j], f.boards[i] })
	for i, b := range f.boards {
		b.quiet.Store(true)
		if i < n/10 {
			b.dead.Store(true)
			b.cut()
		}
	}
	f.eventually("every event has come", 2*time.Minute, func() (missing []string) {
		f.mu.Lock()
		defer f.mu.Unlock()
		for key := range f.sent {
			if !f.got[key] && !f.died(key) {
				missing = append(missing, key)
			}
		}
		return missing
	})
	total := len(f.got)
	if total < n {
		t.Errorf("only %d events of %d boards", total, n)
	}
	for node := range 3 {
		f.mu.Lock()
		f.online = map[string]string{}
		f.mu.Unlock()
		f.reads(node)
		f.eventually(fmt.Sprintf("each status is right at node %d", node+1), 3*time.Minute, func() (wrong []string) {
			f.mu.Lock()
			defer f.mu.Unlock()
			for _, b := range f.boards {
				want := "online"
				if b.dead.Load() {
					want = "offline"
				}
				if got := f.online[b.site]; got != want {
					wrong = append(wrong, b.site+" "+got)
				}
			}
			return wrong
		})
	}
	t.Logf("%d boards, %d events", n, total)
}

// died reports whether an event is one that a board without power could not tell any more.
func (f *fleet) died(key string) bool {
	for _, b := range f.boards {
		if b.dead.Load() && key == fmt.Sprint(b.site, b.seq.Load()) {
			return true
		}
	}
	return false
}

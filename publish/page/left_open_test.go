package page

import (
	"context"
	"fmt"
	"math"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/heapprofiler"
	"github.com/chromedp/cdproto/memory"
	"github.com/chromedp/cdproto/page"
	cdpruntime "github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"

	"holdbell/publish/publishtest/chromium"
	"holdbell/rules"
	"holdbell/sensor"
)

// borrowed gives a page the kitchen's time: its clocks and its timers go by what the board's messages are numbered
// with, the second that they tell of. Everything else of the page is as it is.
const borrowed = `{
  let gone = 0, number = 0, flying = 0, waits = [];
  const timers = new Map(), began = Date.now(), Source = EventSource, real = fetch;
  Date.now = () => began + gone;
  performance.now = () => gone;
  window.setInterval = (f, every) => { timers.set(++number, { f, every, due: gone + every }); return number; };
  window.clearInterval = (n) => timers.delete(n);
  AbortSignal.timeout = (after) => {
    const controller = new AbortController(), n = ++number;
    timers.set(n, { due: gone + after, f: () => { timers.delete(n); controller.abort(); } });
    return controller.signal;
  };
  const look = () => { waits = waits.filter(([at, done]) => gone < at || flying > 0 || (done(true), false)); };
  const to = (seconds) => {
    while (gone < seconds * 1000) {
      gone += 1000;
      for (const t of timers.values()) if (t.due <= gone) { t.due += t.every; t.f(); }
    }
  };
  window.EventSource = class extends Source {
    set onmessage(f) { super.onmessage = (e) => { to(Number(e.lastEventId)); f(e); week.heard++; look(); }; }
  };
  // A chart is drawn in the same turn in which its figures are there.
  window.fetch = async (...all) => {
    flying++;
    const landed = () => setTimeout(() => { flying--; week.charts++; look(); });
    try {
      const answer = await real(...all), json = answer.json.bind(answer);
      answer.json = async () => { try { return await json(); } finally { landed(); } };
      return answer;
    } catch (e) { landed(); throw e; }
  };
  window.week = { heard: 0, charts: 0, to, until: (seconds) => new Promise((done) => { waits.push([seconds * 1000, done]); look(); }) };
}`

// weekKitchen is a kitchen in which things come and go. Its story comes round every 4320 s, twenty times a day, so
// that what stands on a page at two ends of a round is alike.
type weekKitchen struct {
	p      *Page
	second atomic.Int64
	seq    uint64
	st     *rules.State
	past   []rules.Event // of the last day
	mu     sync.Mutex    // guards past
}

const (
	aRound      = 4320 * time.Second
	pieceEvery  = 2160 // seconds
	pieceStays  = 2 * pieceEvery
	pieceListed = 3 * pieceEvery
	alarmEvery  = 540
	alarmKnown  = 120
	alarmStays  = 300
)

func (k *weekKitchen) now() sensor.Instant {
	return noon.Add(time.Duration(k.second.Load()) * time.Second)
}

// reading is what a probe reads in a second: a wave of its own, and now and then nothing for three minutes.
func (k *weekKitchen) reading(probe int, second int64) sensor.Reading {
	if (second+int64(probe)*900)%4320 < 180 {
		return sensor.Bad(sensor.Open)
	}
	return sensor.Reading{Temp: sensor.Temp(62_000 + 1000*probe + int(4000*math.Sin(float64(second)/float64(600+100*probe))))}
}

// readings are the recorded sweeps; ten minutes of every fourth round are missing.
func (k *weekKitchen) readings(_ context.Context, from, to time.Time, visit func([]string, *sensor.Sweep) bool) error {
	first := max(0, int64(from.Sub(noon.Wall)/time.Second))
	names := k.names()
	s := sensor.Sweep{Readings: make([]sensor.Reading, len(names))}
	for n := first; n <= int64(to.Sub(noon.Wall)/time.Second); n++ {
		if n%17280 < 600 {
			continue
		}
		s.At = noon.Add(time.Duration(n) * time.Second)
		for i := range s.Readings {
			s.Readings[i] = k.reading(i, n)
		}
		if !visit(names, &s) {
			break
		}
	}
	return nil
}

func (k *weekKitchen) names() []string { return []string{"warmer-air", "warmer-core", "pan-2"} }

func (k *weekKitchen) events(_ context.Context, from, to time.Time) (all []rules.Event, _ error) {
	k.mu.Lock()
	defer k.mu.Unlock()
	for _, ev := range k.past {
		if !ev.At.Wall.Before(from) && !ev.At.Wall.After(to) {
			all = append(all, ev)
		}
	}
	return all, nil
}

// tell delivers an event.
func (k *weekKitchen) tell(t *testing.T, ev rules.Event) {
	k.seq++
	ev.Seq, ev.At, ev.Station = k.seq, k.now(), "warmer"
	k.mu.Lock()
	for len(k.past) > 0 && ev.At.Wall.Sub(k.past[0].At.Wall) > 24*time.Hour {
		k.past = append(k.past[:0:0], k.past[1:]...)
	}
	k.past = append(k.past, ev)
	k.mu.Unlock()
	if err := k.p.Deliver(t.Context(), "ledger", ev); err != nil {
		t.Fatal(err)
	}
}

// pass lets a second pass: every temperature moves, and what comes or goes in this second is told.
func (k *weekKitchen) pass(t *testing.T) {
	n := k.second.Add(1)
	now := k.now()
	since := func(second int64) sensor.Instant { return noon.Add(time.Duration(second) * time.Second) }
	st := *k.st
	st.At, st.Lots, st.Alarms, st.Probes = now, nil, nil, nil
	st.Stations = []rules.StationState{k.st.Stations[0]}
	st.Stations[0].DoorOpen = sensor.Instant{}
	for i, name := range k.names() {
		role := map[bool]string{true: "air", false: "food"}[i == 0]
		r := k.reading(i, n)
		st.Probes = append(st.Probes, rules.ProbeState{Name: name, Station: "warmer", Role: role, Reading: r, Raw: r, Corrected: r, LastValid: now})
		if i == 0 && r.Valid() {
			st.Stations[0].AirTemp = &r.Temp
		}
	}
	for piece := max(0, (n-pieceListed)/pieceEvery); piece*pieceEvery <= n; piece++ {
		age := n - piece*pieceEvery
		l := k.st.Lots[piece%2]
		l.Lot, l.Begun = fmt.Sprintf("piece %d", piece), since(piece*pieceEvery)
		l.Text = fmt.Sprintf("%s in warmer has been there for %s.", l.Lot, rules.Words(time.Duration(age)*time.Second))
		if r := k.reading(1+int(piece%2), n); r.Valid() {
			l.Temp = &r.Temp
		}
		if l.Verdict == rules.Act {
			l.Deadline = l.Begun.Add(4 * time.Hour)
		}
		l.Ended = age >= pieceStays
		st.Lots = append(st.Lots, l)
		switch age {
		case 0:
			k.tell(t, rules.Event{Kind: rules.MarkTaken, Lot: l.Lot, By: "R", Text: l.Lot + " was loaded into warmer."})
		case pieceStays:
			k.tell(t, rules.Event{Kind: rules.LotEnded, Lot: l.Lot, Text: l.Lot + " was closed."})
		}
	}
	rung := n / alarmEvery
	a := rules.AlarmState{Alarm: []rules.AlarmName{rules.BelowHotLimit, rules.DoorOpen, rules.ProbeFault, rules.OutOfBand}[rung%4], Station: "warmer", Probe: k.names()[rung%2],
		Priority: []rules.Priority{rules.Critical, rules.Warning}[rung%2], Status: rules.Unacknowledged, Active: true, Since: since(rung * alarmEvery), Raised: since(rung * alarmEvery), Seq: uint64(rung)}
	a.Text = fmt.Sprintf("Alarm %d rings in warmer.", rung)
	ev := rules.Event{Alarm: a.Alarm, Probe: a.Probe, Priority: a.Priority, Since: a.Since}
	switch n % alarmEvery {
	case 0:
		ev.Kind, ev.Text = rules.AlarmRaised, a.Text
	case alarmKnown:
		ev.Kind, ev.Text, ev.By = rules.AlarmAcknowledged, "Acknowledged: "+a.Text, "R"
	case alarmStays:
		ev.Kind, ev.Text = rules.AlarmCleared, "Over: "+a.Text
	}
	if ev.Kind != "" {
		k.tell(t, ev)
	}
	if at := n % alarmEvery; at < alarmStays {
		if at >= alarmKnown {
			a.Status, a.Acknowledged, a.AckBy = rules.Acknowledged, since(rung*alarmEvery+alarmKnown), "R"
		}
		if a.Alarm == rules.DoorOpen {
			st.Stations[0].DoorOpen = a.Since
		}
		st.Alarms = append(st.Alarms, a)
	}
	st.Seq = k.seq
	k.p.Show(&st)
}

// numbered gives each message of a stream the second of which it tells, and counts them.
type numbered struct {
	http.ResponseWriter
	k    *weekKitchen
	told *line
}

// line is one open page's stream.
type line struct {
	mu   sync.Mutex
	said *sync.Cond
	n    int
	end  context.CancelFunc
	over chan struct{} // closed when it has ended
}

func (w *numbered) Unwrap() http.ResponseWriter { return w.ResponseWriter }

func (w *numbered) Write(b []byte) (int, error) {
	if _, err := fmt.Fprintf(w.ResponseWriter, "id: %d\n", w.k.second.Load()); err != nil {
		return 0, err
	}
	return w.ResponseWriter.Write(b)
}

// FlushError is what a response controller calls.
func (w *numbered) FlushError() error {
	err := http.NewResponseController(w.ResponseWriter).Flush()
	w.told.mu.Lock()
	w.told.n++
	w.told.said.Broadcast()
	w.told.mu.Unlock()
	return err
}

// weighed is what a page and the board hold after their rubbish was taken away.
type weighed struct {
	second                    int64
	heap, nodes, listeners    [2]int64
	heard, charts             [2]int64
	board, renderers, routine int64
}

func weigh(t *testing.T, tabs []context.Context, second int64) weighed {
	t.Helper()
	w := weighed{second: second}
	for i, tab := range tabs {
		for range 3 {
			if _, err := chromedp.Call(tab, heapprofiler.CollectGarbage, cdp.Empty{}); err != nil {
				t.Fatal(err)
			}
			chromium.Get[chromiumVoid](t, tab, `new Promise((r) => requestAnimationFrame(r));undefined`)
		}
		use, err := chromedp.Call(tab, cdpruntime.GetHeapUsage, cdp.Empty{})
		if err != nil {
			t.Fatal(err)
		}
		dom, err := chromedp.Call(tab, memory.GetDOMCounters, cdp.Empty{})
		if err != nil {
			t.Fatal(err)
		}
		w.heap[i], w.nodes[i], w.listeners[i] = int64(use.UsedSize), dom.Nodes, dom.JsEventListeners
		w.heard[i], w.charts[i] = chromium.Get[int64](t, tab, `week.heard`), chromium.Get[int64](t, tab, `week.charts`)
	}
	runtime.GC()
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	w.board, w.routine, w.renderers = int64(m.HeapAlloc), int64(runtime.NumGoroutine()), renderers()
	return w
}

// renderers is the memory of the browser's processes that draw pages, in bytes: what a canvas holds is in no heap.
func renderers() (sum int64) {
	all, _ := filepath.Glob("/proc/[0-9]*/cmdline")
	own := "/" + strconv.Itoa(os.Getpid()) + "/"
	for _, name := range all {
		line, _ := os.ReadFile(name)
		if !strings.Contains(string(line), "--type=renderer") || !descends(filepath.Base(filepath.Dir(name)), own) {
			continue
		}
		roll, _ := os.ReadFile(filepath.Join(filepath.Dir(name), "smaps_rollup"))
		for l := range strings.Lines(string(roll)) {
			if f := strings.Fields(l); len(f) > 1 && f[0] == "Private_Dirty:" {
				kib, _ := strconv.ParseInt(f[1], 10, 64)
				sum += kib << 10
			}
		}
	}
	return sum
}

// descends reports whether a process is one of this test's: other tests may have browsers too.
func descends(pid, own string) bool {
	for range 8 {
		if "/"+pid+"/" == own {
			return true
		}
		stat, err := os.ReadFile("/proc/" + pid + "/stat")
		_, rest, found := strings.Cut(string(stat), ") ")
		f := strings.Fields(rest)
		if err != nil || !found || len(f) < 2 {
			return false
		}
		pid = f[1]
	}
	return false
}

// A browser that is left open for a week of sweeps holds no more at its end than after its first half day: the rail, and a
// station with its chart. Sweeps come as fast as both pages take them, through the board's own stream; the pages' clocks
// and timers go by the kitchen's time, so a chart is drawn anew each quarter of a minute of it. Pieces, alarms, doors, faults and
// gaps come and go, and every eleven hours the connection is lost for twenty seconds. Without HOLDBELL_WEEK=1 two rounds
// of the story, 2 h 24 min.
func TestABrowserLeftOpen(t *testing.T) {
	rounds, each := 2, 1
	if os.Getenv("HOLDBELL_WEEK") == "1" {
		rounds, each = 7*20, 10
	}
	browser := chromium.Start(t)
	k := &weekKitchen{st: rich()}
	p, err := New(Options{Now: k.now, Zone: time.UTC, Mark: noMark, Visitor: anyone, Readings: k.readings, Past: k.events, HotLimit: at(135), ColdLimit: at(41)})
	if err != nil {
		t.Fatal(err)
	}
	k.p = p
	p.hub.eventPace, p.hub.sweepPace = 0, 0
	k.pass(t)

	views := []string{"rail", "station"}
	lines := map[string]*line{}
	for _, v := range views {
		l := &line{}
		l.said = sync.NewCond(&l.mu)
		lines[v] = l
	}
	var cut atomic.Bool
	inner := p.Handler()
	server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		l := lines[r.URL.Query().Get("view")]
		if r.URL.Path != "/live" || l == nil {
			inner.ServeHTTP(w, r)
			return
		}
		if cut.Load() {
			panic(http.ErrAbortHandler)
		}
		ctx, end := context.WithCancel(r.Context())
		defer end()
		over := make(chan struct{})
		defer close(over)
		l.mu.Lock()
		l.end, l.over = end, over
		l.mu.Unlock()
		inner.ServeHTTP(&numbered{w, k, l}, r.WithContext(ctx))
	}))
	t.Cleanup(server.Close)
	t.Cleanup(server.CloseClientConnections)

	var tabs []context.Context
	for i := range views {
		tab := chromium.LongTab(t, browser)
		if _, err := chromedp.Call(tab, page.AddScriptToEvaluateOnNewDocument, page.AddScriptToEvaluateOnNewDocumentParams{Source: borrowed}); err != nil {
			t.Fatal(err)
		}
		chromium.Size(t, tab, 360, 740, "light")
		chromium.Open(t, tab, server.URL+[]string{"/", "/station?name=warmer&hours=1"}[i])
		chromium.Until(t, tab, `week.heard > 0`)
		tabs = append(tabs, tab)
	}
	until := func(second int64) {
		for i, tab := range tabs {
			if _, err := chromedp.Run(tab, chromedp.Evaluate[bool](fmt.Sprintf("week.until(%d)", second), chromedp.EvalAwaitPromise)); err != nil {
				t.Fatalf("second %d of %s: %v", second, views[i], err)
			}
		}
	}
	// step lets a second pass, and waits until every stream has taken it.
	step := func() {
		before := map[string]int{}
		for v, l := range lines {
			l.mu.Lock()
			before[v] = l.n
			l.mu.Unlock()
		}
		k.pass(t)
		for v, l := range lines {
			l.mu.Lock()
			for l.n == before[v] {
				l.said.Wait()
			}
			l.mu.Unlock()
		}
	}
	away := func() {
		cut.Store(true)
		for _, l := range lines {
			l.mu.Lock()
			end, over := l.end, l.over
			l.mu.Unlock()
			end()
			<-over // else its last message might tell of a second in which it is away
		}
		for range 20 {
			k.pass(t)
		}
		for _, tab := range tabs {
			chromium.Until(t, tab, fmt.Sprintf(`week.to(%d), !document.getElementById("offline").hidden`, k.second.Load()))
		}
		cut.Store(false)
		step()
		until(k.second.Load())
		for _, tab := range tabs {
			chromium.Until(t, tab, `document.getElementById("offline").hidden`)
		}
	}

	began := time.Now()
	var all []weighed
	for round := range rounds {
		end := int64(round+1) * int64(aRound/time.Second)
		for n := k.second.Load(); n < end; n = k.second.Load() {
			if n%39600 == 3600 {
				away()
				continue
			}
			step()
			if n%15 == 0 {
				until(n)
			}
		}
		until(end)
		if (round+1)%each == 0 {
			w := weigh(t, tabs, end)
			all = append(all, w)
			for i, v := range views {
				t.Logf("after %v, %.0f s of work: %s: heap %d KiB, %d nodes, %d listeners, %d messages, %d charts", time.Duration(end)*time.Second, time.Since(began).Seconds(), v, w.heap[i]>>10, w.nodes[i], w.listeners[i], w.heard[i], w.charts[i])
			}
			t.Logf("after %v: the board: heap %d KiB, %d goroutines; the browser's renderers %d MiB", time.Duration(end)*time.Second, w.board>>10, w.routine, w.renderers>>20)
		}
	}
	first, last := all[0], all[len(all)-1]
	// The chart that was drawn last but one or two may still wait for its rubbish to be taken away.
	for i, v := range views {
		if last.heap[i] > first.heap[i]+512<<10 || last.nodes[i] > first.nodes[i]+200 || last.listeners[i] > first.listeners[i]+6 {
			t.Errorf("%s grew: heap %d to %d, nodes %d to %d, listeners %d to %d", v, first.heap[i], last.heap[i], first.nodes[i], last.nodes[i], first.listeners[i], last.listeners[i])
		}
		if last.heard[i] < last.second*99/100 {
			t.Errorf("%s heard %d messages of %d sweeps", v, last.heard[i], last.second)
		}
		chromium.Sound(t, tabs[i])
	}
	if want := last.second / 15 * 99 / 100; last.charts[1] < want {
		t.Errorf("the chart was drawn %d times, and not %d", last.charts[1], want)
	}
	if last.board > first.board+2<<20 || last.renderers > first.renderers+32<<20 {
		t.Errorf("the board grew from %d to %d, the renderers from %d to %d bytes", first.board, last.board, first.renderers, last.renderers)
	}
	// What stands there at the end is what a page shows that is opened then.
	fresh := chromium.Tab(t, browser)
	chromium.Size(t, fresh, 360, 740, "light")
	chromium.Open(t, fresh, server.URL+"/?refresh=off")
	for _, region := range []string{"lots", "ringing", "ended", "stations", "events"} {
		ask := fmt.Sprintf(`[...document.querySelectorAll('[data-region="%s"] > *')].map((e) => e.id).join(" ")`, region)
		if old, now := chromium.Get[string](t, tabs[0], ask), chromium.Get[string](t, fresh, ask); old != now {
			t.Errorf("%s holds\n%s\nand not\n%s", region, old, now)
		}
	}
}

package remotewrite

import (
	"fmt"
	"math"
	"math/rand/v2"
	"net/http"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	dto "github.com/prometheus/client_model/go"

	"holdbell/sensor"
)

func TestLiveReadingsArriveSoon(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBoard(t)
		latest := time.Duration(0)
		b.far.order = func(arrived time.Time, samples []got) {
			for _, g := range samples {
				latest = max(latest, arrived.Sub(time.UnixMilli(g.at)))
			}
		}
		w, stop := b.start()
		b.goOn(10 * time.Minute)
		f := w.Figures()
		if latest > 5*time.Second || f.Backlog > 5*time.Second || f.Trouble != "" {
			t.Errorf("a sample came %v late; %+v", latest, f)
		}
		stop()
		b.whole(1)
		if b.far.twice > 0 {
			t.Errorf("%d samples came twice", b.far.twice)
		}
		if n := len(b.far.requests); n > 155 {
			t.Errorf("%d requests in ten minutes", n)
		}
		if b.shelf.saves > 4 {
			t.Errorf("the cursor was saved %d times in ten minutes", b.shelf.saves)
		}
		if b.shelf.cursor != uint64(len(b.shelf.sweeps)) {
			t.Errorf("after a clean stop the cursor is %d, want %d", b.shelf.cursor, len(b.shelf.sweeps))
		}
	})
}

// An hour without a receiver: what was missed follows oldest first and no faster than allowed, and live readings go on
// beside it.
func TestOutage(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBoard(t)
		b.options = func(o *Options) { o.BacklogRate = 40; o.Jitter = 4 * time.Second }
		w, stop := b.start()
		b.goOn(5 * time.Minute)
		b.far.set(always(http.StatusServiceUnavailable, ""))
		b.goOn(time.Hour)
		asked := len(b.far.requests)
		if f := w.Figures(); f.Backlog < 59*time.Minute || f.Backlog > time.Hour+5*time.Second || !strings.Contains(f.Trouble, "503") {
			t.Errorf("after an hour: %+v", f)
		}
		if text, trouble := new(Figures{Backlog: 3 * time.Hour, Trouble: "no"}).Words(); !trouble || !strings.Contains(text, "3 h wait") {
			t.Errorf("%q", text)
		}
		back := time.Now()
		last, late, follow := map[string]int64{}, time.Duration(0), 0
		var first, behind time.Time
		b.far.set(nil)
		b.far.order = func(arrived time.Time, samples []got) {
			if first.IsZero() {
				first = arrived
			}
			for _, g := range samples {
				switch at := time.UnixMilli(g.at); {
				case at.Before(back.Add(-4 * time.Minute)): // the ring has let go of it
					if g.at <= last[g.series] {
						t.Errorf("%d came after %d", g.at, last[g.series])
					}
					last[g.series] = g.at
					behind = arrived
					follow++
				case at.After(back) && arrived.Sub(first) > 5*time.Second:
					late = max(late, arrived.Sub(at))
				}
			}
		}
		b.goOn(15 * time.Minute)
		if f := w.Figures(); f.Backlog > 5*time.Second || f.Trouble != "" || f.Refused > 0 {
			t.Errorf("afterwards: %+v", f)
		}
		if late > 5*time.Second || first.Sub(back) > 31*time.Second {
			t.Errorf("the first request came %v after the return, the latest live sample %v late", first.Sub(back), late)
		}
		// 40 a second, with a batch of a second's worth to begin with.
		if d := behind.Sub(first); follow < 13_000 || float64(follow) > 40*(d.Seconds()+2) {
			t.Errorf("%d samples of the backlog in %v", follow, d)
		}
		if asked > 3600/15+160 {
			t.Errorf("%d requests up to the end of the outage", asked)
		}
		stop()
		b.whole(1)
		if b.far.twice > 0 {
			t.Errorf("%d samples came twice", b.far.twice)
		}
	})
}

// A receiver that takes nothing out of order misses nothing by an outage that the ring outlasts.
func TestAShortOutageStaysInOrder(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBoard(t)
		newest := map[string]int64{}
		inOrder := func(_ http.Header, samples []got) says {
			for _, g := range samples {
				if g.at <= newest[g.series] {
					return says{status: 400, body: "out of order sample"}
				}
			}
			for _, g := range samples {
				newest[g.series] = g.at
			}
			return says{status: 204}
		}
		b.far.set(inOrder)
		w, stop := b.start()
		b.goOn(3 * time.Minute)
		b.far.set(always(502, "a gateway"))
		b.goOn(2 * time.Minute)
		b.far.set(inOrder)
		b.goOn(3 * time.Minute)
		stop()
		_, stop = b.start() // a restart leaves no gap, and sends nothing twice
		b.goOn(2 * time.Minute)
		stop()
		b.whole(1)
		if f := w.Figures(); f.Refused > 0 {
			t.Errorf("%+v", f)
		}
	})
}

// What is poison is dropped, and nothing else.
func TestPoison(t *testing.T) {
	for name, body := range map[string]string{"poison": "this sample is beyond me", "out of order": "out of order sample"} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				b := newBoard(t)
				var bad int64
				asked := 0
				b.far.set(always(503, ""))
				w, stop := b.start()
				b.goOn(10 * time.Minute)
				bad = b.shelf.sweeps[99].At.Wall.UnixMilli()
				b.far.set(func(_ http.Header, samples []got) says {
					asked++
					if slices.ContainsFunc(samples, func(g got) bool { return g.at == bad && g.series == coreUp }) {
						return says{status: 400, body: body}
					}
					return says{status: 204}
				})
				b.goOn(5 * time.Minute)
				f := w.Figures()
				if f.Refused != 1 || f.Backlog > 5*time.Second || asked > 200 {
					t.Errorf("%+v in %d requests", f, asked)
				}
				if _, ok := b.far.kept[coreUp][bad]; ok {
					t.Error("the poison was taken")
				}
				b.far.kept[coreUp][bad] = 1
				b.far.set(nil)
				stop()
				b.whole(1)
				if n := strings.Count(b.logged(), "are dropped"); n != 1 {
					t.Errorf("the dropped sample was logged %d times", n)
				}
			})
		})
	}
}

// A receiver whose window is too small refuses the old part of the backlog, which is counted and not tried for ever;
// what lies within the window arrives, and live readings go on.
func TestTooSmallAWindow(t *testing.T) {
	for name, status := range map[string]int{"as now": 400, "as 2.42 does": 500} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				b := newBoard(t)
				b.options = func(o *Options) { o.BacklogRate = 400 }
				b.far.set(always(503, ""))
				w, stop := b.start()
				b.goOn(2 * time.Hour)
				begun := time.Now()
				newest, asked, late := begun.UnixMilli(), 0, time.Duration(0)
				window := (30 * time.Minute).Milliseconds()
				b.far.set(func(_ http.Header, samples []got) says {
					asked++
					for _, g := range samples {
						if g.at < newest-window {
							return says{status: status, body: "too old sample"}
						}
					}
					for _, g := range samples {
						newest = max(newest, g.at)
						if at := time.UnixMilli(g.at); at.After(begun) && time.Since(begun) > 35*time.Second {
							late = max(late, time.Since(at))
						}
					}
					return says{status: 204}
				})
				b.goOn(20 * time.Minute)
				f := w.Figures()
				if f.Backlog > 5*time.Second || f.Trouble != "" || late > 5*time.Second {
					t.Errorf("%+v; a live sample came %v late", f, late)
				}
				// 90 minutes of two probes; the bound moves on for a few minutes meanwhile.
				if f.TooOld != f.Refused || f.TooOld < 4*90*60-800 || f.TooOld > 4*96*60 {
					t.Errorf("%d samples were refused, %d as too old", f.Refused, f.TooOld)
				}
				if asked > 450 {
					t.Errorf("%d requests", asked)
				}
				if text, trouble := f.Words(); !trouble || !strings.Contains(text, "storage.tsdb.out_of_order_time_window") {
					t.Errorf("the page says %q", text)
				}
				oldest := int64(math.MaxInt64)
				for at := range b.far.kept[airTemperature] {
					oldest = min(oldest, at)
				}
				for i, s := range b.shelf.sweeps {
					if s.At.Wall.UnixMilli() >= oldest {
						b.far.set(nil)
						stop()
						b.whole(i + 1)
						return
					}
				}
			})
		})
	}
}

func TestAnswersThatKeepTheSamples(t *testing.T) {
	for name, c := range map[string]struct {
		says        says
		says1       string        // what the page says
		least, most time.Duration // between two requests, later on
	}{
		"overloaded":   {says{status: 429, header: http.Header{"Retry-After": {"100"}}}, "429", 100 * time.Second, 110 * time.Second},
		"for too long": {says{status: 503, header: http.Header{"Retry-After": {"86400"}}}, "503", maxRetryAfter, maxRetryAfter + 10*time.Second},
		"broken":       {says{status: 500, body: "the disk is full"}, "the disk is full", 15 * time.Second, 30 * time.Second},
		"login":        {says{status: 401}, "refuses the login", 15 * time.Second, 30 * time.Second},
		"forbidden":    {says{status: 403}, "refuses the login", 15 * time.Second, 30 * time.Second},
		"elsewhere":    {says{status: 307, header: http.Header{"Location": {"http://elsewhere.example/"}}}, "not followed", 15 * time.Second, 30 * time.Second},
		"no address":   {says{status: 404}, "look at the url", 15 * time.Second, 30 * time.Second},
		"not this":     {says{status: 415}, "does not take remote write 1.0", 15 * time.Second, 30 * time.Second},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				b := newBoard(t)
				b.far.set(func(http.Header, []got) says { return c.says })
				w, stop := b.start()
				b.goOn(30 * time.Minute)
				f := w.Figures()
				if f.Sent+f.Refused > 0 || !strings.Contains(f.Trouble, c.says1) || f.Backlog < 29*time.Minute {
					t.Errorf("%+v", f)
				}
				r := b.far.requests
				for i := len(r) / 2; i+1 < len(r); i++ {
					if d := r[i+1].Sub(r[i]); d < c.least || d > c.most {
						t.Errorf("the pause %d is %v", i, d)
					}
				}
				if len(r) < 5 {
					t.Errorf("%d requests", len(r))
				}
				if n := strings.Count(b.logged(), "nothing gets to the receiver"); n != 1 {
					t.Errorf("logged %d times", n)
				}
				b.far.set(nil)
				b.goOn(10 * time.Minute)
				stop()
				b.whole(1)
			})
		})
	}
}

func TestTooMuchAtOnce(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBoard(t)
		b.far.set(always(503, ""))
		w, stop := b.start()
		b.goOn(20 * time.Minute)
		largest := 0
		b.far.set(func(_ http.Header, samples []got) says {
			if len(samples) > 100 {
				return says{status: 413, body: "too much"}
			}
			largest = max(largest, len(samples))
			return says{status: 204}
		})
		b.goOn(3 * time.Minute)
		stop()
		b.whole(1)
		if f := w.Figures(); f.Refused > 0 || largest < 50 {
			t.Errorf("%+v, the largest request had %d samples", f, largest)
		}
	})
}

// A probe that fails ends its series once; a clean stop ends all of them.
func TestStaleMarkers(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBoard(t)
		alarm := func(names ...string) []*dto.MetricFamily {
			f := &dto.MetricFamily{Name: new("holdbell_alarm_active")}
			for _, n := range names {
				f.Metric = append(f.Metric, &dto.Metric{Gauge: &dto.Gauge{Value: new(1.0)}, Label: []*dto.LabelPair{{Name: new("alarm"), Value: new(n)}, {Name: new("lot"), Value: new("")}}})
			}
			return []*dto.MetricFamily{f, {Name: new("go_goroutines"), Metric: []*dto.Metric{{Gauge: &dto.Gauge{Value: new(7.0)}}}}}
		}
		set := func(change func()) {
			b.mu.Lock()
			defer b.mu.Unlock()
			change()
		}
		named := func(n string) string {
			return `__name__="holdbell_alarm_active",alarm="` + n + `",instance="test-kitchen",job="holdbell",site="test-kitchen",`
		}
		set(func() { b.families = alarm("probe-fault", "below-hot-limit") })
		_, stop := b.start()
		b.goOn(time.Minute)
		set(func() { b.fault[1] = sensor.Open; b.families = alarm("probe-fault") })
		failed := b.now().Wall.Add(time.Second).UnixMilli()
		b.goOn(time.Minute)
		set(func() { delete(b.fault, 1) })
		b.goOn(time.Minute)
		// One that fails in an outage has its end in the backlog, at its time.
		b.far.set(always(503, ""))
		b.goOn(5 * time.Minute)
		set(func() { b.fault[1] = sensor.Open })
		again := b.now().Wall.Add(time.Second).UnixMilli()
		b.goOn(time.Minute)
		set(func() { delete(b.fault, 1) })
		b.goOn(10 * time.Minute)
		b.far.set(nil)
		b.goOn(2 * time.Minute)
		if got := b.far.ends(coreTemperature); !slices.Equal(got, []int64{failed, again}) {
			t.Errorf("the failed probe ends at %v, want %v", got, []int64{failed, again})
		}
		if got := b.far.ends(named("below-hot-limit")); len(got) != 1 || got[0] < failed || got[0] > failed+20_000 {
			t.Errorf("the alarm that went ends at %v, want about %v", got, failed)
		}
		stopped := b.now().Wall.UnixMilli() + 1
		stop()
		for _, series := range []string{airTemperature, airUp, coreUp, named("probe-fault")} {
			if got := b.far.ends(series); !slices.Equal(got, []int64{stopped}) {
				t.Errorf("%s ends at %v, want %v", series, got, stopped)
			}
		}
		b.whole(1)
		for series := range b.far.kept {
			if strings.Contains(series, "go_") {
				t.Errorf("%s went out", series)
			}
		}
	})
}

// After a crash some readings come twice, and none is missing.
func TestACrash(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBoard(t)
		_, stop := b.start()
		b.goOn(10*time.Minute + 30*time.Second)
		b.flush()
		cursor := b.shelf.cursor
		kept := len(b.far.kept[airUp])
		stop()
		// As if the stop had not been clean: the cursor of before, and a memory that is gone.
		b.shelf.cursor, b.recent = cursor, new(Recent)
		if cursor == 0 || cursor > 600 || kept < 600 {
			t.Fatalf("before the crash the cursor is %d, and the receiver has %d sweeps", cursor, kept)
		}
		w, stop := b.start()
		b.goOn(5 * time.Minute)
		stop()
		b.whole(1)
		if f := w.Figures(); b.far.twice == 0 || f.Refused > 0 {
			t.Errorf("%d samples came twice; %+v", b.far.twice, f)
		}
	})
}

// Sweeps of before the clock was known wait for their time, and none is sent with a wrong one.
func TestAClockThatIsSetLater(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBoard(t)
		b.believed, b.shift = false, -40*365*24*time.Hour
		w, stop := b.start()
		b.goOn(5 * time.Minute)
		if len(b.far.kept) > 0 {
			t.Error("something went out without a time")
		}
		if f := w.Figures(); f.Backlog < 3*time.Minute {
			t.Errorf("%+v", f)
		}
		b.mu.Lock()
		b.believed, b.shift = true, 0
		b.mu.Unlock()
		known := b.now()
		b.shelf.mu.Lock()
		b.shelf.right = func(i sensor.Instant) sensor.Instant { return i.Rebase(known) }
		b.shelf.mu.Unlock()
		b.goOn(5 * time.Minute)
		stop()
		b.whole(1)
		if f := w.Figures(); f.Undated > 0 || b.far.twice > 0 {
			t.Errorf("%+v, %d twice", f, b.far.twice)
		}
	})
}

// Of a boot whose clock was never set nobody knows the times: those sweeps are counted, and hold nothing up.
func TestABootWithoutATime(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBoard(t)
		b.believed = false
		_, stop := b.start()
		b.goOn(2 * time.Minute)
		stop()
		for i := range b.shelf.sweeps {
			b.shelf.sweeps[i].At.Boot = sensor.BootID{9}
		}
		b.believed, b.recent = true, new(Recent)
		w, stop := b.start()
		b.goOn(2 * time.Minute)
		stop()
		b.whole(121)
		if f := w.Figures(); f.Undated != 4*120 {
			t.Errorf("%+v", f)
		}
	})
}

// A new configuration goes on where the one before was, and one with a probe less sends nothing of it.
func TestANewConfiguration(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBoard(t)
		_, stop := b.start()
		b.goOn(90 * time.Second)
		closed := b.shelf.closed
		stop()
		b.shelf.closed = closed // a reload does not close the open block
		_, stop = b.start()
		b.goOn(5 * time.Minute)
		stop()
		b.whole(1)
		if b.far.twice > 0 {
			t.Errorf("%d samples came twice", b.far.twice)
		}
		b.options = func(o *Options) { o.Probes = o.Probes[:1] }
		n := len(b.far.kept[coreUp])
		w, stop := b.start()
		b.goOn(time.Minute)
		stop()
		if f := w.Figures(); len(b.far.kept[coreUp]) != n || f.Gone != 2*60 {
			t.Errorf("%d samples of a probe that is gone, %+v", len(b.far.kept[coreUp])-n, f)
		}
	})
}

func TestProtocolTwo(t *testing.T) {
	written := func(h http.Header, samples []got) says {
		return says{status: 204, header: http.Header{"X-Prometheus-Remote-Write-Samples-Written": {fmt.Sprint(len(samples))}}}
	}
	two := func(h http.Header) bool { return h.Get("X-Prometheus-Remote-Write-Version") == "2.0.0" }
	for name, c := range map[string]struct {
		protocol Protocol
		answer   func(http.Header, []got) says
		twos     int // requests as 2.0: none, one, or more (2)
		whole    bool
	}{
		"a receiver of 2.0":           {Auto, written, 2, true},
		"one that says nothing":       {Auto, func(h http.Header, _ []got) says { return says{status: 204} }, 1, true},
		"one that refuses the type":   {Auto, func(h http.Header, s []got) says { return says{status: map[bool]int{true: 415, false: 204}[two(h)]} }, 1, true},
		"2.0 alone, that is not told": {V2, func(h http.Header, _ []got) says { return says{status: 204} }, 2, false},
		"1.0":                         {V1, written, 0, true},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				b := newBoard(t)
				b.options = func(o *Options) { o.Protocol = c.protocol }
				twos := 0
				b.far.set(func(h http.Header, s []got) says {
					if two(h) {
						twos++
					}
					return c.answer(h, s)
				})
				w, stop := b.start()
				b.goOn(2 * time.Minute)
				f := w.Figures()
				stop()
				if min(twos, 2) != c.twos {
					t.Errorf("%d requests as 2.0", twos)
				}
				if c.whole {
					b.whole(1)
				} else if f.Sent > 0 || !strings.Contains(f.Trouble, "protocol: 1.0") {
					t.Errorf("%+v", f)
				}
			})
		})
	}
}

// A thousand boards that come back at once do not call at once.
func TestBoardsSpread(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		const boards = 100
		begun := time.Now()
		var stops []func()
		seconds := map[int]int{}
		var mu sync.Mutex
		for i := range boards {
			b := newBoard(t)
			chance := rand.New(rand.NewPCG(1, uint64(i)))
			b.options = func(o *Options) { o.Jitter = 20 * time.Second; o.Rand = chance.Float64 }
			b.sweep()
			first := true
			b.far.set(func(http.Header, []got) says {
				mu.Lock()
				defer mu.Unlock()
				if first {
					first = false
					seconds[int(time.Since(begun).Seconds())]++
				}
				return says{status: 204}
			})
			_, stop := b.start()
			stops = append(stops, stop)
		}
		time.Sleep(21 * time.Second)
		synctest.Wait()
		for _, stop := range stops {
			stop()
		}
		calls, busiest := 0, 0
		for _, n := range seconds {
			calls += n
			busiest = max(busiest, n)
		}
		if calls != boards || busiest > 20 {
			t.Errorf("%d calls, %d in the busiest second", calls, busiest)
		}
	})
}

// A record that cannot be read holds live readings up in nothing.
func TestARecordThatFails(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBoard(t)
		b.shelf.failing = fmt.Errorf("the disk is gone")
		w, stop := b.start()
		b.goOn(5 * time.Minute)
		if f := w.Figures(); f.Sent < 4*290 || f.Trouble != "" {
			t.Errorf("%+v", f)
		}
		b.shelf.mu.Lock()
		b.shelf.failing = nil
		b.shelf.mu.Unlock()
		b.goOn(2 * time.Minute)
		stop()
		b.whole(1)
		if b.far.twice > 0 || b.shelf.cursor != uint64(len(b.shelf.sweeps)) {
			t.Errorf("%d twice, cursor %d of %d", b.far.twice, b.shelf.cursor, len(b.shelf.sweeps))
		}
	})
}

// A receiver that refuses everything, whatever the reason, is not asked about each sample for ever.
func TestAReceiverThatRefusesEverything(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBoard(t)
		b.far.set(always(400, "the limit of series is reached"))
		w, stop := b.start()
		b.goOn(10 * time.Minute)
		if n := len(b.far.requests); n > 700 || n < 100 {
			t.Errorf("%d requests in ten minutes", n)
		}
		f := w.Figures()
		if f.Sent > 0 || f.Refused < 4*590 || f.TooOld > 0 {
			t.Errorf("%+v", f)
		}
		if text, trouble := f.Words(); !trouble || !strings.Contains(text, "the limit of series") {
			t.Errorf("the page says %q", text)
		}
		b.far.set(nil)
		b.goOn(time.Minute)
		stop()
		if n := len(b.far.kept[airUp]); n < 55 || n > 70 {
			t.Errorf("%d sweeps of the minute after are there", n)
		}
	})
}

// A receiver that hangs holds a stop up for no longer than the daemon waits, and the place in the record is kept.
func TestAStopWhileTheReceiverHangs(t *testing.T) {
	for name, when := range map[string]time.Duration{"on its way": 2 * time.Second, "given up": time.Minute} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				b := newBoard(t)
				_, stop := b.start()
				b.goOn(20*time.Minute + time.Second)
				let := make(chan struct{})
				b.far.mu.Lock()
				b.far.hang = let
				b.far.mu.Unlock()
				b.goOn(when + 3*time.Second)
				begun := time.Now()
				stop()
				if d := time.Since(begun); d > 2*time.Second {
					t.Errorf("the stop took %v", d)
				}
				if b.shelf.cursor < 1200-5 {
					t.Errorf("the cursor is %d", b.shelf.cursor)
				}
				close(let)
			})
		})
	}
}

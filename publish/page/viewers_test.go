package page

import (
	"fmt"
	"runtime"
	"slices"
	"syscall"
	"testing"
	"time"

	"holdbell/rules"
)

// How long an event takes to all of fifty open pages, one after the other at a sweep's pace.
func BenchmarkEventToEveryPage(b *testing.B) {
	p, address := shows(b)
	has := make(chan time.Time, viewers)
	word := make([]chan string, viewers)
	for i := range viewers {
		v := open(b, address+liveURL(look{view: []string{"rail", "station"}[i%2], name: []string{"", "warmer"}[i%2]}))
		word[i] = make(chan string, 1)
		go func() {
			for w := range word[i] {
				for !v.says(w) {
					if v.next() != nil {
						return
					}
				}
				has <- time.Now()
			}
		}()
	}
	second := time.NewTicker(time.Second)
	defer second.Stop()
	var last []time.Duration
	for n := 0; b.Loop(); n++ {
		<-second.C
		ev := rules.Event{Seq: uint64(1000 + n), Kind: rules.AlarmRaised, Station: "warmer", At: p.opt.Now(), Text: fmt.Sprintf("Event %d is here.", n)}
		for i := range word {
			word[i] <- ev.Text
		}
		told := time.Now()
		if err := p.Deliver(b.Context(), "ledger", ev); err != nil {
			b.Fatal(err)
		}
		slowest := time.Duration(0)
		for range viewers {
			select {
			case at := <-has:
				slowest = max(slowest, at.Sub(told))
			case <-time.After(time.Minute):
				b.Fatal("an event is not on every page within a minute")
			}
		}
		last = append(last, slowest)
	}
	for i := range word {
		close(word[i])
	}
	slices.Sort(last)
	b.ReportMetric(float64(last[len(last)/2].Microseconds())/1000, "ms-median-to-the-last-page")
	b.ReportMetric(float64(last[len(last)-1].Microseconds())/1000, "ms-worst")
}

// Fifty open pages, half of them the rail, at a sweep a second: what they cost in a second.
func BenchmarkViewers(b *testing.B) {
	p, address := shows(b)
	for i := range viewers {
		v := open(b, address+liveURL(look{view: []string{"rail", "station"}[i%2], name: []string{"", "warmer"}[i%2]}))
		go func() {
			for v.lines.Scan() {
			}
		}()
	}
	var memory runtime.MemStats
	usage := func() time.Duration {
		var u syscall.Rusage
		if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
			b.Fatal(err)
		}
		return time.Duration(u.Utime.Nano() + u.Stime.Nano())
	}
	st := rich()
	second := time.NewTicker(time.Second)
	defer second.Stop()
	was := usage()
	for i := 0; b.Loop(); i++ {
		next := *st
		next.At = noon.Add(time.Duration(i) * time.Second)
		next.Lots = slices.Clone(st.Lots)
		next.Lots[0].Temp = at(150 + float64(i%7))
		p.Show(&next)
		<-second.C
	}
	b.ReportMetric(100*(usage()-was).Seconds()/float64(b.N), "%-of-a-core")
	runtime.GC()
	runtime.ReadMemStats(&memory)
	b.ReportMetric(float64(memory.HeapInuse+memory.StackInuse)/(1<<20), "MiB")
}

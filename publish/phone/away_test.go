package phone

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"os"
	"runtime"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"holdbell/publish"
	"holdbell/rules"
)

// TestAShutDoorKeepsTheEvents: a wrong token, or an address that leads nowhere, loses nothing. It is tried seldom,
// logged once, and at once when the address was put right.
func TestAShutDoorKeepsTheEvents(t *testing.T) {
	for _, code := range []int{http.StatusUnauthorized, http.StatusForbidden, http.StatusNotFound} {
		synctest.Test(t, func(t *testing.T) {
			var right atomic.Bool
			f := &far{answer: func(_ int, r *http.Request) (*http.Response, error) {
				if right.Load() && r.URL.Path == "/right" {
					return reply(200, nil), nil
				}
				return reply(code, nil), nil
			}}
			log := &journal{}
			p := phoneTo(t, pushAddress, f, nil)
			tail := publish.NewTail(0, 0, nil)
			c := publish.NewCourier(p, tail, ownCursors{}, publish.CourierOptions{Log: log.logger()})
			end := inBackground(t, c)
			tail.Add([]rules.Event{event(p, 1, rules.AlarmRaised, rules.Critical)})
			const hours = 6
			time.Sleep(hours * time.Hour)
			synctest.Wait()
			if n := len(f.got()); n < 2 || n > 2*hours+8 {
				t.Errorf("%d: tried %d times in %d h", code, n, hours)
			}
			if c.Pending() != 1 || c.Refused() != 0 || c.LastError() == nil {
				t.Errorf("%d: %d wait, %d refused, %v", code, c.Pending(), c.Refused(), c.LastError())
			}
			if n := strings.Count(log.String(), "\n"); n != 1 {
				t.Errorf("%d: %d lines in the log:\n%s", code, n, log.String())
			}
			right.Store(true)
			if err := os.WriteFile(p.o.URLFile, []byte("https://far.example/right\n"), 0o600); err != nil {
				t.Fatal(err)
			}
			time.Sleep(2 * time.Minute)
			synctest.Wait()
			if c.Pending() != 0 {
				t.Errorf("%d: the address is right for two minutes and the event still waits: %v", code, c.LastError())
			}
			end()
		})
	}
}

// TestAnAlarmThatCameAndWentIsOneMessage, if it could not be told in between; the next one rings as ever.
func TestAnAlarmThatCameAndWentIsOneMessage(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := &far{}
		p := phoneTo(t, pushAddress, f, nil)
		raised := event(p, 1, rules.AlarmRaised, rules.Critical)
		time.Sleep(time.Hour)
		again := event(p, 2, rules.AlarmRepeated, rules.Critical)
		cleared := event(p, 3, rules.AlarmCleared, rules.Critical)
		time.Sleep(time.Hour)
		p.Show(&rules.State{Seq: 3})
		for _, ev := range []rules.Event{raised, again, cleared} {
			must(t, p, ev)
		}
		got := f.got()
		if len(got) != 1 || got[0].header.Get("Title") != "warmer: over" || !strings.HasPrefix(got[0].body, "Late by 2 h, raised at 12:00 on Sun 1 Mar: It is over") ||
			!strings.Contains(got[0].body, raised.Text) {
			t.Fatalf("%d messages: %+v", len(got), got)
		}
		must(t, p, event(p, 4, rules.AlarmRaised, rules.Critical))
		must(t, p, event(p, 5, rules.AlarmCleared, rules.Critical))
		if titles := f.titles(); len(titles) != 3 || titles[2] != "warmer: over" {
			t.Errorf("%q", titles)
		}
	})
}

// TestWhatIsToldLateIsOfItsOwnTime: the end and the reminders of an alarm that has been raised again since say nothing
// of the new one.
func TestWhatIsToldLateIsOfItsOwnTime(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := &far{}
		p := phoneTo(t, pushAddress, f, nil)
		reminder, end := event(p, 7, rules.AlarmRepeated, rules.Critical), event(p, 8, rules.AlarmCleared, rules.Critical)
		time.Sleep(time.Hour)
		again := event(p, 9, rules.AlarmRaised, rules.Critical)
		time.Sleep(time.Hour)
		p.Show(&rules.State{Seq: 9, Alarms: []rules.AlarmState{{Seq: 9, Alarm: again.Alarm, Station: again.Station, Lot: again.Lot,
			Priority: again.Priority, Status: rules.Unacknowledged, Active: true, Text: "The second time.", Raised: again.At}}})
		for _, ev := range []rules.Event{reminder, end, again} {
			must(t, p, ev)
		}
		got := f.got()
		if len(got) != 2 || !strings.HasPrefix(got[0].body, "Late by 2 h: "+end.Text) ||
			!strings.HasPrefix(got[1].body, "Late by 1 h, raised at 13:00 on Sun 1 Mar: The second time.") {
			t.Errorf("%+v", got)
		}
	})
}

// older is a record in memory, as large as it gets; it stands for the ledger on disk.
type older struct{ all []rules.Event }

// Events implements publish.Older.
func (o *older) Events(_ context.Context, after uint64, most int) ([]rules.Event, error) {
	return o.all[after:min(len(o.all), int(after)+most)], nil
}

// ownCursors remember nothing: a run is one life.
type ownCursors struct{}

func (ownCursors) ID() string                                           { return "led" }
func (ownCursors) Cursor(context.Context, string) (uint64, bool, error) { return 0, false, nil }
func (ownCursors) SetCursor(context.Context, string, uint64) error      { return nil }

// inBackground sets c to work; what it returns ends it.
func inBackground(t *testing.T, c *publish.Courier) (end func()) {
	ctx, stop := context.WithCancel(t.Context())
	done := make(chan struct{})
	go func() {
		defer close(done)
		c.Run(ctx)
	}()
	return func() {
		stop()
		<-done
	}
}

// TestADayWithoutThePhone: an alarm a quarter of an hour, reminders between, for a day in which nothing goes
// out. Then each alarm is told, in order and marked as late, the ended ones in one message each; reminders are
// not; and nothing was heaped up in memory meanwhile.
func TestADayWithoutThePhone(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var up atomic.Bool
		f := &far{answer: func(int, *http.Request) (*http.Response, error) {
			if up.Load() {
				return reply(200, nil), nil
			}
			return nil, errors.New("the network is down")
		}}
		p := phoneTo(t, pushAddress, f, func(o *Options) { o.Budget = 1000 })
		record := &older{}
		tail := publish.NewTail(0, 0, record)
		c := publish.NewCourier(p, tail, ownCursors{}, publish.CourierOptions{Log: (&journal{}).logger()})
		end := inBackground(t, c)
		seq := uint64(0)
		tell := func(kind rules.EventKind, lot int) rules.Event {
			seq++
			ev := event(p, seq, kind, rules.Critical)
			ev.Lot = fmt.Sprint("lot-", lot)
			ev.Text = fmt.Sprintf("%s is too cold.", ev.Lot)
			record.all = append(record.all, ev)
			tail.Add([]rules.Event{ev})
			return ev
		}
		heap := func() uint64 {
			var m runtime.MemStats
			runtime.GC()
			runtime.ReadMemStats(&m)
			return m.HeapAlloc
		}
		const alarms = 96
		var before uint64
		for i := range alarms {
			if i == 4 { // an hour in
				before = heap()
			}
			tell(rules.AlarmRaised, i)
			for range 2 {
				time.Sleep(5 * time.Minute)
				tell(rules.AlarmRepeated, i)
			}
			time.Sleep(5 * time.Minute)
			if i < alarms-1 {
				tell(rules.AlarmCleared, i)
			}
		}
		synctest.Wait()
		// What the stand-in for the disk and the bubble's fake far end keep is theirs.
		failed := len(f.got())
		f.mu.Lock()
		f.calls = nil
		f.mu.Unlock()
		if grown := int64(heap()) - int64(before); grown > 1<<20 {
			t.Errorf("the heap grew by %d bytes in a day without the phone", grown)
		}
		if c.Pending() != seq || failed < 1000 {
			t.Errorf("%d of %d wait, after %d attempts", c.Pending(), seq, failed)
		}
		last := record.all[seq-3] // raised, and stands
		p.Show(&rules.State{Seq: seq, Alarms: []rules.AlarmState{{Seq: last.Seq, Alarm: last.Alarm, Station: last.Station, Lot: last.Lot, Probe: last.Probe,
			Priority: last.Priority, Status: rules.Unacknowledged, Active: true, Text: last.Text, Raised: last.At}}})
		up.Store(true)
		time.Sleep(10 * time.Minute)
		synctest.Wait()
		if c.Pending() != 0 {
			t.Fatalf("%d still wait: %v", c.Pending(), c.LastError())
		}
		got := f.got()
		if len(got) != alarms {
			t.Errorf("%d messages for %d alarms", len(got), alarms)
		}
		for i, call := range got {
			over := strings.Contains(call.body, "It is over")
			if !strings.Contains(call.body, fmt.Sprintf("lot-%d is", i)) || !strings.HasPrefix(call.body, "Late by ") || !strings.Contains(call.body, "raised at ") || over != (i < alarms-1) {
				t.Fatalf("message %d is %q", i, call.body)
			}
		}
		end()
	})
}

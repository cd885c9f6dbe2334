package phone

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"os"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"holdbell/publish"
	"holdbell/rules"
	"holdbell/sensor"
)

const pushAddress = "https://far.example/" + canary

func TestWhatRings(t *testing.T) {
	for _, c := range []struct {
		kind     rules.EventKind
		priority rules.Priority
		state    rules.AlarmStatus
		rings    bool
	}{
		{rules.AlarmRaised, rules.Critical, rules.Unacknowledged, true},
		{rules.AlarmRaised, rules.Warning, rules.Unacknowledged, true},
		{rules.AlarmRaised, rules.Advice, rules.Unacknowledged, false},
		{rules.AlarmRaised, rules.Critical, rules.Shelved, false},
		{rules.AlarmRaised, rules.Critical, rules.OutOfService, false},
		{rules.AlarmRepeated, rules.Warning, rules.Unacknowledged, true},
		{rules.AlarmCleared, rules.Warning, rules.Returned, true},
		{rules.AlarmCleared, rules.Critical, rules.Normal, true},
		{rules.AlarmAcknowledged, rules.Critical, rules.Acknowledged, false},
		{rules.AlarmShelved, rules.Critical, rules.Shelved, false},
		{rules.VerdictChanged, rules.Critical, "", false},
		{rules.LotEnded, rules.Critical, "", true},
		{rules.LotEnded, "", "", false},
		{rules.MarkTaken, "", "", false},
	} {
		f := &far{}
		p := phoneTo(t, pushAddress, f, nil)
		ev := event(p, 1, c.kind, c.priority)
		ev.State = c.state
		must(t, p, ev)
		if rang := len(f.got()) == 1; rang != c.rings {
			t.Errorf("%s, %s, %s: rings is %v, want %v", c.kind, c.priority, c.state, rang, c.rings)
		}
	}
}

func TestNewRefusesWhatCannotWork(t *testing.T) {
	clock := newClock().now
	for want, o := range map[string]Options{
		"set Name":                          {URLFile: "f", From: rules.Warning, Now: clock},
		"set URLFile":                       {Name: "n", From: rules.Warning, Now: clock},
		"write advice, warning or critical": {Name: "n", URLFile: "f", From: "loud", Now: clock},
		"set Now":                           {Name: "n", URLFile: "f", From: rules.Warning},
		"write at least 1":                  {Name: "n", URLFile: "f", From: rules.Warning, Now: clock, Budget: -1},
	} {
		if _, err := New(o); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%+v gives %v, want an error with %q", o, err, want)
		}
	}
}

func TestTheAddressIsReadForEveryMessage(t *testing.T) {
	f := &far{}
	p := phoneTo(t, pushAddress, f, nil)
	must(t, p, event(p, 1, rules.AlarmRaised, rules.Critical))
	if err := os.WriteFile(p.o.URLFile, []byte("https://far.example/second\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	must(t, p, event(p, 2, rules.AlarmRaised, rules.Critical))
	if err := os.Remove(p.o.URLFile); err != nil {
		t.Fatal(err)
	}
	err := p.Deliver(t.Context(), "led", event(p, 3, rules.AlarmRaised, rules.Critical))
	if err == nil || publish.IsPermanent(err) {
		t.Errorf("without its file the phone gives %v, want a passing error", err)
	}
	calls := f.got()
	if len(calls) != 2 || calls[0].path != "/"+canary || calls[1].path != "/second" {
		t.Errorf("calls %+v", calls)
	}
}

func TestADeadCardDoesNotSilenceThePhone(t *testing.T) {
	f := &far{}
	p := phoneTo(t, pushAddress, f, nil)
	// A directory opens and cannot be read, as a file on a dying card.
	if err := os.Remove(p.o.URLFile); err != nil {
		t.Fatal(err)
	}
	if err := os.Mkdir(p.o.URLFile, 0o700); err != nil {
		t.Fatal(err)
	}
	must(t, p, event(p, 1, rules.AlarmRaised, rules.Critical))
	if len(f.got()) != 1 {
		t.Error("the phone does not ring by the address that it knows")
	}
}

func TestBudget(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := &far{}
		p := phoneTo(t, pushAddress, f, func(o *Options) { o.Budget = 8 })
		seq := uint64(0)
		try := func(kind rules.EventKind, priority rules.Priority) error {
			time.Sleep(time.Second)
			seq++
			ev := event(p, seq, kind, priority)
			ev.Lot = fmt.Sprint("lot-", seq)
			return p.Deliver(t.Context(), "led", ev)
		}
		many := func(n int, kind rules.EventKind, priority rules.Priority) {
			t.Helper()
			for range n {
				if err := try(kind, priority); err != nil {
					t.Fatal(err)
				}
			}
		}
		want := func(sent int, dropped uint64) {
			t.Helper()
			if got := p.Stats(); len(f.got()) != sent || got.Sent != uint64(sent) || got.Dropped != dropped {
				t.Errorf("%d messages, figures %+v; want %d sent, %d dropped", len(f.got()), got, sent, dropped)
			}
		}
		many(6, rules.AlarmRepeated, rules.Warning)
		want(4, 2)
		many(5, rules.AlarmRaised, rules.Warning)
		want(6, 5)
		many(1, rules.AlarmRepeated, rules.Critical)
		want(6, 6)
		many(2, rules.AlarmRaised, rules.Critical)
		want(8, 6)
		err := try(rules.AlarmRaised, rules.Critical)
		if err == nil || publish.IsPermanent(err) || !strings.Contains(err.Error(), "59 min") {
			t.Errorf("a critical alarm beyond the budget gives %v, want a passing error that says when", err)
		}
		want(8, 6)
		// An hour after the first it has its turn.
		time.Sleep(time.Hour - 15*time.Second)
		many(1, rules.AlarmRaised, rules.Critical)
		want(9, 6)
	})
}

func TestAnEndOfWhatNobodyHeardIsSilent(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := &far{}
		p := phoneTo(t, pushAddress, f, func(o *Options) { o.Budget = 4 })
		tell := func(seq uint64, kind rules.EventKind, priority rules.Priority, lot string) {
			ev := event(p, seq, kind, priority)
			ev.Station, ev.Lot = lot, lot
			must(t, p, ev)
		}
		for seq, lot := range []string{"beef", "soup", "rice"} {
			tell(uint64(seq)+1, rules.AlarmRaised, rules.Critical, lot)
		}
		tell(4, rules.AlarmRaised, rules.Warning, "ham") // no room
		time.Sleep(2 * time.Hour)
		tell(5, rules.AlarmCleared, rules.Warning, "ham")
		tell(6, rules.AlarmCleared, rules.Critical, "beef")
		// The next time it is heard, and so is its end.
		tell(7, rules.AlarmRaised, rules.Warning, "ham")
		time.Sleep(2 * time.Hour)
		tell(8, rules.AlarmCleared, rules.Warning, "ham")
		want := []string{"beef: critical", "soup: critical", "rice: critical", "beef: over", "ham: warning", "ham: over"}
		if got := f.titles(); !slices.Equal(got, want) {
			t.Errorf("rang %q, want %q", got, want)
		}
	})
}

func TestAnEndOfWhatWasRefusedIsSilent(t *testing.T) {
	f := &far{answer: answers(410, 200)}
	p := phoneTo(t, pushAddress, f, nil)
	if err := p.Deliver(t.Context(), "led", event(p, 1, rules.AlarmRaised, rules.Critical)); !publish.IsPermanent(err) {
		t.Fatalf("410 gives %v", err)
	}
	must(t, p, event(p, 2, rules.AlarmCleared, rules.Critical))
	if len(f.got()) != 1 {
		t.Error("the end of an alarm that was refused rings")
	}
}

func TestFailedMessagesCostNoBudget(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := &far{answer: answers(500)}
		p := phoneTo(t, pushAddress, f, func(o *Options) { o.Budget = 2 })
		ev := event(p, 1, rules.AlarmRaised, rules.Critical)
		for range 10 {
			if err := p.Deliver(t.Context(), "led", ev); err == nil || publish.IsPermanent(err) {
				t.Fatalf("a far end in trouble gives %v", err)
			}
		}
		f.answer = nil
		must(t, p, ev)
	})
}

// flooded is a state in which n warnings stand since just now, with these Seqs from first.
func flooded(p *Phone, first uint64, n int) (*rules.State, []rules.Event) {
	st := &rules.State{Site: "demo-kitchen", At: p.o.Now(), Seq: first + uint64(n) - 1}
	var events []rules.Event
	for i := range n {
		seq := first + uint64(i)
		ev := event(p, seq, rules.AlarmRaised, rules.Warning)
		ev.Alarm, ev.Lot, ev.Probe = rules.ProbeFault, "", fmt.Sprint("probe-", seq)
		ev.Text = fmt.Sprintf("The probe %s is not answering.", ev.Probe)
		if i == n-1 {
			ev.Priority = rules.Critical
		}
		events = append(events, ev)
		st.Alarms = append(st.Alarms, rules.AlarmState{Seq: seq, Alarm: ev.Alarm, Station: ev.Station, Probe: ev.Probe, Priority: ev.Priority,
			Status: rules.Unacknowledged, Active: true, Since: ev.Since, Raised: ev.At, Text: ev.Text})
	}
	return st, events
}

func TestAFloodIsOneMessage(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := &far{}
		p := phoneTo(t, pushAddress, f, nil)
		st, events := flooded(p, 1, 8)
		st.Alarms[1].Status = rules.Acknowledged
		p.Show(st)
		for _, ev := range events {
			must(t, p, ev)
		}
		calls := f.got()
		// The acknowledged one does not stand in the sum; its own event still rings.
		if len(calls) != 2 || calls[0].header.Get("Title") != "7 alarms: critical" || calls[0].header.Get("Priority") != "5" ||
			calls[1].header.Get("Title") != "warmer: warning" {
			t.Fatalf("8 alarms at once make %q", f.titles())
		}
		if want := "7 alarms stand at once. The probe probe-8 is not answering. The probe probe-1 is not answering."; !strings.HasPrefix(calls[0].body, want) {
			t.Errorf("the sum is %q", calls[0].body)
		}
		if p.Stats().Summaries != 1 {
			t.Errorf("figures %+v", p.Stats())
		}
		// Another ledger begins at 1 again; nothing of it has been told.
		if err := p.Deliver(t.Context(), "other", events[7]); err != nil {
			t.Fatal(err)
		}
		if len(f.got()) != 3 {
			t.Error("an alarm of another ledger counts as told")
		}
	})
}

func TestASumSaysWhatItLeavesOut(t *testing.T) {
	f := &far{}
	p := phoneTo(t, pushAddress, f, nil)
	st, events := flooded(p, 1, 50)
	p.Show(st)
	must(t, p, events[0])
	body := f.got()[0].body
	told := strings.Count(body, "is not answering.")
	if told < 10 || told > 40 || !strings.HasSuffix(body, fmt.Sprintf(" And %d more. Kitchen: demo-kitchen.", 50-told)) {
		t.Errorf("of 50 alarms %d are told: %q", told, body)
	}
}

func TestAFloodThatFailedIsToldAgain(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := &far{answer: answers(500, 200)}
		p := phoneTo(t, pushAddress, f, nil)
		st, events := flooded(p, 1, 5)
		p.Show(st)
		if err := p.Deliver(t.Context(), "led", events[0]); err == nil {
			t.Fatal("a far end in trouble gives no error")
		}
		for _, ev := range events {
			must(t, p, ev)
		}
		if got := f.titles(); !slices.Equal(got, []string{"5 alarms: critical", "5 alarms: critical"}) {
			t.Errorf("rang %q", got)
		}
	})
}

func TestAFloodDropByDrop(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := &far{}
		p := phoneTo(t, pushAddress, f, nil)
		// An alarm every 0.7 s, each shown as it comes, all beside one courier.
		all, events := flooded(p, 1, 8)
		done := make(chan struct{})
		go func() {
			defer close(done)
			for i := range events {
				st := *all
				st.Seq, st.Alarms = uint64(i)+1, all.Alarms[:i+1]
				p.Show(&st)
				time.Sleep(700 * time.Millisecond)
			}
		}()
		for i, ev := range events {
			for p.state.Load() == nil || p.state.Load().Seq < uint64(i)+1 {
				time.Sleep(10 * time.Millisecond)
			}
			must(t, p, ev)
		}
		<-done
		got := f.titles()
		if !slices.Equal(got, []string{"warmer: warning", "warmer: warning", "warmer: warning", "3 alarms: warning", "2 alarms: critical"}) {
			t.Errorf("8 alarms one after the other ring %q", got)
		}
	})
}

func TestAWebhookGetsAFloodOneByOne(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := &far{}
		p := phoneTo(t, "json+"+pushAddress, f, nil)
		st, events := flooded(p, 1, 8)
		p.Show(st)
		for _, ev := range events {
			must(t, p, ev)
		}
		if len(f.got()) != 8 {
			t.Errorf("8 alarms make %d calls", len(f.got()))
		}
	})
}

func TestAfterAnOutageOneReminderIsEnough(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := &far{}
		p := phoneTo(t, pushAddress, f, nil)
		var backlog []rules.Event
		for seq := uint64(1); seq <= 12; seq++ {
			kind := rules.AlarmRepeated
			if seq == 1 {
				kind = rules.AlarmRaised
			}
			backlog = append(backlog, event(p, seq, kind, rules.Critical))
			time.Sleep(10 * time.Minute)
		}
		p.Show(&rules.State{Seq: 12, Alarms: []rules.AlarmState{{Seq: 1, Alarm: rules.BelowHotLimit, Station: "warmer", Lot: "brisket",
			Priority: rules.Critical, Status: rules.Unacknowledged, Active: true, Text: "It has got worse meanwhile."}}})
		for _, ev := range backlog {
			must(t, p, ev)
		}
		calls := f.got()
		if len(calls) != 1 || calls[0].body != "Late by 2 h: It has got worse meanwhile. Kitchen: demo-kitchen." {
			t.Errorf("two hours of one alarm make %d messages, the first %q", len(calls), calls[0].body)
		}
		// A late reminder of what somebody has acknowledged rings nobody, however long ago it rang.
		ev := event(p, 13, rules.AlarmRepeated, rules.Critical)
		time.Sleep(time.Hour)
		p.Show(&rules.State{Seq: 14})
		must(t, p, ev)
		// One that is on time does.
		must(t, p, event(p, 15, rules.AlarmRepeated, rules.Critical))
		if len(f.got()) != 2 || p.Stats().Dropped != 12 {
			t.Errorf("%d messages, figures %+v", len(f.got()), p.Stats())
		}
	})
}

func TestLateMessagesSaySo(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := &far{}
		for wait, want := range map[time.Duration]string{
			2 * time.Minute: "", 2*time.Minute + time.Second: "Late by 2 min", 14 * time.Minute: "Late by 14 min",
			185 * time.Minute: "Late by 3 h 5 min", 26 * time.Hour: "Late by 26 h", 73 * time.Hour: "Late by 3 d 1 h",
		} {
			f.calls = nil
			p := phoneTo(t, pushAddress, f, nil)
			ev := event(p, 1, rules.AlarmRaised, rules.Critical)
			time.Sleep(wait)
			must(t, p, ev)
			if want != "" {
				want += ", raised at " + ev.At.Wall.Format("15:04 on Mon 2 Jan") + ": "
			}
			if got := f.got()[0].body; got != want+ev.Text+" Kitchen: demo-kitchen." {
				t.Errorf("after %v: %q", wait, got)
			}
		}
		// Over a restart with a clock that nobody believes, nobody knows how late it is.
		f.calls = nil
		p := phoneTo(t, pushAddress, f, nil)
		ev := event(p, 1, rules.AlarmRaised, rules.Critical)
		ev.At.Boot, ev.At.Believed = sensor.BootID{1}, false
		time.Sleep(time.Hour)
		must(t, p, ev)
		if got := f.got()[0].body; strings.HasPrefix(got, "Late") {
			t.Errorf("an unknown age is told as %q", got)
		}
	})
}

func TestTheTestMessage(t *testing.T) {
	f := &far{}
	p := phoneTo(t, pushAddress, f, func(o *Options) { o.From = rules.Critical })
	if err := p.Test(t.Context()); err != nil {
		t.Fatal(err)
	}
	c := f.got()[0]
	if c.header.Get("Title") != "holdbell: test" || c.header.Get("Priority") != "5" || c.header.Get("Idempotency-Key") != "" ||
		c.body != "This is a test message. No alarm stands behind it. Kitchen: demo-kitchen." {
		t.Errorf("the test message is %+v", c)
	}
	f.answer = answers(401)
	if err := p.Test(t.Context()); err == nil || !strings.Contains(err.Error(), "401") {
		t.Errorf("a refused test gives %v", err)
	}
}

func TestDeliverHeedsItsContextInEveryWait(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := &far{answer: func(int, *http.Request) (*http.Response, error) {
			return reply(429, map[string]string{"Retry-After": "600"}), nil
		}}
		p := phoneTo(t, pushAddress, f, nil)
		ev := event(p, 1, rules.AlarmRaised, rules.Critical)
		if err := p.Deliver(t.Context(), "led", ev); err == nil {
			t.Fatal("429 gives no error")
		}
		ctx, cancel := context.WithTimeout(t.Context(), 30*time.Second)
		defer cancel()
		begun := time.Now()
		err := p.Deliver(ctx, "led", ev)
		if !errors.Is(err, context.DeadlineExceeded) || time.Since(begun) != 30*time.Second {
			t.Errorf("while silence is asked for, Deliver gives %v after %v", err, time.Since(begun))
		}
		if len(f.got()) != 1 {
			t.Errorf("%d calls while silence was asked for", len(f.got()))
		}
		f.answer = nil
		begun = time.Now()
		must(t, p, ev)
		if d := time.Since(begun); d != 570*time.Second {
			t.Errorf("the message went after %v more, want 570 s", d)
		}
	})
}

package daemon

import (
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"holdbell/publish/ledger"
	"holdbell/rules"
)

// TestADayWithoutTheOutside: for a day neither the broker nor the phone service can be reached, while alarms come and
// go. Every event is in the record, once. Once they are back, the broker has every event, in order; the phone has every
// alarm, in order and marked as late, and no reminder of what had ended; and nothing was heaped up in memory meanwhile.
func TestADayWithoutTheOutside(t *testing.T) {
	listen, address := taken(t)
	path := filepath.Join(inMemory(t), "l.db")
	var events uint64
	synctest.Test(t, func(t *testing.T) {
		r := beginDays(t, shortPeriod, listen, path, address)
		r.broker.listen(true)
		time.Sleep(6 * time.Hour)
		synctest.Wait()
		before := r.state.Load().Seq
		if r.broker.upTo != before || before == 0 || r.broker.old > 0 {
			t.Errorf("%d events before the outage; %d at the broker, %d of them late", before, r.broker.upTo, r.broker.old)
		}
		said := len(r.far.got)
		r.broker.listen(false)
		r.far.set(true)
		gone := time.Now()
		time.Sleep(2 * time.Hour)
		early := measured(t)
		time.Sleep(22 * time.Hour)
		late := measured(t)
		flat(t, early, late)
		during := r.state.Load().Seq
		if r.broker.upTo != before || len(r.far.got) != said {
			t.Error("something was told during the outage")
		}
		r.broker.listen(true)
		r.far.set(false)
		back := time.Now()
		time.Sleep(20 * time.Minute)
		synctest.Wait()
		events = r.state.Load().Seq
		for name, waiting := range r.outputs.Load().pending() {
			if waiting > 0 {
				t.Errorf("%d events still wait for %s", waiting, name)
			}
		}
		recorded, err := r.record.ledger.Events(t.Context(), 0, 1<<20)
		if err != nil {
			t.Fatal(err)
		}
		atLeast := 0 // so many were surely late
		for _, ev := range recorded[before:during] {
			if back.Sub(ev.At.Wall) > time.Minute {
				atLeast++
			}
		}
		if r.broker.upTo != events || r.broker.old < atLeast {
			t.Errorf("%d events, %d of them during the outage; %d at the broker, %d of them late", events, during-before, r.broker.upTo, r.broker.old)
		}
		ended, raised, reminders := 0, 0, 0
		for _, ev := range recorded[before:during] {
			switch ev.Kind {
			case rules.AlarmRaised:
				raised++
			case rules.AlarmCleared:
				ended++
			case rules.AlarmRepeated:
				reminders++
			}
		}
		told := r.far.got[said:]
		last, old := uint64(0), 0
		for _, m := range told {
			if m.seq < last {
				t.Errorf("the message of event %d came after that of %d", m.seq, last)
			}
			last = m.seq
			ev := recorded[m.seq-1]
			if ev.At.Wall.After(back.Add(-time.Minute)) {
				continue
			}
			if old++; !strings.HasPrefix(m.body, "Late by ") {
				t.Errorf("event %d of %v came %v later, and says %q", m.seq, ev.At.Wall, m.at.Sub(ev.At.Wall), m.body)
			}
		}
		// An alarm that came and went is one message, and so is the end of one that stood before.
		if raised < 5 || reminders < 5 || ended < 5 || old == 0 || old > raised+1 {
			t.Errorf("%d alarms, %d ends and %d reminders during the outage came as %d messages", raised, ended, reminders, old)
		}
		for _, ev := range recorded[before:during] {
			if ev.Kind == rules.AlarmRaised && ev.Priority.Rank() >= rules.Warning.Rank() && !mentioned(told, ev) {
				t.Errorf("no message tells of event %d: %s", ev.Seq, ev.Text)
			}
		}
		t.Logf("%v without the outside: %d events, %d alarms, %d ends, %d reminders; %d messages afterwards, %d events twice at the broker; after 2 h %v, after 24 h %v",
			back.Sub(gone), during-before, raised, ended, reminders, old, r.broker.again, early, late)
		r.end()
	})
	l, err := ledger.Open(path, ledger.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	dense(t, l, events)
}

// mentioned reports whether a message is of an event, or holds its sentence: several alarms can be one message.
func mentioned(told []message, ev rules.Event) bool {
	for _, m := range told {
		if m.seq == ev.Seq || strings.Contains(m.body, ev.Text) {
			return true
		}
	}
	return false
}

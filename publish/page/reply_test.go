package page

import (
	"context"
	"errors"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"

	"holdbell/rules"
	"holdbell/sensor"
)

// replies is a server whose page replies to the buttons of messages, marks into d, and lets nobody else mark.
func replies(t *testing.T, d *desk, st *rules.State) (at string) {
	t.Helper()
	p, err := New(Options{Now: func() sensor.Instant { return noon }, Mark: d.take, ReplyKey: []byte("a key of the test"),
		Visitor: func(*http.Request) Visitor { return Visitor{Why: "no"} }})
	if err != nil {
		t.Fatal(err)
	}
	p.Show(st)
	s := httptest.NewServer(p.Handler())
	t.Cleanup(s.Close)
	return s.URL
}

// ringing is the rich kitchen with a number for its first alarm.
func ringing(status rules.AlarmStatus, by string) *rules.State {
	st := rich()
	st.Alarms[0].Seq, st.Alarms[0].Status, st.Alarms[0].AckBy = 77, status, by
	return st
}

func press(t *testing.T, address string) (int, string) {
	t.Helper()
	r, err := http.Post(address, "", nil)
	if err != nil {
		t.Fatal(err)
	}
	return r.StatusCode, read(t, r, nil)
}

func TestAButtonAcknowledgesItsAlarmAlone(t *testing.T) {
	d := &desk{}
	at := replies(t, d, ringing(rules.Unacknowledged, ""))
	path := ReplyPath([]byte("a key of the test"), "led", 77)
	// Opening the link does nothing yet: programs look at links too.
	r, err := http.Get(at + path)
	if body := read(t, r, err); !strings.Contains(body, `method="post" action="`+path+`"`) || len(d.marks) != 0 {
		t.Errorf("%d marks, and the page is\n%s", len(d.marks), body)
	}
	if code, body := press(t, at+path); code != 200 || !strings.Contains(body, replyTaken) {
		t.Errorf("%d:\n%s", code, body)
	}
	if len(d.marks) != 1 {
		t.Fatalf("%d marks", len(d.marks))
	}
	m := d.marks[0]
	if m.Kind != rules.MarkAcknowledge || m.Alarm != rules.BelowHotLimit || m.Lot != "pulled pork" || m.Station != "warmer" || m.Probe != "pan-2" || m.By == "" || m.ID == "" {
		t.Errorf("the mark is %+v", m)
	}
}

func TestAButtonThatIsNotOurs(t *testing.T) {
	d := &desk{}
	at := replies(t, d, ringing(rules.Unacknowledged, ""))
	good := ReplyPath([]byte("a key of the test"), "led", 77)
	for name, path := range map[string]string{
		"another key":    ReplyPath([]byte("another"), "led", 77),
		"another alarm":  strings.Replace(good, "77", "78", 1),
		"another ledger": strings.Replace(good, "led", "old", 1),
		"cut short":      good[:len(good)-1],
		"no dots":        replyPath + "x",
		"no number":      replyPath + "led.x.y",
		"one too many":   good + "A",
	} {
		if code, body := press(t, at+path); code != http.StatusNotFound || !strings.Contains(body, "belongs to no alarm") {
			t.Errorf("%s: %d\n%s", name, code, body)
		}
	}
	if len(d.marks) != 0 {
		t.Errorf("%d marks", len(d.marks))
	}
}

func TestAButtonPressedLate(t *testing.T) {
	for name, tc := range map[string]struct {
		st   *rules.State
		want string
	}{
		"somebody was faster": {ringing(rules.Acknowledged, "R.Oduya"), "acknowledged already, by R.Oduya"},
		"it is over":          {&rules.State{Site: "demo-kitchen"}, replyOver},
	} {
		d := &desk{}
		at := replies(t, d, tc.st)
		if code, body := press(t, at+ReplyPath([]byte("a key of the test"), "led", 77)); code != 200 || !strings.Contains(body, tc.want) || len(d.marks) != 0 {
			t.Errorf("%s: %d, %d marks\n%s", name, code, len(d.marks), body)
		}
	}
}

func TestAButtonWhenTheMarkCannotBeKept(t *testing.T) {
	p, err := New(Options{Now: func() sensor.Instant { return noon }, ReplyKey: []byte("k"),
		Mark: func(context.Context, rules.Mark) (string, error) { return "", errors.New("the record stands still") }})
	if err != nil {
		t.Fatal(err)
	}
	p.Show(ringing(rules.Unacknowledged, ""))
	s := httptest.NewServer(p.Handler())
	defer s.Close()
	if code, body := press(t, s.URL+ReplyPath([]byte("k"), "led", 77)); code != http.StatusServiceUnavailable || !strings.Contains(body, "Not acknowledged.") {
		t.Errorf("%d\n%s", code, body)
	}
}

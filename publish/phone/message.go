package phone

import (
	"fmt"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"holdbell/rules"
	"holdbell/sensor"
)

const (
	// maxBody is what every service takes and a lock screen has room for, in bytes.
	maxBody = 1000
	// maxTitle is about what a phone shows of a title, in bytes.
	maxTitle = 120
	// lateFrom is how old an event is when its message says so.
	lateFrom = 2 * time.Minute
)

// message is what is sent for an event.
type message struct {
	key   string // LEDGER-SEQ; empty for a test
	title string
	body  string
	loud  rules.Priority
	over  bool // it tells of an end
	tags  []string
	ack   string // address that acknowledges; empty: none
	hook  Hook
}

// Hook is the JSON object of a webhook. Times are RFC 3339 in UTC, and null while the board's clock is
// not known to be right; the other fields are as in the daemon's other messages.
type Hook struct {
	Site     string            `json:"site"`
	Kind     rules.EventKind   `json:"kind"` // alarm-raised, alarm-repeated, alarm-cleared, lot-ended, or test
	Alarm    rules.AlarmName   `json:"alarm"`
	Station  string            `json:"station"`
	Lot      string            `json:"lot"`
	Probe    string            `json:"probe"`
	Priority rules.Priority    `json:"priority"`
	State    rules.AlarmStatus `json:"state"`   // by ANSI/ISA-18.2; empty when Kind is not an alarm's
	Verdict  rules.Verdict     `json:"verdict"` // about the lot; empty without one
	Text     string            `json:"text"`    // whole sentences
	Since    *string           `json:"since"`   // when the condition began
	Raised   *string           `json:"raised"`  // when the alarm was raised
	Late     int64             `json:"late_s"`  // seconds between the event and this message
	Seq      uint64            `json:"seq"`
	Ledger   string            `json:"ledger"`
	Page     string            `json:"page"`
	Answer   string            `json:"acknowledge"` // a POST there acknowledges the alarm; empty: none to acknowledge
}

// late is how long ago at was; 0 when that is not known.
func (p *Phone) late(at sensor.Instant) time.Duration {
	d, known := p.o.Now().Sub(at)
	if !known {
		return 0
	}
	return max(0, d)
}

// compose writes the message for ev as it goes out now.
func (p *Phone) compose(ledger string, ev rules.Event) message {
	now := p.o.Now()
	late := p.late(ev.At)
	raised, text := sensor.Instant{}, ev.Text
	if ev.Kind == rules.AlarmRaised {
		raised = ev.At
	}
	if st := p.state.Load(); st != nil && st.Seq >= ev.Seq {
		a := standing(st, identify(ev.Alarm, ev.Station, ev.Lot, ev.Probe))
		if a != nil && a.Seq <= ev.Seq { // else it has been raised again since, and this tells of the time before
			raised = a.Raised
			if late > lateFrom && a.Active {
				text = a.Text // how it stands now is worth more than how it stood
			}
		}
	}
	m := message{title: title(&ev), loud: ev.Priority, over: ev.Kind == rules.AlarmCleared,
		tags: []string{string(ev.Priority)},
		hook: Hook{Site: p.o.Site, Kind: ev.Kind, Alarm: ev.Alarm, Station: ev.Station, Lot: ev.Lot, Probe: ev.Probe,
			Priority: ev.Priority, State: ev.State, Verdict: ev.Verdict, Text: plain(ev.Text), Since: stamp(ev.Since, now),
			Raised: stamp(raised, now), Late: int64(late / time.Second), Seq: ev.Seq, Ledger: ledger, Page: p.o.Page}}
	m.ack = p.answer(ledger, &ev)
	m.hook.Answer = m.ack
	if ev.Seq > 0 {
		m.key = fmt.Sprintf("%s-%d", ledger, ev.Seq)
	}
	if ev.Alarm != "" {
		m.tags = append(m.tags, string(ev.Alarm))
	}
	if p.o.After > 0 && ev.Kind != rules.AlarmCleared && !raised.IsZero() {
		text = "Nobody has acknowledged this for " + rules.Words(p.late(raised)) + ". " + text
	}
	m.body = p.body(late, raised, text)
	return m
}

// tellPast makes m tell the whole of an alarm that came and went before it could be told.
func (p *Phone) tellPast(m *message, ev *rules.Event) {
	m.over, m.ack, m.title = true, "", title(&rules.Event{Kind: rules.AlarmCleared, Station: ev.Station})
	m.body = p.body(p.late(ev.At), ev.At, "It is over, and could not be told while it stood. What it said: "+ev.Text)
}

// body puts a text under its head and over its foot, in at most maxBody bytes.
func (p *Phone) body(late time.Duration, raised sensor.Instant, text string) string {
	head, foot := "", ""
	if late > lateFrom {
		head = "Late by " + rules.Words(late)
		if raised = raised.Rebase(p.o.Now()); raised.Believed {
			head += ", raised at " + raised.Wall.In(p.o.Zone).Format("15:04 on Mon 2 Jan")
		}
		head += ": "
	}
	if p.o.Site != "" {
		foot = cut(" Kitchen: "+plain(p.o.Site), maxTitle) + "."
	}
	return head + cut(plain(text), maxBody-len(head)-len(foot)) + foot
}

// title is the station and how urgent it is.
func title(ev *rules.Event) string {
	place := ev.Station
	if place == "" {
		place = "board"
	}
	word := string(ev.Priority)
	switch {
	case ev.Kind == "test":
		place, word = "holdbell", "test"
	case ev.Kind == rules.AlarmCleared:
		word = "over"
	case ev.Verdict == rules.Act, ev.Verdict == rules.Discard:
		word = string(ev.Verdict)
	}
	return cut(plain(place), maxTitle-len(word)-2) + ": " + word
}

// plain makes one line of s: valid UTF-8, no controls, single blanks.
func plain(s string) string {
	s = strings.Map(func(r rune) rune {
		if unicode.IsControl(r) || unicode.IsSpace(r) {
			return ' '
		}
		return r
	}, strings.ToValidUTF8(s, "\uFFFD"))
	return strings.Join(strings.Fields(s), " ")
}

// cut shortens s to at most n bytes: after the last whole sentence that fits, else after the last whole
// word, with an ellipsis, else after the last whole character.
func cut(s string, n int) string {
	const dots = "…"
	if len(s) <= n {
		return s
	}
	if n <= len(dots) {
		return ""
	}
	for i := n; i > 0; i-- {
		if s[i] == ' ' && strings.IndexByte(".!?", s[i-1]) >= 0 {
			return s[:i]
		}
	}
	n -= len(dots)
	for !utf8.RuneStart(s[n]) {
		n--
	}
	if i := strings.LastIndexByte(s[:n+1], ' '); i > 0 {
		n = i
	}
	return s[:n] + dots
}

// stamp writes an instant's wall time; nil when it is not known. A clock that is right by now tells when
// an earlier moment of this boot was.
func stamp(i, now sensor.Instant) *string {
	if i = i.Rebase(now); !i.Believed {
		return nil
	}
	s := i.Wall.UTC().Round(time.Second).Format(time.RFC3339)
	return &s
}

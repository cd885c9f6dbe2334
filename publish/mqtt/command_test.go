package mqtt

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"testing"

	paho "github.com/eclipse/paho.mqtt.golang"

	"holdbell/publish/publishtest"
	"holdbell/rules"
)

// marking gives options that take marks; what arrives goes to the channel.
func marking(o Options) (Options, chan rules.Mark) {
	marks := make(chan rules.Mark, 2000)
	o.Commands = true
	o.Mark = func(_ context.Context, m rules.Mark) (string, error) {
		if m.ID == "refuse" {
			return "", errors.New("no lot is called brisket 9")
		}
		marks <- m
		return "taken", nil
	}
	return o, marks
}

func TestMarksAndTheirAnswers(t *testing.T) {
	brokers(t, func(t *testing.T, h *host) {
		o, marks := marking(h.own(options()))
		c, _ := run(t, o)
		s := newSpy(t, h.addr)
		_, err := c.connected(t.Context())
		must(t, err)
		for _, tc := range []struct{ payload, answer string }{
			{`{"mark":"check","lot":"brisket","celsius":68.5,"by":"Ada","id":"a1"}`, `{"id":"a1","ok":true,"text":"taken"}`},
			{`{"mark":"note","note":"refuse me","id":"refuse"}`, `{"id":"refuse","ok":false,"text":"no lot is called brisket 9"}`},
			{`{"mark":"load","lot":"brisket","id":"a2"}`, `{"id":"a2","ok":false,"text":"the mark load needs a station; name the station that it goes to","field":"station"}`},
			{`{"mark":"note","when":"now"}`, `{"id":"","ok":false,"text":"the mark is not understood: json: unknown field \"when\"; its keys are lot, mark, station, note, by, id, celsius and fahrenheit"}`},
			{`{"note":"` + strings.Repeat("x", maxCommand) + `"}`, `{"id":"","ok":false,"text":"the mark has more than 4096 bytes; shorten its note"}`},
		} {
			done(t, s.mc.Publish(site+"command/mark", 1, false, tc.payload))
			s.has(site+"command/mark/answer", tc.answer)
		}
		if m := <-marks; m.Kind != rules.MarkCheck || m.Lot != "brisket" || m.Temp == nil || *m.Temp != 68_500 || m.By != "Ada" {
			t.Errorf("the mark came as %+v", m)
		}
		if n := len(marks); n != 0 {
			t.Errorf("%d marks came that should not", n)
		}
	})
}

func TestARetainedMarkIsIgnored(t *testing.T) {
	h := mosquitto(t, "allow_anonymous true\n")
	raw := rawClient(t, paho.NewClientOptions().AddBroker("tcp://"+h.addr))
	done(t, raw.Publish(site+"command/mark", 1, true, `{"mark":"note","note":"an old one","id":"old"}`))
	o, marks := marking(h.own(options()))
	var book logbook
	o.Log = book.logger()
	c, _ := run(t, o)
	_, err := c.connected(t.Context())
	must(t, err)
	s := newSpy(t, h.addr)
	done(t, raw.Publish(site+"command/mark", 1, false, `{"mark":"note","note":"a new one","id":"new"}`))
	s.begins(site+"command/mark/answer", `{"id":"new","ok":true`)
	if m := <-marks; m.ID != "new" || len(marks) != 0 {
		t.Errorf("the first mark is %q, and %d more came", m.ID, len(marks))
	}
	if !strings.Contains(book.String(), "a retained mark is ignored") {
		t.Errorf("nothing is logged of it:\n%s", book.String())
	}
}

func TestWithoutCommandsNoMarkIsTaken(t *testing.T) {
	h := mosquitto(t, "allow_anonymous true\n")
	o, marks := marking(h.own(options()))
	o.Commands = false
	c, _ := run(t, o)
	s := newSpy(t, h.addr)
	_, err := c.connected(t.Context())
	must(t, err)
	done(t, s.mc.Publish(site+"command/mark", 1, false, `{"mark":"note","note":"x","id":"a"}`))
	// What is shown after it arrives after it; had the mark been taken, it would be there by then.
	c.Show(shift(1))
	s.begins(alarmTopic, "{")
	if len(marks) != 0 || len(c.commands) != 0 {
		t.Error("a mark was taken though commands are off")
	}
}

func TestAMarkThatPublishesAThousandTimes(t *testing.T) {
	brokers(t, func(t *testing.T, h *host) {
		o, _ := marking(h.own(options()))
		var c *Client
		ready := make(chan struct{})
		o.Mark = func(ctx context.Context, m rules.Mark) (string, error) {
			<-ready
			c.Show(shift(1))
			return "told", c.Deliver(ctx, "l", publishtest.Events(1)[0])
		}
		c, _ = run(t, o)
		close(ready)
		s := newSpy(t, h.addr)
		_, err := c.connected(t.Context())
		must(t, err)
		for i := range 1000 {
			done(t, s.mc.Publish(site+"command/mark", 1, false, fmt.Sprintf(`{"mark":"note","note":"x","id":"n%d"}`, i)))
			s.has(site+"command/mark/answer", fmt.Sprintf(`{"id":"n%d","ok":true,"text":"told"}`, i))
		}
	})
}

func TestMoreMarksThanCanWait(t *testing.T) {
	h := mosquitto(t, "allow_anonymous true\n")
	o, _ := marking(h.own(options()))
	var book logbook
	o.Log = book.logger()
	stuck, taken := make(chan struct{}), make(chan struct{}, 1)
	o.Mark = func(context.Context, rules.Mark) (string, error) {
		select {
		case taken <- struct{}{}:
		default:
		}
		<-stuck
		return "late", nil
	}
	c, stop := run(t, o)
	defer stop()
	defer close(stuck)
	s := newSpy(t, h.addr)
	_, err := c.connected(t.Context())
	must(t, err)
	for i := range 3 * maxCommands {
		done(t, s.mc.Publish(site+"command/mark", 1, false, fmt.Sprintf(`{"mark":"note","note":"x","id":"n%d"}`, i)))
	}
	<-taken
	// The connection goes on meanwhile.
	must(t, c.Deliver(t.Context(), "l", publishtest.Events(1)[0]))
	c.Show(shift(1))
	s.begins(alarmTopic, "{")
	if !strings.Contains(book.String(), "too many marks wait") {
		t.Errorf("nothing is logged:\n%s", book.String())
	}
}

func FuzzDecodeMark(f *testing.F) {
	for _, s := range []string{
		`{"mark":"check","lot":"brisket","celsius":68.5,"by":"Ada","id":"a1"}`,
		`{"mark":"load","lot":"b","station":"pit","note":"food=beef fresh","fahrenheit":1e400}`,
		`{"mark":null}`, `null`, `[]`, `{}`, `{}{}`, `{"mark":"note"} x`, `{"celsius":"68"}`, `{"mark":"note","extra":1}`,
		"{\"note\":\"\xff\"}", `{"note":"\ud800"}`, "\ufeff{}", " \n{ } ", strings.Repeat("[", 5000), `{"Start":"2026-01-01T00:00:00Z"}`,
	} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, payload []byte) {
		fields, err := decodeMark(payload)
		if err != nil {
			if err.Error() == "" || len(err.Error()) > 2*maxCommand {
				t.Errorf("the error has %d bytes", len(err.Error()))
			}
			return
		}
		if len(payload) > maxCommand || !fields.Start.IsZero() {
			t.Errorf("let through: %q", payload)
		}
		again, err := json.Marshal(fields)
		if err != nil {
			t.Fatalf("%+v: %v", fields, err)
		}
		if len(again) > maxCommand {
			return
		}
		fields2, err := decodeMark(again)
		if err != nil {
			t.Fatalf("%s: %v", again, err)
		}
		third, err := json.Marshal(fields2)
		if err != nil || !bytes.Equal(again, third) {
			t.Errorf("%s came back as %s (%v)", again, third, err)
		}
		if m, err := rules.ParseMark(fields); err == nil && m.Kind == "" {
			t.Errorf("a mark without a kind was let through: %q", payload)
		}
	})
}

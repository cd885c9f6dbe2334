package topic

import (
	"context"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"holdbell/sensor"
)

func probe(t *testing.T, h *Hub, o Opts) *Dev {
	t.Helper()
	d, err := h.Probe(o)
	if err != nil {
		t.Fatal(err)
	}
	return d
}

func TestMessages(t *testing.T) {
	for _, c := range []struct {
		name, pointer, message string
		fahrenheit             bool
		want                   sensor.Temp
		fault                  sensor.Fault
		says                   string
	}{
		{name: "a bare number", message: "65.5", want: 65_500},
		{name: "below zero with spaces", message: " -18.25\n", want: -18_250},
		{name: "in quotes", message: `"65.5"`, want: 65_500},
		{name: "fahrenheit", message: "135", fahrenheit: true, want: sensor.FahrenheitLimit(135)},
		{name: "in an object", pointer: "/temperature", message: `{"battery":91,"temperature":4.5}`, want: 4_500},
		{name: "in an array of objects", pointer: "/probes/1/c", message: `{"probes":[{"c":1},{"c":"2.5"}]}`, want: 2_500},
		// RFC 6901, section 5: the document's own examples of escapes.
		{name: "escaped slash", pointer: "/a~1b", message: `{"a/b":1}`, want: 1_000},
		{name: "escaped tilde", pointer: "/m~0n", message: `{"m~n":8}`, want: 8_000},
		{name: "empty name", pointer: "/", message: `{"":3}`, want: 3_000},
		{name: "null", pointer: "/celsius", message: `{"celsius":null}`, fault: sensor.Stale, says: "no reading"},
		{name: "missing", pointer: "/a/b", message: `{"a":{}}`, fault: sensor.BusFault, says: "nothing at /a/b"},
		{name: "through a number", pointer: "/a/b", message: `{"a":1}`, fault: sensor.BusFault, says: "nothing at /a/b"},
		{name: "index out of range", pointer: "/2", message: `[1,2]`, fault: sensor.BusFault, says: "nothing at /2"},
		{name: "negative index", pointer: "/-1", message: `[1,2]`, fault: sensor.BusFault},
		{name: "an object", message: `{}`, fault: sensor.BusFault, says: "no number"},
		{name: "a word", message: `"unavailable"`, fault: sensor.BusFault, says: "unavailable"},
		{name: "no JSON", message: `offline`, fault: sensor.BusFault, says: "neither"},
		{name: "empty", message: ``, fault: sensor.BusFault},
		{name: "not a number", message: `"NaN"`, fault: sensor.BusFault},
		{name: "beyond all", message: `1e9`, fault: sensor.Range, says: "unit"},
		{name: "kelvin by mistake", message: `"-300"`, fault: sensor.Range},
		{name: "too long", message: strings.Repeat(" ", maxMessage) + "1", fault: sensor.BusFault},
	} {
		t.Run(c.name, func(t *testing.T) {
			var h Hub
			d := probe(t, &h, Opts{Topic: "kitchen/x", Pointer: c.pointer, Fahrenheit: c.fahrenheit, MaxAge: time.Minute})
			h.Deliver("kitchen/other", []byte("1"))
			h.Deliver("kitchen/x", []byte(c.message))
			r, err := d.Read(context.Background())
			if r.Fault != c.fault || r.Temp != c.want || (err == nil) != r.Valid() {
				t.Fatalf("%v %v, %v", r.Temp, r.Fault, err)
			}
			if err != nil && (!strings.Contains(err.Error(), c.says) || !strings.Contains(err.Error(), d.String())) {
				t.Errorf("error %q does not say %q", err, c.says)
			}
		})
	}
}

func TestAge(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var h Hub
		d := probe(t, &h, Opts{Topic: "x", MaxAge: time.Minute})
		expect := func(want sensor.Fault, says string) {
			t.Helper()
			r, err := d.Read(context.Background())
			if r.Fault != want || err != nil && !strings.Contains(err.Error(), says) {
				t.Fatalf("%v, %v", r, err)
			}
		}
		expect(sensor.Stale, "no message yet")
		h.Deliver("x", []byte("50"))
		time.Sleep(time.Minute)
		expect(sensor.None, "")
		time.Sleep(time.Second)
		expect(sensor.Stale, "1m1s old")
		h.Deliver("x", []byte("nonsense"))
		expect(sensor.BusFault, "neither")
		h.Deliver("x", []byte("51"))
		expect(sensor.None, "")
	})
}

func TestTwoProbesOfOneTopic(t *testing.T) {
	var h Hub
	a := probe(t, &h, Opts{Topic: "x", Pointer: "/a", MaxAge: time.Minute})
	b := probe(t, &h, Opts{Topic: "x", Pointer: "/b", MaxAge: time.Minute})
	h.Deliver("x", []byte(`{"a":1,"b":2}`))
	for d, want := range map[*Dev]sensor.Temp{a: 1_000, b: 2_000} {
		if r, err := d.Read(context.Background()); r.Temp != want {
			t.Errorf("%v, %v", r, err)
		}
	}
}

func TestRefused(t *testing.T) {
	var h Hub
	for _, o := range []Opts{
		{MaxAge: time.Minute},
		{Topic: "a/+/b", MaxAge: time.Minute},
		{Topic: "a/#", MaxAge: time.Minute},
		{Topic: "a"},
		{Topic: "a", MaxAge: time.Minute, Pointer: "temperature"},
		{Topic: "a", MaxAge: time.Minute, Pointer: "/a~2"},
		{Topic: "a", MaxAge: time.Minute, Pointer: "/a~"},
	} {
		if _, err := h.Probe(o); err == nil {
			t.Errorf("%+v is taken", o)
		}
	}
}

func FuzzFind(f *testing.F) {
	f.Add([]byte(`{"a":[{"b":1.5}]}`), "/a/0/b")
	f.Add([]byte("65.5"), "")
	f.Add([]byte(`{"a/b":"x"}`), "/a~1b")
	f.Fuzz(func(t *testing.T, payload []byte, pointer string) {
		steps, err := ParsePointer(pointer)
		if err != nil {
			return
		}
		if v, err := find(payload, steps); err == nil && v != v {
			t.Errorf("%q at %q gives no number and no error", payload, pointer)
		}
	})
}

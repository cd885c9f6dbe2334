// Package topic makes a probe of what somebody else publishes: a wireless thermometer of any make whose readings
// come as messages. It knows no network; whoever receives the messages hands them to a Hub.
//
// A message is a number, or JSON in which a pointer (RFC 6901) leads to one. How old the reading itself is,
// nobody can tell: it counts from its arrival, and one that is older than allowed is stale.
package topic

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"holdbell/sensor"
)

// maxMessage bounds a message, in bytes.
const maxMessage = 64 << 10

// Opts says where a reading is found in a message.
type Opts struct {
	Topic      string        // without wildcards
	Pointer    string        // RFC 6901, such as /probes/0/temperature; empty when the message is the number
	Fahrenheit bool          // the number is in °F, else in °C
	MaxAge     time.Duration // since its arrival; an older reading is stale
}

// Hub hands messages to probes. Its zero value is ready; it is safe for concurrent use.
type Hub struct {
	mu     sync.Mutex
	probes map[string][]*Dev
}

// Dev is one probe. It implements sensor.Probe.
type Dev struct {
	o       Opts
	pointer []string

	mu      sync.Mutex
	celsius float64
	err     error // why the newest message gave no temperature
	at      time.Time
}

// Probe makes a probe of a topic. The error names what in the options cannot be.
func (h *Hub) Probe(o Opts) (*Dev, error) {
	pointer, err := ParsePointer(o.Pointer)
	switch {
	case err != nil:
		return nil, err
	case o.Topic == "" || strings.ContainsAny(o.Topic, "+#\x00"):
		return nil, fmt.Errorf("topic %q: write one topic in full, without + or #", o.Topic)
	case o.MaxAge <= 0:
		return nil, fmt.Errorf("topic %s: a reading needs a greatest age above zero, such as 60s", o.Topic)
	}
	d := &Dev{o: o, pointer: pointer}
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.probes == nil {
		h.probes = make(map[string][]*Dev)
	}
	h.probes[o.Topic] = append(h.probes[o.Topic], d)
	return d, nil
}

// Deliver hands a message to every probe of its topic. A message that the broker kept from before (retained)
// is not to be delivered: nobody knows how old it is.
func (h *Hub) Deliver(topic string, payload []byte) {
	h.mu.Lock()
	probes := h.probes[topic]
	h.mu.Unlock()
	for _, d := range probes {
		d.take(payload)
	}
}

// Topics lists what messages are wanted of, in order.
func (h *Hub) Topics() []string {
	h.mu.Lock()
	defer h.mu.Unlock()
	return slices.Sorted(maps.Keys(h.probes))
}

// take reads a message.
func (d *Dev) take(payload []byte) {
	c, err := find(payload, d.pointer)
	if err == nil && d.o.Fahrenheit {
		c = (c - 32) * 5 / 9
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	d.celsius, d.err, d.at = c, err, time.Now()
}

// Read gives the newest reading.
func (d *Dev) Read(context.Context) (sensor.Reading, error) {
	d.mu.Lock()
	celsius, err, at := d.celsius, d.err, d.at
	d.mu.Unlock()
	age := time.Since(at)
	switch {
	case at.IsZero():
		return d.bad(sensor.Stale, errors.New("no message yet"))
	case age > d.o.MaxAge:
		return d.bad(sensor.Stale, fmt.Errorf("the last message is %v old, and at most %v is allowed", age.Round(time.Second), d.o.MaxAge))
	case errors.Is(err, errNull):
		return d.bad(sensor.Stale, err)
	case err != nil:
		return d.bad(sensor.BusFault, err)
	}
	// No thermometer of a kitchen goes further: a type R thermocouple ends at 1768 °C (NIST Monograph 175).
	t, ok := sensor.FromCelsius(celsius)
	if !ok || celsius < -200 || celsius > 1800 {
		return d.bad(sensor.Range, fmt.Errorf("%g °C is no temperature of a kitchen's: is the unit right?", celsius))
	}
	return sensor.Reading{Temp: t}, nil
}

func (d *Dev) bad(f sensor.Fault, why error) (sensor.Reading, error) {
	return sensor.Bad(f), fmt.Errorf("%s: %w", d, why)
}

// MinInterval is next to nothing: messages come when they come.
func (d *Dev) MinInterval() time.Duration { return time.Millisecond }

// String names the topic.
func (d *Dev) String() string { return "topic " + d.o.Topic }

// ParsePointer splits a JSON pointer into its steps (RFC 6901: ~1 is /, ~0 is ~).
func ParsePointer(s string) ([]string, error) {
	if s == "" {
		return nil, nil
	}
	if s[0] != '/' {
		return nil, fmt.Errorf("pointer %q: a JSON pointer begins with /, such as /temperature", s)
	}
	steps := strings.Split(s[1:], "/")
	for i, step := range steps {
		for j := strings.IndexByte(step, '~'); j >= 0; {
			if j+1 >= len(step) || step[j+1] != '0' && step[j+1] != '1' {
				return nil, fmt.Errorf("pointer %q: ~ is written ~0, and a / within a name ~1", s)
			}
			next := strings.IndexByte(step[j+1:], '~')
			if next < 0 {
				break
			}
			j += 1 + next
		}
		steps[i] = strings.NewReplacer("~1", "/", "~0", "~").Replace(step)
	}
	return steps, nil
}

var errNull = errors.New("the message says that there is no reading (null)")

// find follows a pointer to a number. A number within quotes counts: many publishers write it so.
func find(payload []byte, steps []string) (float64, error) {
	if len(payload) > maxMessage {
		return 0, fmt.Errorf("a message of %d bytes is no reading", len(payload))
	}
	d := json.NewDecoder(bytes.NewReader(payload))
	d.UseNumber()
	var v any
	if err := d.Decode(&v); err != nil {
		return 0, fmt.Errorf("the message is neither a number nor JSON: %w", err)
	}
	for i, step := range steps {
		var ok bool
		switch in := v.(type) {
		case map[string]any:
			v, ok = in[step]
		case []any:
			n, err := strconv.Atoi(step)
			if ok = err == nil && n >= 0 && n < len(in); ok {
				v = in[n]
			}
		}
		if !ok {
			return 0, fmt.Errorf("the message has nothing at /%s", strings.Join(steps[:i+1], "/"))
		}
	}
	switch v := v.(type) {
	case nil:
		return 0, errNull
	case json.Number:
		return number(v.String())
	case string:
		return number(strings.TrimSpace(v))
	}
	return 0, errors.New("what the pointer leads to is no number")
}

func number(s string) (float64, error) {
	f, err := strconv.ParseFloat(s, 64)
	if err != nil || f != f {
		return 0, fmt.Errorf("%q is no number", s)
	}
	return f, nil
}

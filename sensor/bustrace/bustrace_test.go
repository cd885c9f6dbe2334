package bustrace_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"reflect"
	"strings"
	"sync"
	"testing"
	"time"

	"holdbell/sensor"
	"holdbell/sensor/bustrace"
	"holdbell/sensor/its90"
	"holdbell/sensor/max31855"
	"holdbell/sensor/sensortest"
)

// wired is a board on which every place is a transport by hand.
type wired struct{ t sensor.Transport }

func (w wired) SPI(string, sensor.SPIConfig) (sensor.Transport, error) { return w.t, nil }
func (w wired) I2C(string, uint16) (sensor.Transport, error)           { return w.t, nil }

// chip answers a MAX31855's frames in turn, and fails where there is none.
type chip struct{ frames [][]byte }

func (c *chip) String() string { return "SPI0.0" }
func (c *chip) Tx(_ context.Context, _, r []byte) error {
	f := c.frames[0]
	c.frames = c.frames[1:]
	if f == nil {
		return fmt.Errorf("SPI0.0: no answer in time: %w", context.DeadlineExceeded)
	}
	copy(r, f)
	return nil
}

// A driver that was traced says the same over the trace as it said then, its faults too.
func TestTracePlaysBack(t *testing.T) {
	// MAX31855 datasheet, tables 4 and 5: 100 °C beside 25 °C, -0.25 °C beside -0.0625 °C, and a probe that is open.
	board := &chip{[][]byte{{0x06, 0x40, 0x19, 0x00}, {0xff, 0xfc, 0xff, 0xf0}, nil, {0x00, 0x01, 0x19, 0x01}, {0x06, 0x40, 0x19, 0x00}}}
	reads := len(board.frames)
	var text bytes.Buffer
	rec := bustrace.New(&text, bustrace.MaxBytes, func(err error) { t.Error(err) })
	play := func(b sensor.Buses) []string {
		t.Helper()
		bus, err := b.SPI("SPI0.0", max31855.SPI())
		if err != nil {
			t.Fatal(err)
		}
		p, err := max31855.New(bus, max31855.Opts{Type: its90.K})
		if err != nil {
			t.Fatal(err)
		}
		var said []string
		for range reads {
			r, err := p.Read(t.Context())
			said = append(said, fmt.Sprint(r, err, errors.Is(err, context.DeadlineExceeded)))
		}
		return said
	}
	then := play(rec.Wrap(wired{board}))
	rec.Close()
	trace, err := bustrace.Read(&text)
	if err != nil || len(trace) != reads {
		t.Fatalf("%d transactions, %v", len(trace), err)
	}
	if !strings.HasSuffix(then[2], "true") || !strings.Contains(then[3], "open") {
		t.Fatalf("the board said %q", then)
	}
	buses := sensortest.NewTrace(t, trace)
	if _, err := buses.I2C("I2C1", 0x60); !errors.Is(err, sensor.ErrNoDevice) || !strings.Contains(err.Error(), "it has: SPI0.0") {
		t.Errorf("another place: %v", err)
	}
	if buses.Left("SPI0.0") != reads {
		t.Errorf("%d are left of %d", buses.Left("SPI0.0"), reads)
	}
	if now := play(buses); !reflect.DeepEqual(now, then) {
		t.Errorf("over the trace:\n%q\nthen:\n%q", now, then)
	}
}

// A trace that is full ends with a whole line and is told once; the bus goes on.
func TestTraceIsBounded(t *testing.T) {
	var text bytes.Buffer
	var mu sync.Mutex
	var why []error
	const limit = 400
	rec := bustrace.New(&text, limit, func(err error) { mu.Lock(); why = append(why, err); mu.Unlock() })
	bus, _ := rec.Wrap(wired{sensortest.Constant(0x19)}).SPI("SPI9.9", sensor.SPIConfig{})
	for i := range 50 {
		r := make([]byte, 4)
		if err := bus.Tx(t.Context(), nil, r); err != nil || r[3] != 0x19 {
			t.Fatalf("transaction %d: %v, % x", i, err, r)
		}
	}
	rec.Close()
	if len(why) != 1 || why[0].Error() != "it is full" {
		t.Errorf("told %v", why)
	}
	if n := text.Len(); n > limit || n < limit/2 || !strings.HasSuffix(text.String(), "\n") {
		t.Errorf("%d bytes:\n%s", n, text.String())
	}
	if trace, err := bustrace.Read(&text); err != nil || len(trace) == 0 {
		t.Errorf("%d transactions, %v", len(trace), err)
	}
}

// stuckDisk takes the first line and no more until it is let go.
type stuckDisk struct{ free chan struct{} }

func (d *stuckDisk) Write(b []byte) (int, error) { <-d.free; return len(b), nil }

// A disk that hangs ends the trace and holds no bus up.
func TestSlowDiskHoldsNoBus(t *testing.T) {
	disk := &stuckDisk{make(chan struct{})}
	var why []error
	rec := bustrace.New(disk, bustrace.MaxBytes, func(err error) { why = append(why, err) })
	bus, _ := rec.Wrap(wired{sensortest.Constant(0)}).SPI("SPI9.9", sensor.SPIConfig{})
	for range 10_000 {
		if err := bus.Tx(t.Context(), []byte{1}, nil); err != nil {
			t.Fatal(err)
		}
	}
	close(disk.free)
	rec.Close()
	if len(why) != 1 || !strings.Contains(why[0].Error(), "keep up") {
		t.Errorf("told %v", why)
	}
}

const head = "# holdbell bus trace 1\n"

func TestReadRefuses(t *testing.T) {
	for _, c := range []struct{ text, want string }{
		{"", "line 1: this is no bus trace"},
		{"time,core [C]\n", "line 1: this is no bus trace"},
		{head + "x\n", "line 2: 1 fields"},
		{head + "yesterday\tSPI0.0\t1\t-\t00\t-\n", "line 2: \"yesterday\" is no time"},
		{head + "2026-05-02T11:00:00Z\t\t1\t-\t00\t-\n", "the place is empty"},
		{head + "2026-05-02T11:00:00Z\tSPI0.0\t-1\t-\t00\t-\n", "no microseconds"},
		{head + "2026-05-02T11:00:00Z\tSPI0.0\t1\t0\t00\t-\n", "no bytes in hexadecimal"},
		{head + "2026-05-02T11:00:00Z\tSPI0.0\t1\t-\t\t-\n", "no bytes in hexadecimal"},
		{head + "2026-05-02T11:00:00Z\tSPI0.0\t1\t-\t-\tcold\n", "no error in double quotes"},
		{head + "2026-05-02T11:00:00Z\tSPI0.0\t1\t-\t00\t\"cold\"\n", "has read nothing"},
		{head + strings.Repeat("x", 70_000) + "\n", "line 2: longer than"},
	} {
		if got, err := bustrace.Read(strings.NewReader(c.text)); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%.80q: %v, %v; want %q", c.text, got, err, c.want)
		}
	}
	cut := head + "2026-05-02T11:00:00Z\tI2C1 0x60\t12\t04\t00c1\t-\n2026-05-02T11:00:01Z\tI2C1 0x6"
	got, err := bustrace.Read(strings.NewReader(cut))
	want := []bustrace.Transaction{{At: time.Date(2026, 5, 2, 11, 0, 0, 0, time.UTC), Place: "I2C1 0x60", Took: 12 * time.Microsecond, W: []byte{4}, R: []byte{0, 0xc1}}}
	if err != nil || !reflect.DeepEqual(got, want) {
		t.Errorf("cut off: %+v, %v", got, err)
	}
}

// FuzzRead: whatever is read can be written by a recorder and read again alike.
func FuzzRead(f *testing.F) {
	f.Add(head + "2026-05-02T11:00:00.5Z\tSPI0.1\t140\t0f00\t00c1\t-\n")
	f.Add(head + "2026-05-02T11:00:00Z\tI2C1 0x60\t9\t-\t-\t\"no \\\"answer\\\" \\u00b0\"\n")
	f.Add(head)
	f.Add("")
	f.Fuzz(func(t *testing.T, text string) {
		got, err := bustrace.Read(strings.NewReader(text))
		if err != nil {
			return
		}
		var again bytes.Buffer
		again.WriteString(head)
		for i := range got {
			again.Write(bustrace.Line(&got[i]))
		}
		back, err := bustrace.Read(&again)
		if err != nil || len(back) != len(got) {
			t.Fatalf("%q: read again: %v", text, err)
		}
		for i := range got {
			if !got[i].At.Equal(back[i].At) {
				t.Fatalf("%v then %v", got[i].At, back[i].At)
			}
			got[i].At, back[i].At = time.Time{}, time.Time{}
		}
		if !reflect.DeepEqual(got, back) {
			t.Fatalf("%+v then %+v", got, back)
		}
	})
}

package mcp9808

import (
	"context"
	"errors"
	"fmt"
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"holdbell/sensor"
	"holdbell/sensor/sensortest"
)

// chip is a register file that behaves as the data sheet says, as far as a driver can see it over the bus.
type chip struct {
	regs  [9]uint16
	t     int  // sixteenths of a degree
	idle  bool // no conversion since power-on
	stuck bool // the limits do not take
	looks int
}

func newChip() *chip {
	c := &chip{t: 65*16 + 1}
	c.powerCut()
	c.idle = false
	return c
}

// powerCut is a brown-out: limits at 0 °C, nothing converted yet.
func (c *chip) powerCut() {
	c.regs = [9]uint16{regManufacturer: manufacturer, regDevice: 0x0400, 8: 3}
	c.idle = true
}

// signed reads 13 bits of two's complement.
func signed(v uint16) int { return int(int16(v<<3)) >> 3 }

func (c *chip) word() uint16 {
	if c.idle {
		return 0
	}
	w := uint16(c.t) & 0x1fff
	if c.t >= signed(c.regs[regCritical]) {
		w |= 1 << 15
	}
	if c.t > signed(c.regs[2]) {
		w |= 1 << 14
	}
	if c.t < signed(c.regs[3]) {
		w |= 1 << 13
	}
	return w
}

func (c *chip) String() string { return "I2C1 0x18" }

func (c *chip) Tx(ctx context.Context, w, r []byte) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	if len(w) == 0 || int(w[0]) >= len(c.regs) {
		return fmt.Errorf("% x written", w)
	}
	switch reg := w[0]; {
	case len(w) == 3 && len(r) == 0 && reg < regTemperature:
		v := uint16(w[1])<<8 | uint16(w[2])
		if reg > 1 {
			v &= 0x1ffc
		}
		if !c.stuck {
			c.regs[reg] = v
		}
	case len(w) == 2 && len(r) == 0 && reg == 8:
		c.regs[reg] = uint16(w[1]) & 3
	case len(w) == 1 && len(r) == 2:
		v := c.regs[reg]
		if reg == regTemperature {
			v = c.word()
			c.looks++
		}
		r[0], r[1] = byte(v>>8), byte(v)
	default:
		return fmt.Errorf("% x written, %d bytes read", w, len(r))
	}
	return nil
}

func open(t *testing.T) (*chip, *Dev) {
	t.Helper()
	c := newChip()
	d, err := New(c)
	if err != nil {
		t.Fatal(err)
	}
	return c, d
}

func expect(t *testing.T, d *Dev, want sensor.Fault, words string) sensor.Temp {
	t.Helper()
	r, err := d.Read(t.Context())
	if r.Fault != want || (err == nil) != (want == sensor.None) {
		t.Errorf("%v, %v: not %q", r, err, want)
	}
	if err != nil && !strings.Contains(err.Error(), words) {
		t.Errorf("%v: says nothing of %q", err, words)
	}
	return r.Temp
}

func TestConformance(t *testing.T) {
	sensortest.Conformance(t, "MCP9808",
		func(tr sensor.Transport) (sensor.Probe, error) { return New(tr) },
		func() sensor.Transport { return newChip() }, sensortest.Wraps)
}

// TestEveryCode: each code of the chip's range, sign and all, is the temperature that equation 5-1 of the data
// sheet gives; at its ends the flags say that it is none.
func TestEveryCode(t *testing.T) {
	c, d := open(t)
	expect(t, d, sensor.Stale, "set up anew")
	for c.t = lowest*16 - 8; c.t <= critical*16+8; c.t++ {
		want := sensor.None
		if c.t < lowest*16 || c.t > highest*16 {
			want = sensor.Range
		}
		got := expect(t, d, want, "outside the chip's")
		if want == sensor.None && float64(got) != math.Round(float64(c.t)*62.5) {
			t.Fatalf("%d sixteenths: %v", c.t, got)
		}
	}
}

func TestBrownOut(t *testing.T) {
	for _, at := range []int{65 * 16, 0, -10 * 16} {
		c, d := open(t)
		c.t = at
		expect(t, d, sensor.Stale, "")
		expect(t, d, sensor.None, "")
		c.powerCut() // the register holds zero until the first conversion: 0 °C, if one believes it
		expect(t, d, sensor.Stale, "set up anew")
		c.idle = false
		if got := expect(t, d, sensor.None, ""); int(got)*16 != at*1000 {
			t.Errorf("%v, not %d sixteenths", got, at)
		}
	}
}

func TestWordsThatCannotBeTrue(t *testing.T) {
	c, d := open(t)
	expect(t, d, sensor.Stale, "")
	c.regs[2] = 0 // a limit that was not ours: its flag stands at 65 °C
	expect(t, d, sensor.BusFault, "beyond its limits and that it does not")
	c, d = open(t)
	c.regs[regManufacturer] = 0x0055
	expect(t, d, sensor.BusFault, "maker 0x0055")
	c.regs[regManufacturer], c.regs[regDevice] = manufacturer, 0x0500
	expect(t, d, sensor.BusFault, "part 0x0500")
	c, d = open(t)
	c.stuck = true
	expect(t, d, sensor.BusFault, "does not read back")
	expect(t, d, sensor.BusFault, "does not read back")
	c.stuck = false
	expect(t, d, sensor.Stale, "")
	expect(t, d, sensor.None, "")
}

// TestReasonSurvives: the driver replaces errors by its own words; the reason is told all the same.
func TestReasonSurvives(t *testing.T) {
	c := newChip()
	flaw := errors.New("remote I/O error")
	bus := &sensortest.Switch{Transport: c}
	d, err := New(bus)
	if err != nil {
		t.Fatal(err)
	}
	expect(t, d, sensor.Stale, "")
	bus.Instead = func(ctx context.Context, w, r []byte) error {
		if w[0] == regTemperature {
			return flaw
		}
		return c.Tx(ctx, w, r)
	}
	if _, err := d.Read(t.Context()); !errors.Is(err, flaw) {
		t.Error(err)
	}
	if err := d.gate.Tx(0, []byte{1}, nil); err == nil {
		t.Error("the driver reached the bus outside of a read")
	}
}

func TestAnyWords(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		c, d := open(t)
		expect(t, d, sensor.Stale, "")
		word := rapid.Uint16().Draw(rt, "word")
		bus := &sensortest.Switch{Transport: c}
		bus.Instead = func(ctx context.Context, w, r []byte) error {
			err := c.Tx(ctx, w, r)
			if w[0] == regTemperature {
				r[0], r[1] = byte(word>>8), byte(word)
			}
			return err
		}
		d.gate.t = bus
		r, err := d.Read(t.Context())
		if r.Valid() != (err == nil) || r.Valid() && (word&flags != 0 || float64(r.Temp) != math.Round(float64(signed(word&0x1fff))*62.5)) {
			rt.Fatalf("%#04x: %v, %v", word, r, err)
		}
	})
}

package chip

import (
	"bytes"
	"testing"
	"time"

	"holdbell/sensor/its90"
	"holdbell/sensor/resist"
)

// TestMAX6675Words against words put together by hand from figure 2 of the datasheet.
func TestMAX6675Words(t *testing.T) {
	pins := Pins{}
	c := NewMAX6675(func() Pins { return pins })
	for i, f := range []struct {
		pins Pins
		want uint16
	}{
		{Pins{Tip: 25, Board: 25}, 0x0320},
		// 4.096 - 1.000 mV is 75.51 °C of the line, and 25 makes 100.5.
		{Pins{Tip: 100, Board: 25}, 0x0c90},
		{Pins{Tip: -40, Board: 25}, 0x0000},  // nothing below zero
		{Pins{Tip: 1300, Board: 25}, 0x7ff8}, // the end of the scale
		{Pins{Tip: 100, Board: 25, Wiring: ToSupply}, 0x7ff8},
		{Pins{Tip: 100, Board: 25, Wiring: ToGround}, 0x0320},
		{Pins{Tip: 100, Board: 25, Wiring: Touching}, 0x0320},
	} {
		pins = f.pins
		pins.Type = its90.K
		var r [2]byte
		if err := c.Tx(time.Duration(i+1)*time.Second, nil, r[:]); err != nil {
			t.Fatal(err)
		}
		if got := uint16(r[0])<<8 | uint16(r[1]); got != f.want {
			t.Errorf("%+v: %04x, want %04x", f.pins, got, f.want)
		}
	}
	pins.Wiring = Open
	var r [2]byte
	if err := c.Tx(time.Minute, nil, r[:]); err != nil || r[1]&4 == 0 {
		t.Errorf("open: % x, %v", r, err)
	}
}

// TestMAX6675Starves: each read ends the conversion under way, so that reads closer than one repeat a word.
func TestMAX6675Starves(t *testing.T) {
	n := 0.0
	c := NewMAX6675(func() Pins { n++; return Pins{Tip: 24 + n, Board: 24 + n, Type: its90.K} })
	read := func(at time.Duration) (word uint16) {
		var r [2]byte
		if err := c.Tx(at, nil, r[:]); err != nil {
			t.Fatal(err)
		}
		return uint16(r[0])<<8 | uint16(r[1])
	}
	first := read(0)
	for at := 200 * time.Millisecond; at < 2*time.Second; at += 200 * time.Millisecond {
		if read(at) != first {
			t.Fatalf("a conversion ended by %v", at)
		}
	}
	if read(1800*time.Millisecond+220*time.Millisecond) == first {
		t.Error("none ended in 220 ms of quiet")
	}
	c.PowerCycle(time.Minute)
	if read(time.Minute+219*time.Millisecond) != 0 {
		t.Error("a word before the first conversion has ended")
	}
}

// board65 is a MAX31865 on a bench: a Pt100 and 400 Ω, as in the datasheet's table 9.
type board65 struct {
	t    *testing.T
	pins Pins
	now  time.Duration
	*MAX31865
}

func newBoard65(t *testing.T) *board65 {
	t.Helper()
	rtd, err := resist.Platinum(100)
	if err != nil {
		t.Fatal(err)
	}
	b := &board65{t: t, pins: Pins{Tip: 100}}
	if b.MAX31865, err = NewMAX31865(rtd, 400, func() Pins { return b.pins }); err != nil {
		t.Fatal(err)
	}
	return b
}

func (b *board65) write(reg byte, values ...byte) {
	b.t.Helper()
	if err := b.Tx(b.now, append([]byte{reg | 0x80}, values...), nil); err != nil {
		b.t.Fatal(err)
	}
}

func (b *board65) want(after time.Duration, want ...byte) {
	b.t.Helper()
	b.now += after
	w, r := make([]byte, 9), make([]byte, 9)
	if err := b.Tx(b.now, w, r); err != nil {
		b.t.Fatal(err)
	}
	if !bytes.Equal(r[1:], want) {
		b.t.Errorf("% x, want % x", r[1:], want)
	}
}

func TestMAX31865PowerOn(t *testing.T) {
	b := newBoard65(t)
	b.want(time.Hour, 0, 0, 0, 0xff, 0xff, 0, 0, 0)
	b.write(1, 1, 2) // the measurement and the status are read-only
	b.write(7, 0xff)
	b.want(0, 0, 0, 0, 0xff, 0xff, 0, 0, 0)
	b.write(3, 0x12, 0x34, 0x56, 0x78)
	b.want(0, 0, 0, 0, 0x12, 0x34, 0x56, 0x78, 0)
	b.PowerCycle(b.now)
	b.want(0, 0, 0, 0, 0xff, 0xff, 0, 0, 0)
	if _, err := NewMAX31865(resist.RTD{}, 400, nil); err == nil {
		t.Error("no thermometer was taken")
	}
}

// TestMAX31865Converts rows of table 9.
func TestMAX31865Converts(t *testing.T) {
	b := newBoard65(t)
	b.write(0, 0xa0)
	b.want(54*time.Millisecond, 0xa0, 0, 0, 0xff, 0xff, 0, 0, 0)
	b.want(time.Millisecond, 0x80, 0x58, 0xa4, 0xff, 0xff, 0, 0, 0) // 100 °C
	b.write(0, 0xd1)
	b.pins.Tip = 0
	b.want(65*time.Millisecond, 0xd1, 0x58, 0xa4, 0xff, 0xff, 0, 0, 0)
	b.want(time.Millisecond, 0xd1, 0x40, 0x00, 0xff, 0xff, 0, 0, 0)
	b.pins.Tip = -100
	b.want(20*time.Millisecond, 0xd1, 0x40, 0x00, 0xff, 0xff, 0, 0, 0)
	b.want(time.Millisecond, 0xd1, 0x26, 0x90, 0xff, 0xff, 0, 0, 0)
}

// TestMAX31865Faults: thresholds at each conversion, leads in a cycle alone, and both stand until cleared.
func TestMAX31865Faults(t *testing.T) {
	b := newBoard65(t)
	b.write(3, 0x60, 0x00, 0x40, 0x00)
	b.write(0, 0xc0)
	b.want(time.Second, 0xc0, 0x58, 0xa4, 0x60, 0x00, 0x40, 0x00, 0)
	b.pins.Wiring = Open
	b.want(time.Second, 0xc0, 0xff, 0xff, 0x60, 0x00, 0x40, 0x00, 0x80)
	b.pins.Wiring = Intact
	b.want(time.Second, 0xc0, 0x58, 0xa5, 0x60, 0x00, 0x40, 0x00, 0x80)
	b.write(0, 0xc2)
	b.want(0, 0xc0, 0x58, 0xa4, 0x60, 0x00, 0x40, 0x00, 0)
	b.pins.Wiring = ToGround // appears to be valid
	b.want(time.Second, 0xc0, 0x58, 0xa4, 0x60, 0x00, 0x40, 0x00, 0)
	b.write(0, 0xc4) // no cycle while converting
	b.want(0, 0xc0, 0x58, 0xa4, 0x60, 0x00, 0x40, 0x00, 0)
	b.write(0, 0x84)
	b.want(0, 0x80, 0x58, 0xa5, 0x60, 0x00, 0x40, 0x00, 0x18)
	b.write(0, 0x82)
	b.pins.Wiring = Touching
	b.write(0, 0xc0)
	b.want(time.Second, 0xc0, 0x00, 0x33, 0x60, 0x00, 0x40, 0x00, 0x40)
	b.pins.Wiring = ToSupply // nothing is converted
	b.want(time.Second, 0xc0, 0x00, 0x33, 0x60, 0x00, 0x40, 0x00, 0x44)
}

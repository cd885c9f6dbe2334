package chip

import (
	"math"
	"testing"
	"time"

	"pgregory.net/rapid"

	"holdbell/sensor"
	"holdbell/sensor/its90"
)

func frame(t *testing.T, c *MAX31855, now time.Duration) uint32 {
	t.Helper()
	var r [4]byte
	if err := c.Tx(now, nil, r[:]); err != nil {
		t.Fatal(err)
	}
	return uint32(r[0])<<24 | uint32(r[1])<<16 | uint32(r[2])<<8 | uint32(r[3])
}

// TestMAX31855Frames against frames put together by hand from the datasheet's tables 2 to 5. The straight line
// crosses the reference function at the cold junction, so that a tip at the board's temperature reads just
// that.
func TestMAX31855Frames(t *testing.T) {
	pins := Pins{Type: its90.K}
	c, err := NewMAX31855(its90.K, func() Pins { return pins })
	if err != nil {
		t.Fatal(err)
	}
	for i, f := range []struct {
		pins Pins
		want uint32
	}{
		{Pins{Tip: 25, Board: 25}, 0x01901900},
		{Pins{Tip: -0.25, Board: -0.25}, 0xfffcffc0},
		// 4.096 mV at 100 °C less 1.000 mV at 25 °C is 75.0 °C of the line: 100.01 reads 100.00.
		{Pins{Tip: 100, Board: 25}, 0x06401900},
		// 24.905 - 1.000 mV is 579.15 °C of the line, and 25 makes 604.25 where the tip is at 600.
		{Pins{Tip: 600, Board: 25}, 0x25c41900},
		{Pins{Tip: 600, Board: 25, Wiring: Open}, 0x7ffd1901},
		{Pins{Tip: 600, Board: 25, Wiring: ToGround}, 0x7ffd1902},
		{Pins{Tip: 600, Board: 25, Wiring: ToSupply}, 0x7ffd1904},
		{Pins{Tip: 600, Board: 25, Wiring: Touching}, 0x01901900},
	} {
		pins = f.pins
		pins.Type = its90.K
		if got := frame(t, c, time.Duration(i+1)*time.Second); got != f.want {
			t.Errorf("%+v: %08x, want %08x", f.pins, got, f.want)
		}
	}
}

func TestMAX31855ConvertsEachTenthOfASecond(t *testing.T) {
	n := 0.0
	c, _ := NewMAX31855(its90.K, func() Pins { n++; return Pins{Tip: 25, Board: n, Type: its90.K} })
	for _, s := range []struct {
		at   time.Duration
		want uint32 // cold junction in whole degrees
	}{{0, 1}, {99 * time.Millisecond, 1}, {100 * time.Millisecond, 2}, {150 * time.Millisecond, 2}, {time.Second, 3}} {
		if got := frame(t, c, s.at) >> 8 & 0xff; got != s.want {
			t.Errorf("at %v conversion %d, want %d", s.at, got, s.want)
		}
	}
	c.PowerCycle(2 * time.Second)
	if got := frame(t, c, 2*time.Second+199*time.Millisecond); got != 0 {
		t.Errorf("%08x before the power-up time has passed", got)
	}
	if got := frame(t, c, 2*time.Second+200*time.Millisecond); got == 0 {
		t.Error("nothing after it")
	}
	if _, err := NewMAX31855(its90.B, nil); err == nil {
		t.Error("a variant for type B was made")
	}
}

// board56 is a MAX31856 on a bench.
type board56 struct {
	t    *testing.T
	pins Pins
	now  time.Duration
	*MAX31856
}

func newBoard56(t *testing.T) *board56 {
	b := &board56{t: t, pins: Pins{Tip: 100, Board: 25, Type: its90.K}}
	b.MAX31856 = NewMAX31856(func() Pins { return b.pins })
	return b
}

func (b *board56) read(reg byte, n int) []byte {
	b.t.Helper()
	w, r := make([]byte, n+1), make([]byte, n+1)
	w[0] = reg
	if err := b.Tx(b.now, w, r); err != nil {
		b.t.Fatal(err)
	}
	return r[1:]
}

func (b *board56) write(reg byte, values ...byte) {
	b.t.Helper()
	if err := b.Tx(b.now, append([]byte{reg | 0x80}, values...), nil); err != nil {
		b.t.Fatal(err)
	}
}

// measured lets conversions pass and gives the tip, the cold junction and SR, decoded by the datasheet's tables
// 2 and 3.
func (b *board56) measured() (tip, cold float64, sr byte) {
	b.t.Helper()
	b.now += 5 * time.Second
	r := b.read(0x0a, 6)
	return float64(int32(uint32(r[2])<<24|uint32(r[3])<<16|uint32(r[4])<<8)>>13) / 128, float64(int16(uint16(r[0])<<8|uint16(r[1]))>>2) / 64, r[5]
}

func (b *board56) want(tip, cold float64, sr byte) {
	b.t.Helper()
	gotTip, gotCold, gotSR := b.measured()
	if math.Abs(gotTip-tip) > 0.02 || math.Abs(gotCold-cold) > 0.009 || gotSR != sr {
		b.t.Errorf("tip %g, cold %g, SR %02x; want %g, %g, %02x", gotTip, gotCold, gotSR, tip, cold, sr)
	}
}

// TestMAX31856PowerOn holds the map to table 6: all sixteen in one read, and nothing converted.
func TestMAX31856PowerOn(t *testing.T) {
	b := newBoard56(t)
	b.now = time.Hour
	got := b.read(0, 16)
	want := []byte{0x00, 0x03, 0xff, 0x7f, 0xc0, 0x7f, 0xff, 0x80, 0x00, 0, 0, 0, 0, 0, 0, 0}
	for i := range want {
		if got[i] != want[i] {
			t.Errorf("register %02x: %02x, want %02x", i, got[i], want[i])
		}
	}
}

func TestMAX31856Writes(t *testing.T) {
	b := newBoard56(t)
	b.write(0x01, 0x47, 0xc0, 0x55)
	if got := b.read(0x01, 3); got[0] != 0x47 || got[1] != 0xc0 || got[2] != 0x55 {
		t.Errorf("a write across three registers reads back % x", got)
	}
	b.write(0x01, 0x03)
	b.write(0x0a, 1, 2, 3, 4, 5, 6)
	for _, v := range b.read(0x0a, 6) {
		if v != 0 {
			t.Error("a measurement was written")
		}
	}
	b.write(0x00, 0x08) // cold junction's sensor off
	b.write(0x0a, 0x19, 0x00)
	if got := b.read(0x0a, 2); got[0] != 0x19 {
		t.Error("the cold junction could not be given")
	}
	b.pins.Board = 40
	b.write(0x00, 0x88)
	// The chip believes 25 °C, the voltage is that of 100 against 40 °C.
	e, _ := its90.EMF(its90.K, 40)
	h, _ := its90.EMF(its90.K, 100)
	tip, _ := its90.Compensate(its90.K, h-e, 25)
	b.want(tip, 25, 0)
}

func TestMAX31856Conversions(t *testing.T) {
	b := newBoard56(t)
	b.write(0x00, 0x90)
	if tip := b.read(0x0c, 1); tip[0] != 0 {
		t.Error("a conversion before its time")
	}
	b.now += 169 * time.Millisecond
	if tip := b.read(0x0c, 1); tip[0] != 0 {
		t.Error("a first conversion in less than 155 + 15 ms")
	}
	b.now += time.Millisecond
	if tip := b.read(0x0c, 2); tip[0] == 0 {
		t.Error("no first conversion in 155 + 15 ms")
	}
	b.want(100, 25, 0)
	b.pins.Tip, b.pins.Board = -12.34, 31.07
	b.want(-12.34, 31.07, 0)

	b.write(0x00, 0x10) // normally off
	b.pins.Tip = 50
	b.want(-12.34, 31.07, 0)
	b.write(0x00, 0x50) // one shot
	if b.read(0, 1)[0] != 0x50 {
		t.Error("the one-shot bit does not stand while it converts")
	}
	b.want(50, 31.07, 0)
	if b.read(0, 1)[0] != 0x10 {
		t.Error("the one-shot bit did not clear itself")
	}
}

func TestMAX31856Types(t *testing.T) {
	for typ := its90.B; typ <= its90.T; typ++ {
		b := newBoard56(t)
		b.pins = Pins{Tip: 300, Board: 25, Type: typ}
		b.write(0x00, 0x90, byte(typ-its90.B))
		b.want(300, 25, 0)
	}
	// Set up for J, a type K reads low, as their tables say: 12.209 mV at 300 °C less 1.000 at 25, with J's
	// 1.277, is 231.0 °C.
	b := newBoard56(t)
	b.pins.Tip = 300
	b.write(0x00, 0x90, 0x02)
	tip, _ := its90.Temperature(its90.J, 12.209-1.000+1.277)
	b.want(tip, 25, 0)
	// Voltage mode, gain 8: code = 8 * 1.6 * 2^17 * 11.209 mV.
	b.write(0x00, 0x90, 0x08)
	if got, _, _ := b.measured(); math.Abs(got*128-8*1.6*131072*0.011209) > 10 {
		t.Errorf("code %g in voltage mode", got*128)
	}
}

func TestMAX31856Faults(t *testing.T) {
	b := newBoard56(t)
	b.write(0x00, 0x90)
	b.want(100, 25, 0)
	b.pins.Wiring = Open
	b.want(100, 25, open)
	b.pins.Wiring, b.pins.Tip = ToSupply, 60
	b.pins.Board = 30
	b.want(100, 25, voltage) // registers keep what they held
	b.pins.Wiring = Intact
	b.want(60, 30, 0)
	b.pins.Wiring = Touching
	b.want(30, 30, 0)

	b.pins = Pins{Tip: 1380, Board: 25, Type: its90.K}
	b.want(1372, 25, hotRange)
	b.pins = Pins{Tip: 90, Board: 126, Type: its90.K}
	b.want(90, 126, coldRange)

	b.pins = Pins{Tip: 90, Board: 25, Type: its90.K, Wiring: Open}
	b.write(0x00, 0x80) // no test for an open lead
	b.want(25, 25, 0)
}

func TestMAX31856Thresholds(t *testing.T) {
	b := newBoard56(t)
	b.write(0x00, 0x90)
	b.write(0x03, 30, 20, 0x06, 0x40, 0x05, 0x00) // cold junction 20 to 30 °C, tip 80 to 100 °C
	b.pins.Tip = 101
	b.want(101, 25, hotHigh)
	b.pins.Tip = 99
	b.want(99, 25, hotHigh) // 2 °C of hysteresis
	b.pins.Tip = 97
	b.want(97, 25, 0)
	b.pins.Tip, b.pins.Board = 79, 31
	b.want(79, 31, hotLow|coldHigh)
	b.pins.Tip, b.pins.Board = 90, 19
	b.want(90, 19, coldLow)

	b.write(0x00, 0x94) // interrupt mode: latched
	b.pins.Board = 25
	b.want(90, 25, coldLow)
	b.write(0x00, 0x96)
	b.want(90, 25, 0)
	if b.read(0, 1)[0] != 0x94 {
		t.Error("FAULTCLR did not clear itself")
	}
	b.write(0x09, 0x30) // offset of 3 °C, in the reading already
	b.measured()
	if _, cold, _ := b.measured(); cold != 28 {
		t.Errorf("cold junction %g with an offset of 3 °C", cold)
	}
}

func TestMAX31856Averages(t *testing.T) {
	n := 0.0
	c := NewMAX31856(func() Pins { n++; return Pins{Tip: n, Board: 25, Type: its90.K} })
	b := &board56{t: t, MAX31856: c}
	b.write(0x01, 0x43)
	b.write(0x00, 0x90)
	b.now = 500 * time.Millisecond
	b.read(0, 1)
	if n != 0 {
		t.Error("sixteen samples in half a second")
	}
	b.now = 671 * time.Millisecond
	if r := b.read(0x0c, 2); n != 16 || float64(r[0])*16+float64(r[1])/16 != 8.5 {
		t.Errorf("%g samples, mean % x, want 16 and 8.5 °C", n, r)
	}
}

func TestAccepts(t *testing.T) {
	c55, _ := NewMAX31855(its90.K, nil)
	c56 := NewMAX31856(nil)
	c65, c75 := newBoard65(t).MAX31865, NewMAX6675(nil)
	for mode := range 4 {
		s := sensor.SPIConfig{Hz: 5_000_000, Mode: mode}
		if got := c55.Accepts(s) == nil; got != (mode == 0) {
			t.Errorf("MAX31855 in mode %d: %v", mode, got)
		}
		if got := c56.Accepts(s) == nil; got != (mode == 1 || mode == 3) {
			t.Errorf("MAX31856 in mode %d: %v", mode, got)
		}
		if got := c65.Accepts(s) == nil; got != (mode == 1 || mode == 3) {
			t.Errorf("MAX31865 in mode %d: %v", mode, got)
		}
		s.Hz = 4_300_000
		if got := c75.Accepts(s) == nil; got != (mode == 1) {
			t.Errorf("MAX6675 in mode %d: %v", mode, got)
		}
	}
	if c75.Accepts(sensor.SPIConfig{Hz: 5_000_000, Mode: 1}) == nil || c56.Accepts(sensor.SPIConfig{Hz: 5_000_001, Mode: 1}) == nil || c56.Accepts(sensor.SPIConfig{Mode: 1}) == nil {
		t.Error("a clock out of range was taken")
	}
}

// TestStraightLine: the frame's quarter of a degree is the datasheet's line at every tip and board, to half a
// step.
func TestStraightLine(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		typ := rapid.SampledFrom([]its90.Type{its90.E, its90.J, its90.K, its90.N, its90.T}).Draw(t, "type")
		p := Pins{Type: typ, Tip: rapid.Float64Range(-100, 390).Draw(t, "tip"), Board: rapid.Float64Range(-40, 85).Draw(t, "board")}
		c, err := NewMAX31855(typ, func() Pins { return p })
		if err != nil {
			t.Fatal(err)
		}
		var r [4]byte
		if err := c.Tx(0, nil, r[:]); err != nil {
			t.Fatal(err)
		}
		hot := float64(int16(uint16(r[0])<<8|uint16(r[1]))>>2) / 4
		cold := float64(int16(uint16(r[2])<<8|uint16(r[3]))>>4) / 16
		h, _ := its90.EMF(typ, p.Tip)
		e, _ := its90.EMF(typ, p.Board)
		if line := (h-e)*1000/gains[typ-its90.B] + cold; math.Abs(hot-line) > 0.126 || math.Abs(cold-p.Board) > 0.032 {
			t.Fatalf("%+v: hot %g, cold %g, line %g", p, hot, cold, line)
		}
	})
}

// FuzzTx throws any bytes at both chips: errors perhaps, never a panic, and registers that stay as the map has
// them.
func FuzzTx(f *testing.F) {
	f.Add([]byte{0x80, 0x91, 0x03}, 0, uint16(200), 25.0)
	f.Add([]byte{0x00, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0}, 17, uint16(1), math.NaN())
	f.Add([]byte{0xff, 0xff, 0xff}, 3, uint16(9), math.Inf(1))
	f.Add([]byte{0x8f, 1, 2, 3}, 0, uint16(0), 1e300)
	f.Fuzz(func(t *testing.T, w []byte, reads int, ms uint16, tip float64) {
		pins := Pins{Tip: tip, Board: tip, Type: its90.K}
		sense := func() Pins { return pins }
		c55, err := NewMAX31855(its90.K, sense)
		if err != nil {
			t.Fatal(err)
		}
		c56 := NewMAX31856(sense)
		c65, c75 := newBoard65(t).MAX31865, NewMAX6675(sense)
		c65.sense = sense
		r := make([]byte, min(max(reads, 0), 64))
		for i := range 4 {
			now := time.Duration(i) * time.Duration(ms) * time.Millisecond
			_ = c55.Tx(now, w, r)
			_ = c56.Tx(now, w, r)
			_ = c65.Tx(now, w, r)
			_ = c75.Tx(now, w, r)
		}
		if c75.word&(1<<15|1<<1) != 0 {
			t.Errorf("%04x: a bit that is always 0", c75.word)
		}
		if c65.reg[rtdConfig]&(rtdClear|rtdCycle) != 0 {
			t.Error("what clears itself stands")
		}
		if c56.reg[cr0]&clearFaults != 0 {
			t.Error("FAULTCLR stands")
		}
	})
}

// Package max31856 reads the MAX31856 thermocouple converter (Maxim datasheet 19-7534 Rev 0), which
// linearises by itself once told the thermocouple type and the mains frequency.
//
// The whole set-up is written with conversions stopped and read back. Every reading fetches the set-up
// registers together with the measurement, in one transaction: a chip that lost its supply for a moment
// wakes up as a type K, 60 Hz, idle one, and is set up again instead of being believed.
package max31856

import (
	"context"
	"errors"
	"fmt"
	"math"
	"time"

	"holdbell/sensor"
	"holdbell/sensor/its90"
)

// OpenDetect tells the chip what the thermocouple's loop looks like, for its test of whether there is one
// at all (CR0's OCFAULT bits). The test cannot be turned off.
type OpenDetect uint8

// The kinds of loop.
const (
	OpenUnder5k OpenDetect = iota // under 5 kΩ in all: any common lead
	Open40kFast                   // 5 to 40 kΩ, time constant with the input filter under 2 ms
	Open40kSlow                   // 5 to 40 kΩ, time constant over 2 ms
	numOpenKinds
)

// Opts says what hangs on the chip.
type Opts struct {
	Type    its90.Type
	MainsHz int // 50 or 60; there is no default, for the wrong one lets hum through
	// Averaging is how many conversions make a reading: 1, 2, 4, 8 or 16; zero is 1.
	Averaging  int
	OpenDetect OpenDetect
	// ColdJunctionOffset in °C, -8 to +7.9375, rounded to a sixteenth, is what the chip adds to its own
	// temperature.
	ColdJunctionOffset float64
	// IgnoreFaults may hold ShortGND and ShortVCC as for other chips; this one does not tell them.
	IgnoreFaults []sensor.Fault
}

// Dev is one chip. It implements sensor.Probe.
type Dev struct {
	t        sensor.Transport
	typ      its90.Type
	interval time.Duration
	want     [numSetUp]byte
	// ready is set once the registers are as wanted and a conversion since then must have ended.
	ready bool
	cold  its90.ColdJunction
	w, r  [numRegs + 1]byte
}

// SPI is how the chip wants its bus: up to 5 MHz, mode 1.
func SPI() sensor.SPIConfig { return sensor.SPIConfig{Hz: 5_000_000, Mode: 1} }

// New makes a probe of the chip behind t. It does not touch the bus: the first Read sets the chip up, and
// readings come from the second on.
func New(t sensor.Transport, o Opts) (*Dev, error) {
	if t == nil {
		return nil, errors.New("max31856: no transport")
	}
	fail := func(format string, args ...any) (*Dev, error) {
		return nil, fmt.Errorf("MAX31856 on %v: %s", t, fmt.Sprintf(format, args...))
	}
	if !o.Type.Valid() {
		return fail("%v: give the thermocouple's letter, one of B, E, J, K, N, R, S, T", o.Type)
	}
	if o.MainsHz != 50 && o.MainsHz != 60 {
		return fail("mains frequency %d Hz: give 50 or 60, whichever the building has", o.MainsHz)
	}
	if o.Averaging == 0 {
		o.Averaging = 1
	}
	average := -1
	for i, n := range [...]int{1, 2, 4, 8, 16} {
		if o.Averaging == n {
			average = i
		}
	}
	if average < 0 {
		return fail("averaging %d: the chip knows 1, 2, 4, 8 and 16", o.Averaging)
	}
	if o.OpenDetect >= numOpenKinds {
		return fail("open detection %d: there are %d kinds", o.OpenDetect, numOpenKinds)
	}
	offset := math.Round(o.ColdJunctionOffset * 16)
	if !(offset >= math.MinInt8 && offset <= math.MaxInt8) {
		return fail("cold junction offset %v °C: the chip takes -8 to +7.9375", o.ColdJunctionOffset)
	}
	for _, f := range o.IgnoreFaults {
		if f != sensor.ShortGND && f != sensor.ShortVCC {
			return fail("fault %q cannot be ignored, only %q and %q", f, sensor.ShortGND, sensor.ShortVCC)
		}
	}
	d := &Dev{t: t, typ: o.Type, interval: firstConversion(o)}
	// The chip's numbers for the types are B, E, J, K, N, R, S, T = 0 to 7 in CR1; the detection
	// kinds are 1 to 3 in CR0.
	d.want = [numSetUp]byte{
		regCR0:  cr0Auto | byte(o.OpenDetect+1)<<4,
		regCR1:  byte(average)<<4 | byte(o.Type-its90.B),
		regMASK: 0xff, // the FAULT pin stays quiet: it is not wired
		// Thresholds at their power-on extremes, so that their status bits never stand (table 6).
		regCJHF: 0x7f, 0xc0, 0x7f, 0xff, 0x80, 0x00,
		regCJTO: byte(int8(offset)),
	}
	if o.MainsHz == 50 {
		d.want[regCR0] |= cr0Notch50
	}
	return d, nil
}

// firstConversion is the longest that the first conversion after a set-up takes (datasheet, electrical
// characteristics and the tables of averaging and open detection). Later ones are quicker, but a read one
// such interval after the set-up is the earliest that can give a temperature.
func firstConversion(o Opts) time.Duration {
	base, more := 155*time.Millisecond, 33_330*time.Microsecond
	if o.MainsHz == 50 {
		base, more = 185*time.Millisecond, 40*time.Millisecond
	}
	open := [numOpenKinds]time.Duration{15 * time.Millisecond, 37 * time.Millisecond, 125 * time.Millisecond}
	return base + time.Duration(o.Averaging-1)*more + open[o.OpenDetect]
}

// MinInterval is the longest first conversion with the chosen averaging, mains filter and open detection.
func (d *Dev) MinInterval() time.Duration { return d.interval }

// String names the chip and its place.
func (d *Dev) String() string { return "MAX31856 on " + d.t.String() }

// Read implements sensor.Probe. The first Read, and the one that meets a chip without its set-up, set the
// chip up and give Stale.
func (d *Dev) Read(ctx context.Context) (sensor.Reading, error) {
	if err := d.tx(ctx, regCR0, numRegs); err != nil {
		return d.failed(err)
	}
	regs := d.r[1 : 1+numRegs]
	if words := deadWords(regs); words != "" {
		d.ready = false
		return d.bad(sensor.BusFault, words)
	}
	if i := differs(regs, d.want); i >= 0 {
		d.ready = false
		was := regs[i]
		if err := d.setUp(ctx, regs[regCR0]); err != nil {
			return d.failed(err)
		}
		d.ready = true
		return d.bad(sensor.Stale, fmt.Sprintf("register %02Xh held %#02x, not %#02x: set up anew, first conversion under way",
			i, was, d.want[i]))
	}
	sample := Decode([6]byte(regs[regCJTH:numRegs]))
	if !d.ready && sample.Status&srVoltage == 0 {
		// The registers are right, but nobody knows since when: the measurement may be older.
		d.ready = true
		return d.bad(sensor.Stale, "waiting for a whole conversion")
	}
	return d.judge(sample)
}

// Package max31865 reads the MAX31865 (Maxim datasheet 19-6478 Rev 3), which compares a platinum resistance
// thermometer with a reference resistor. The ratio becomes ohms, and ohms become degrees by Callendar and Van
// Dusen.
//
// The chip converts without end, so that a reading is as old as one conversion, 21 ms, whatever the period. A
// conversion on demand would have to be begun by one reading and fetched by the next, a whole period late, and
// would spare the thermometer nothing, since its current has to be on some time before. What that current
// warms the thermometer by is part of its accuracy.
//
// Leads on ground give readings that look valid, and only the chip's fault detection cycle finds them. So each
// reading first fetches measurement and set-up in one transaction, then stops the conversions, runs a cycle
// and starts them again. A chip that lost its supply for a moment has forgotten its set-up; it is set up again
// instead of being believed.
//
// A broken RTDIN+ lead of a 3- or 4-wire thermometer leaves the chip's input afloat, and no test of the chip's
// finds that for certain. The datasheet (p. 20) wants 10 MΩ from RTDIN+ to BIAS, which makes it read as open.
package max31865

import (
	"context"
	"errors"
	"fmt"
	"math"
	"time"

	"holdbell/sensor"
	"holdbell/sensor/resist"
)

// Opts says what hangs on the chip.
type Opts struct {
	Sensor    resist.RTD
	Wires     int     // 2, 3 or 4, as the board's jumpers are set
	Reference float64 // of the resistor on the board, in ohms: 400 or 430 for a Pt100, ten times that for a Pt1000
	MainsHz   int     // 50 or 60; there is no default, for the wrong one lets hum through
}

// Dev is one chip. It implements sensor.Probe.
type Dev struct {
	t         sensor.Transport
	rtd       resist.RTD
	reference float64
	interval  time.Duration
	config    byte    // while converting
	limits    [4]byte // the thresholds' registers
	// ready is set once the registers are as wanted and conversions since then must have ended.
	ready bool
	w, r  [numRegs + 1]byte
}

// SPI is how the chip wants its bus: up to 5 MHz, mode 1.
func SPI() sensor.SPIConfig { return sensor.SPIConfig{Hz: 5_000_000, Mode: 1} }

// The reference may be so many times the thermometer's resistance at 0 °C: with less its scale ends in the
// heat of a pit, with more a step is wider than 0.1 °C. The datasheet takes 4.
const (
	referenceLeast = 2
	referenceMost  = 10
)

// New makes a probe of the chip behind t. It does not touch the bus: the first Read sets the chip up, and
// readings come from the second on.
func New(t sensor.Transport, o Opts) (*Dev, error) {
	if t == nil {
		return nil, errors.New("max31865: no transport")
	}
	fail := func(format string, args ...any) (*Dev, error) {
		return nil, fmt.Errorf("MAX31865 on %v: %s", t, fmt.Sprintf(format, args...))
	}
	r0 := o.Sensor.R0()
	switch {
	case r0 == 0:
		return fail("no thermometer: give a Pt100 or a Pt1000")
	case o.Wires < 2 || o.Wires > 4:
		return fail("%d wires: give 2, 3 or 4, as the board's jumpers are set", o.Wires)
	case o.MainsHz != 50 && o.MainsHz != 60:
		return fail("mains frequency %d Hz: give 50 or 60, whichever the building has", o.MainsHz)
	case !(o.Reference >= referenceLeast*r0 && o.Reference <= referenceMost*r0):
		return fail("a reference of %g Ω beside a thermometer of %g Ω: give the resistor on the board, %g to %g Ω, commonly %g or %g",
			o.Reference, r0, referenceLeast*r0, referenceMost*r0, 4*r0, 4.3*r0)
	}
	d := &Dev{t: t, rtd: o.Sensor, reference: o.Reference, config: cfgBias | cfgAuto}
	// The first conversion and the one after it (electrical characteristics): the first may begin before the
	// inputs have settled from the current coming on or from a cycle.
	d.interval = 55*time.Millisecond + 17_600*time.Microsecond
	if o.Wires == 3 {
		d.config |= cfgThreeWire
	}
	if o.MainsHz == 50 {
		d.config |= cfgNotch50
		d.interval = 66*time.Millisecond + 21*time.Millisecond
	}
	// The thresholds are the ends of platinum's curve, or of the scale where that ends first.
	lowest, err := d.rtd.Ohms(-200)
	if err != nil {
		return fail("%v", err)
	}
	highest, err := d.rtd.Ohms(850)
	if err != nil {
		return fail("%v", err)
	}
	high := uint16(min(math.Ceil(highest/o.Reference*32768), 32767)) << 1
	low := uint16(math.Floor(lowest/o.Reference*32768)-1) << 1
	d.limits = [4]byte{byte(high >> 8), byte(high), byte(low >> 8), byte(low)}
	return d, nil
}

// MinInterval is the longest time that two conversions take from their start with the chosen mains filter.
func (d *Dev) MinInterval() time.Duration { return d.interval }

// String names the chip and its place.
func (d *Dev) String() string { return "MAX31865 on " + d.t.String() }

// Read implements sensor.Probe. The first Read, and the one that meets a chip without its set-up, set the
// chip up and give Stale.
func (d *Dev) Read(ctx context.Context) (sensor.Reading, error) {
	if err := d.tx(ctx, regConfig, numRegs); err != nil {
		return d.failed(err)
	}
	regs := [numRegs]byte(d.r[1:])
	if words := deadWords(regs); words != "" {
		d.ready = false
		return d.bad(sensor.BusFault, words)
	}
	if i := d.differs(regs[:], d.config); i >= 0 {
		d.ready = false
		was := regs[i]
		if err := d.setUp(ctx, regs[regConfig]); err != nil {
			return d.failed(err)
		}
		d.ready = true
		return d.bad(sensor.Stale, fmt.Sprintf("register %02Xh held %#02x: set up anew, first conversion under way", i, was))
	}
	status, err := d.cycle(ctx)
	if err != nil {
		d.ready = false
		return d.failed(err)
	}
	if !d.ready {
		// The registers are right, but nobody knows since when: the measurement may be older.
		d.ready = status&faultVoltage == 0
		if d.ready {
			return d.bad(sensor.Stale, "waiting for a whole conversion")
		}
	}
	code, flagged := Decode([2]byte(regs[regRTD:]))
	return d.judge(code, flagged, regs[regFault]&faultBits, status)
}

// judge turns a measurement of a chip known to be set up into a reading. before is the fault status that
// came with it, status what a cycle has added since.
func (d *Dev) judge(code uint16, flagged bool, before, status uint8) (sensor.Reading, error) {
	if flagged && before == 0 {
		return d.bad(sensor.BusFault, "a measurement marked as faulty without a fault: look at the wiring and the clock rate")
	}
	if status&before != before {
		return d.bad(sensor.BusFault, "a fault went that stands until it is cleared: look at the wiring and the clock rate")
	}
	if status&faultVoltage != 0 {
		d.ready = false // conversions are held up meanwhile (p. 18): wait for a whole one afterwards
	}
	for _, f := range faults {
		if status&f.bits != 0 {
			return d.bad(f.fault, f.words)
		}
	}
	if code == 0 {
		return d.bad(sensor.Stale, "the measurement still holds its power-on zeros")
	}
	celsius, err := d.rtd.Celsius(float64(Ratio(code) * d.reference))
	if err != nil {
		return sensor.Bad(sensor.Range), fmt.Errorf("%v: %w: are the reference resistor and the thermometer as configured?", d, err)
	}
	temp, ok := sensor.FromCelsius(celsius)
	if !ok {
		return d.bad(sensor.Range, fmt.Sprintf("%v °C is no temperature", celsius))
	}
	return sensor.Reading{Temp: temp}, nil
}

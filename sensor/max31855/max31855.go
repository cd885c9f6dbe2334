// Package max31855 reads the MAX31855 thermocouple converter (Maxim datasheet 19-5793), which sends its
// temperature in one 32-bit word and takes no orders.
//
// The chip turns volts into degrees by a straight line through its cold junction. This package takes the
// line back to volts and goes through the ITS-90 reference function instead, which is worth several
// degrees at the ends of the range.
package max31855

import (
	"context"
	"errors"
	"fmt"
	"time"

	"holdbell/sensor"
	"holdbell/sensor/its90"
)

// interval is the longest conversion (datasheet, electrical characteristics: 70 ms typical, 100 ms at most).
const interval = 100 * time.Millisecond

// Opts says what hangs on the chip.
type Opts struct {
	// Type is the variant's letter, the last of the part number: MAX31855K and so on. There is no B.
	Type its90.Type
	// IgnoreFaults may hold ShortGND and ShortVCC: boards that tie T- to ground report the former for ever.
	IgnoreFaults []sensor.Fault
}

// Dev is one chip. It implements sensor.Probe.
type Dev struct {
	t      sensor.Transport
	typ    its90.Type
	ignore faultSet
	cold   its90.ColdJunction
	word   [4]byte
}

// SPI is how the chip wants its bus: up to 5 MHz, mode 0.
func SPI() sensor.SPIConfig { return sensor.SPIConfig{Hz: 5_000_000, Mode: 0} }

// Slope is the microvolts a degree Celsius of the straight line built into the variant for t, zero when
// there is none (datasheet table 1, p. 8).
func Slope(t its90.Type) (microvolts float64) {
	switch t {
	case its90.K:
		return 41.276
	case its90.J:
		return 57.953
	case its90.N:
		return 36.256
	case its90.S:
		return 9.587
	case its90.T:
		return 52.18
	case its90.E:
		return 76.373
	case its90.R:
		return 10.506
	}
	return 0
}

// New makes a probe of the chip behind t. It does not touch the bus.
func New(t sensor.Transport, o Opts) (*Dev, error) {
	if t == nil {
		return nil, errors.New("max31855: no transport")
	}
	if Slope(o.Type) == 0 {
		return nil, fmt.Errorf("MAX31855 on %v: type %v: the chip is made for E, J, K, N, R, S and T; give the last letter of its part number",
			t, o.Type)
	}
	d := &Dev{t: t, typ: o.Type}
	for _, f := range o.IgnoreFaults {
		if f != sensor.ShortGND && f != sensor.ShortVCC {
			return nil, fmt.Errorf("MAX31855 on %v: fault %q cannot be ignored, only %q and %q",
				t, f, sensor.ShortGND, sensor.ShortVCC)
		}
		d.ignore |= 1 << f
	}
	return d, nil
}

// MinInterval is the longest conversion. Reading sooner repeats the last one.
func (d *Dev) MinInterval() time.Duration { return interval }

// String names the chip and its place.
func (d *Dev) String() string { return "MAX31855 on " + d.t.String() }

// Read implements sensor.Probe.
func (d *Dev) Read(ctx context.Context) (sensor.Reading, error) {
	if err := d.t.Tx(ctx, nil, d.word[:]); err != nil {
		if errors.Is(err, context.DeadlineExceeded) {
			return sensor.Bad(sensor.Stale), fmt.Errorf("%v: %w", d, err)
		}
		return sensor.Bad(sensor.BusFault), fmt.Errorf("%v: %w", d, err)
	}
	f, fault := Decode(d.word)
	if fault == sensor.BusFault {
		return d.bad(fault, busWords(d.word))
	}
	coldErr := d.cold.Check(f.ColdCelsius())
	switch f.fault(d.ignore) {
	case sensor.Open:
		return d.bad(sensor.Open, "no thermocouple between T+ and T-: look for a broken lead or a loose terminal")
	case sensor.ShortVCC:
		return d.bad(sensor.ShortVCC, "thermocouple touches the chip's supply: look at the terminals and the sheath")
	case sensor.ShortGND:
		return d.bad(sensor.ShortGND, "thermocouple touches ground: use a probe with an insulated junction; "+
			"for a board that ties T- to ground, ignore short_gnd")
	}
	if coldErr != nil {
		return d.bad(sensor.CJImplausible, coldErr.Error())
	}
	celsius, err := Linearise(d.typ, f)
	if err != nil {
		return sensor.Bad(sensor.Range), fmt.Errorf("%v: %w: is this probe of type %v?", d, err, d.typ)
	}
	temp, ok := sensor.FromCelsius(celsius)
	if !ok {
		return d.bad(sensor.Range, fmt.Sprintf("%v °C is no temperature", celsius))
	}
	return sensor.Reading{Temp: temp}, nil
}

// Linearise gives the tip's temperature in °C by the ITS-90 reference function: the straight line of the
// variant for t is taken back to the voltage it came from (datasheet p. 8: the line runs through the cold
// junction's temperature), the cold junction's voltage is added, and the sum looked up. Its errors are those
// of the its90 package.
func Linearise(t its90.Type, f Frame) (celsius float64, err error) {
	// Rounded at each step: a fused multiply-subtract would give other bits on another machine.
	measured := float64(Slope(t) / 1000 * (float64(f.HotCelsius()) - float64(f.ColdCelsius())))
	return its90.Compensate(t, measured, f.ColdCelsius())
}

func (d *Dev) bad(f sensor.Fault, words string) (sensor.Reading, error) {
	return sensor.Bad(f), fmt.Errorf("%v: %s", d, words)
}

func busWords(w [4]byte) string {
	switch w {
	case [4]byte{}:
		return "all zeros: a dead data line, or no chip: look at the wiring, the chip select and the supply"
	case [4]byte{0xff, 0xff, 0xff, 0xff}:
		return "all ones: a data line stuck high, or no chip: look at the wiring, the chip select and the supply"
	}
	return fmt.Sprintf("word %#08x breaks the chip's own rules: look at the wiring, the clock rate and the chip select", w)
}

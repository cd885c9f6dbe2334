// Package max6675 reads the MAX6675 thermocouple converter (Maxim datasheet 19-2235 Rev 1), which is made for
// type K, sends its temperature in one 16-bit word, and takes no orders.
//
// The chip turns volts into degrees by a straight line through its own temperature, which it does not tell. This
// package takes the line back to volts as if the chip were at 25 °C and goes through the ITS-90 reference
// function instead. Near there the line and the function run side by side, so that a chip anywhere from 10 to
// 75 °C costs three tenths of a degree at most, where the line alone is off by half a degree in a kitchen and by three in
// a pit.
package max6675

import (
	"context"
	"errors"
	"fmt"
	"time"

	"holdbell/sensor"
	"holdbell/sensor/its90"
)

// interval is the longest conversion (electrical characteristics: 0.17 s typical, 0.22 s at most). A read
// stops the conversion under way and the next begins when it ends, so that closer reads starve the chip: it
// sends the same word for ever.
const interval = 220 * time.Millisecond

// Bits of the word (figure 2, p. 5, and the text beside it). D0 floats between conversions and says nothing.
const (
	bitDummy  = 1 << 15 // always 0
	bitOpen   = 1 << 2
	bitDevice = 1 << 1 // always 0
	bitFloats = 1 << 0
	fullScale = 0xfff
)

// The straight line built into the chip (p. 4), and where the chip is taken to be.
const (
	slope = 0.041 // mV/°C
	board = 25    // °C
)

// Dev is one chip. It implements sensor.Probe.
type Dev struct {
	t    sensor.Transport
	word [2]byte
}

// SPI is how the chip wants its bus: up to 4.3 MHz, mode 1.
func SPI() sensor.SPIConfig { return sensor.SPIConfig{Hz: 4_300_000, Mode: 1} }

// New makes a probe of the chip behind t. It does not touch the bus.
func New(t sensor.Transport) (*Dev, error) {
	if t == nil {
		return nil, errors.New("max6675: no transport")
	}
	return &Dev{t: t}, nil
}

// MinInterval is the longest conversion.
func (d *Dev) MinInterval() time.Duration { return interval }

// String names the chip and its place.
func (d *Dev) String() string { return "MAX6675 on " + d.t.String() }

// Decode takes the chip's word apart: the tip's temperature in quarters of a degree Celsius. The fault is
// BusFault for a word that the chip cannot have sent, and for 0 °C, which is what a dead data line gives, and
// what the chip gives for anything colder. It is Open with the open bit set, and Range at the end of the
// scale.
func Decode(word [2]byte) (quarters uint16, fault sensor.Fault) {
	w := uint16(word[0])<<8 | uint16(word[1])
	if w&^bitFloats == 0 || w&(bitDummy|bitDevice) != 0 {
		return 0, sensor.BusFault
	}
	quarters = w >> 3 // D14 to D3
	switch {
	case w&bitOpen != 0:
		return quarters, sensor.Open
	case quarters == 0:
		return 0, sensor.BusFault
	case quarters == fullScale:
		return quarters, sensor.Range
	}
	return quarters, sensor.None
}

// Read implements sensor.Probe.
func (d *Dev) Read(ctx context.Context) (sensor.Reading, error) {
	if err := d.t.Tx(ctx, nil, d.word[:]); err != nil {
		if errors.Is(err, context.DeadlineExceeded) {
			return sensor.Bad(sensor.Stale), fmt.Errorf("%v: %w", d, err)
		}
		return sensor.Bad(sensor.BusFault), fmt.Errorf("%v: %w", d, err)
	}
	quarters, fault := Decode(d.word)
	switch fault {
	case sensor.BusFault:
		return d.bad(fault, busWords(d.word))
	case sensor.Open:
		return d.bad(fault, "no thermocouple between T+ and T-: look for a broken lead or a loose terminal")
	case sensor.Range:
		return d.bad(fault, "at the end of its scale, 1023.75 °C: look at the leads and the terminals")
	}
	celsius, err := Linearise(quarters)
	if err != nil {
		return sensor.Bad(sensor.Range), fmt.Errorf("%v: %w", d, err)
	}
	temp, ok := sensor.FromCelsius(celsius)
	if !ok {
		return d.bad(sensor.Range, fmt.Sprintf("%v °C is no temperature", celsius))
	}
	return sensor.Reading{Temp: temp}, nil
}

// Linearise gives the tip's temperature in °C by the ITS-90 reference function of type K from what the chip's
// straight line makes of it, in quarters of a degree. Its errors are those of its90.Compensate.
func Linearise(quarters uint16) (celsius float64, err error) {
	// Rounded at each step: a fused multiply-subtract would give other bits on another machine.
	measured := float64(slope * (float64(quarters)/4 - board))
	return its90.Compensate(its90.K, measured, board)
}

func (d *Dev) bad(f sensor.Fault, words string) (sensor.Reading, error) {
	return sensor.Bad(f), fmt.Errorf("%v: %s", d, words)
}

func busWords(w [2]byte) string {
	switch {
	case w[0] == 0 && w[1]&^bitFloats == 0:
		return "all zeros: a dead data line, no chip, or a tip at 0 °C or below, which this chip cannot tell apart: " +
			"look at the wiring, the chip select and the supply, and give a cold place another chip"
	case w == [2]byte{0xff, 0xff}:
		return "all ones: a data line stuck high, or no chip: look at the wiring, the chip select and the supply"
	}
	return fmt.Sprintf("word %#04x breaks the chip's own rules: look at the wiring, the clock rate and the chip select", w)
}

package ds18b20

import (
	"context"
	"errors"
	"fmt"
	"math"
	"regexp"
	"strconv"
	"time"

	"periph.io/x/conn/v3/onewire"
	"periph.io/x/conn/v3/physic"
	"periph.io/x/devices/v3/ds18b20"

	"holdbell/sensor"
)

// Commands of the sensor (19-7487, table 3).
const (
	convert         = 0x44
	writeScratchpad = 0x4e
	readScratchpad  = 0xbe
	recall          = 0xb8
)

// Places in the scratchpad (19-7487, figure 7).
const (
	padHigh   = 2 // alarm registers TH and TL, which hold the mark
	padLow    = 3
	padConfig = 4
)

// twelveBits is the configuration register at full resolution (figure 8).
const twelveBits = 0x7f

// powerOn is what the temperature register holds before the first conversion.
const powerOn sensor.Temp = 85_000

// nearPowerOn is how close to 85 °C the reading before must be for 85.0000 °C to be taken for a measurement.
const nearPowerOn sensor.Temp = 5_000

// Dev is one sensor. It implements sensor.Probe.
type Dev struct {
	bridge *Bridge
	serial string
	wire   onewire.Dev
	dev    *ds18b20.Dev // nil: to be set up
	mark   [2]byte
	last   sensor.Temp // the last reading since the set-up
	any    bool
}

var serialForm = regexp.MustCompile(`^([0-9a-f]{2})-([0-9a-f]{12})$`)

// ParseSerial reads a sensor's number as the kernel writes it: the family in two hexadecimal digits, a dash, and
// twelve more, such as "28-0000075b2a3c". Only DS18B20 (family 28) are read here.
func ParseSerial(s string) (onewire.Address, error) {
	m := serialForm.FindStringSubmatch(s)
	if m == nil {
		return 0, fmt.Errorf("serial %q: write it as 28-0000075b2a3c, family and number in small hexadecimal digits", s)
	}
	if m[1] != "28" {
		return 0, fmt.Errorf("serial %q is of family %s; a DS18B20 has family 28", s, m[1])
	}
	number, err := strconv.ParseUint(m[2], 16, 64)
	if err != nil {
		return 0, fmt.Errorf("serial %q: %w", s, err)
	}
	var rom [7]byte
	rom[0] = 0x28
	for i := 1; i < len(rom); i++ {
		rom[i] = byte(number >> (8 * (i - 1)))
	}
	return onewire.Address(0x28 | number<<8 | uint64(onewire.CalcCRC(rom[:]))<<56), nil
}

// Probe makes a probe of the sensor with a number as ParseSerial reads it. It does not touch the bus.
func (b *Bridge) Probe(serial string) (*Dev, error) {
	addr, err := ParseSerial(serial)
	if err != nil {
		return nil, fmt.Errorf("DS18B20 on %v: %w", b, err)
	}
	if b.sensors[addr] {
		return nil, fmt.Errorf("DS18B20 on %v: two probes have the serial %s", b, serial)
	}
	b.sensors[addr] = true
	return &Dev{bridge: b, serial: serial, wire: onewire.Dev{Bus: b, Addr: addr}}, nil
}

// MinInterval is the longest conversion and the traffic of every sensor on the line.
func (d *Dev) MinInterval() time.Duration {
	return conversion + time.Duration(len(d.bridge.sensors))*perSensor
}

// String names the sensor and its place.
func (d *Dev) String() string { return "DS18B20 " + d.serial + " on " + d.bridge.String() }

// Read implements sensor.Probe. It gives what the conversion found that the Read before has started, and starts
// the next. The first Read, and the one that meets a sensor which has lost its supply, set it up and give Stale.
func (d *Dev) Read(ctx context.Context) (sensor.Reading, error) {
	if err := d.bridge.take(ctx); err != nil {
		return d.failed(err)
	}
	defer d.bridge.release()
	if d.dev == nil {
		return d.setUp("")
	}
	t, err := d.dev.LastTemp()
	if err != nil {
		return d.failed(err)
	}
	if pad := &d.bridge.pad; pad[padHigh] != d.mark[0] || pad[padLow] != d.mark[1] || pad[padConfig] != twelveBits {
		return d.setUp("it has lost its supply: look at the leads, and at the pull-up if it has two wires; ")
	}
	if err := d.wire.TxPower([]byte{convert}, nil); err != nil {
		return d.failed(err)
	}
	got := sensor.Temp(math.Round(float64(t-physic.ZeroCelsius) / float64(physic.MilliKelvin)))
	if got < -55_000 || got > 125_000 {
		return d.bad(sensor.Range, fmt.Sprintf("%.2f °C is outside the sensor's -55 to 125 °C", got.Celsius()))
	}
	if got == powerOn && !(d.any && d.last > powerOn-nearPowerOn && d.last < powerOn+nearPowerOn) {
		d.any = false
		return d.bad(sensor.Stale, "exactly 85 °C, which the sensor says before it has measured anything")
	}
	d.last, d.any = got, true
	return sensor.Reading{Temp: got}, nil
}

// setUp marks the sensor, starts a conversion and gives Stale. Nothing is written to the sensor's permanent
// memory, which wears out.
func (d *Dev) setUp(why string) (sensor.Reading, error) {
	d.dev, d.any = nil, false
	// The permanent memory's values come first, so that the mark is another.
	if err := d.wire.Tx([]byte{recall}, nil); err != nil {
		return d.failed(err)
	}
	var pad [9]byte
	if err := d.wire.Tx([]byte{readScratchpad}, pad[:]); err != nil {
		return d.failed(err)
	}
	if err := whole(pad); err != nil {
		return d.failed(err)
	}
	d.mark = [2]byte{0x35, 0xca}
	if pad[padHigh] == d.mark[0] && pad[padLow] == d.mark[1] {
		d.mark = [2]byte{0x3a, 0xc5}
	}
	if err := d.wire.Tx([]byte{writeScratchpad, d.mark[0], d.mark[1], twelveBits}, nil); err != nil {
		return d.failed(err)
	}
	if err := d.wire.Tx([]byte{readScratchpad}, pad[:]); err != nil {
		return d.failed(err)
	}
	if err := whole(pad); err != nil {
		return d.failed(err)
	}
	if pad[padHigh] != d.mark[0] || pad[padLow] != d.mark[1] || pad[padConfig] != twelveBits {
		return d.bad(sensor.BusFault, "what was written does not read back: look at the leads, or this is no DS18B20")
	}
	// Set to twelve bits already, so that the driver has nothing to write to the permanent memory.
	dev, err := ds18b20.New(d.bridge, d.wire.Addr, 12)
	if err != nil {
		return d.failed(err)
	}
	if err := d.wire.TxPower([]byte{convert}, nil); err != nil {
		return d.failed(err)
	}
	d.dev = dev
	return d.bad(sensor.Stale, why+"set up anew, first conversion under way")
}

var errSilent = errors.New("the sensor does not answer: is its serial right, are its leads whole?")

// whole says what is wrong with a scratchpad, or nil.
func whole(pad [9]byte) error {
	switch pad {
	case [9]byte{0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff}:
		return errSilent
	case [9]byte{}:
		return errors.New("a scratchpad of zeros: the line is held low: look for a short")
	}
	if !onewire.CheckCRC(pad[:]) {
		return errors.New("a wrong checksum: look at the line's length, its pull-up and what runs beside it")
	}
	return nil
}

func (d *Dev) bad(f sensor.Fault, words string) (sensor.Reading, error) {
	return sensor.Bad(f), fmt.Errorf("%v: %s", d, words)
}

// failed gives a failure its fault: a line without any sensor is open, a shorted one is shorted, and the rest is
// the bus's.
func (d *Dev) failed(err error) (sensor.Reading, error) {
	var short onewire.ShortedBusError
	fault := sensor.BusFault
	switch reason := d.bridge.reason(err); {
	case errors.Is(reason, context.DeadlineExceeded):
		fault = sensor.Stale
	case errors.As(err, &short) && short.IsShorted():
		fault, err = sensor.ShortGND, errors.New("the 1-Wire line is shorted to ground")
	case d.bridge.gate.err == nil && isAbsent(err):
		fault, err = sensor.Open, errors.New("nothing answers on the 1-Wire line: look for a broken lead")
	case errors.Is(err, errSilent) || d.bridge.gate.err == nil && d.bridge.pad == [9]byte{0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff}:
		fault, err = sensor.Open, errSilent
	default:
		err = reason
	}
	return sensor.Bad(fault), fmt.Errorf("%v: %w", d, err)
}

// isAbsent knows the words of the bridge's driver for a reset that nobody answers; it has no type for it.
func isAbsent(err error) bool { return err.Error() == "ds248x: no device present" }

// Package mcp9600 reads Microchip's thermocouple converters on I2C: MCP9600 and MCP9601 with their L and RL
// versions (data sheet DS20005426G), which linearise by themselves once told the thermocouple's type.
//
// The two families differ in one thing that matters: an MCP9600 cannot tell that no thermocouple hangs on it, and
// then reads about its own temperature; an MCP9601 tells an open and a shorted one. Which it is stands in the
// identity register.
//
// The chip holds the clock line for at least 60 µs in each byte that it sends, and takes no more than 100 kHz. A
// host that does not wait, such as the I2C block of many Raspberry Pi boards, reads wrong bytes now and then:
// use the software bus (dtoverlay=i2c-gpio) there. So every reading checks identity and set-up, and the hot
// junction is read until two reads in a row agree. The bus is never scanned, and nothing empty is ever written
// to it: the chip answers neither as others do.
package mcp9600

import (
	"context"
	"errors"
	"fmt"
	"time"

	"holdbell/sensor"
	"holdbell/sensor/its90"
)

// Lowest and Highest are the addresses that the chip can be set to by a resistor at its ADDR pin: ground gives
// the lowest, the supply the highest.
const (
	Lowest  = 0x60
	Highest = 0x67
)

// Opts says what hangs on the chip.
type Opts struct {
	Type its90.Type
	// OpenDetect demands a chip of the MCP9601 family; an MCP9600 in its place is then a fault.
	OpenDetect bool
	// Filter is the chip's own smoothing, 0 (none) to 7: a new conversion weighs 2/(2^Filter + 1). It is best left at
	// 0: what a loose contact gives between two readings is smeared into those that follow.
	Filter int
	// CoarseCold has the cold junction measured in steps of 0.25 °C, in 63 ms instead of 250 ms.
	CoarseCold bool
}

// Dev is one chip. It implements sensor.Probe.
type Dev struct {
	t              sensor.Transport
	typ            its90.Type
	sensor, device byte // the set-up
	open           bool // what Opts.OpenDetect demands
	interval       time.Duration

	patient bool // the next identification may be tried again after a pause
	ready   bool // set up, and no power lost since
	old     bool // the next conversion may have begun before the set-up
	tainted bool // the chip's filter has taken in what was no temperature
	cold    its90.ColdJunction
	w       [2]byte
	r       [2]byte
}

// New makes a probe of the chip behind t. It does not touch the bus: the first Read sets the chip up.
func New(t sensor.Transport, o Opts) (*Dev, error) {
	if t == nil {
		return nil, errors.New("mcp9600: no transport")
	}
	d := &Dev{t: t, typ: o.Type, open: o.OpenDetect, patient: true,
		// The longest conversions at 18 bits and of the cold junction (electrical characteristics).
		interval: 320*time.Millisecond + 250*time.Millisecond}
	code, ok := typeCode(o.Type)
	if !ok {
		return nil, fmt.Errorf("%v: %v: give the thermocouple's letter, one of B, E, J, K, N, R, S, T", d, o.Type)
	}
	if o.Filter < 0 || o.Filter > 7 {
		return nil, fmt.Errorf("%v: filter %d: the chip knows 0 to 7", d, o.Filter)
	}
	d.sensor = code<<4 | byte(o.Filter)
	if o.CoarseCold {
		d.device, d.interval = deviceCoarse, 320*time.Millisecond+63*time.Millisecond
	}
	return d, nil
}

// MinInterval is the longest conversion of the thermocouple and of the cold junction.
func (d *Dev) MinInterval() time.Duration { return d.interval }

// String names the chip and its place.
func (d *Dev) String() string {
	if d.open {
		return "MCP9601 on " + d.t.String()
	}
	return "MCP9600 on " + d.t.String()
}

// Read implements sensor.Probe. The first Read, and the one that meets a chip without its set-up, set the
// chip up and give Stale; so does the next, whose conversion may have begun before.
func (d *Dev) Read(ctx context.Context) (sensor.Reading, error) {
	id, err := d.identify(ctx)
	if err != nil {
		return d.failed(err)
	}
	lost, err := d.verify(ctx)
	if err != nil {
		return d.failed(err)
	}
	if lost || !d.ready {
		return d.setUp(ctx)
	}
	status, err := d.one(ctx, regStatus)
	if err != nil {
		return d.failed(err)
	}
	if f, words := judge(id, status); f != sensor.None {
		d.patient = true
		d.tainted = d.tainted || f != sensor.Stale && d.sensor&sensorFilter != 0
		return d.bad(f, words)
	}
	if d.tainted {
		return d.setUp(ctx) // which empties the filter: what it holds would pass for food that was cold
	}
	hot, cold, err := d.temperatures(ctx)
	if err != nil {
		return d.failed(err)
	}
	// Cleared only now, so that what was read is never taken for new again.
	if err := d.write(ctx, regStatus, status&^statusUpdated); err != nil {
		return d.failed(err)
	}
	d.patient = true
	if d.old {
		d.old = false
		return d.bad(sensor.Stale, "waiting for a conversion that began after the set-up")
	}
	if err := d.cold.Check(Celsius(cold)); err != nil {
		return d.bad(sensor.CJImplausible, err.Error())
	}
	if lowest, highest := its90.Range(d.typ); !(Celsius(hot) >= lowest && Celsius(hot) <= highest) {
		return d.bad(sensor.Range, fmt.Sprintf("%.2f °C is outside type %v's %g to %g °C: is the type right, are the leads the right way round?",
			Celsius(hot), d.typ, lowest, highest))
	}
	return sensor.Reading{Temp: millidegrees(Sixteenths(hot))}, nil
}

// Identification is tried again after a pause: the chip may miss its first call after power-on.
const (
	tries = 3
	pause = 50 * time.Millisecond
)

var errTwoReads = errors.New("the hot junction reads differently each time: is the bus at 100 kHz or below, and does the host " +
	"wait for a held clock line? On a Raspberry Pi use the software bus (dtoverlay=i2c-gpio)")

// identify reads the identity and gives it, or an error for what is none of the two.
func (d *Dev) identify(ctx context.Context) (byte, error) {
	patient := d.patient
	d.patient = false
	for n := 1; ; n++ {
		err := d.read(ctx, regID, 2)
		if err == nil {
			err = d.known(d.r[0])
		}
		if err == nil {
			return d.r[0], nil
		}
		if n == tries || !patient || d.ready || ctx.Err() != nil {
			return 0, err
		}
		wait := time.NewTimer(pause)
		select {
		case <-wait.C:
		case <-ctx.Done():
			wait.Stop()
			return 0, fmt.Errorf("%w; then %w", err, ctx.Err())
		}
	}
}

// known says what is wrong with an identity, or nil.
func (d *Dev) known(id byte) error {
	switch {
	case id == id9601, id == id9600 && !d.open:
		return nil
	case id == id9600:
		return errors.New("this is an MCP9600, which cannot tell an open thermocouple: fit an MCP9601, or name the chip mcp9600")
	case id == 0x00:
		return errors.New("identity 0x00: a data line stuck low, or another chip: look at the wiring and the address")
	case id == 0xff:
		return errors.New("identity 0xff: a data line stuck high, or no chip: look at the wiring, the address and the supply")
	}
	return fmt.Errorf("identity %#02x is neither 0x40 (MCP9600) nor 0x41 (MCP9601): another chip at this address, or a host that does not wait for a held clock line", id)
}

// verify reads the set-up back, and reports that it is not ours.
func (d *Dev) verify(ctx context.Context) (lost bool, err error) {
	have, err := d.one(ctx, regSensor)
	if err != nil {
		return false, err
	}
	if have&sensorSpare != 0 {
		return false, fmt.Errorf("sensor configuration %#02x has bits that are always 0: look at the wiring and the bus's speed", have)
	}
	device, err := d.one(ctx, regDevice)
	return have != d.sensor || device != d.device, err
}

// setUp writes the set-up, reads it back and forgets the conversion of before.
func (d *Dev) setUp(ctx context.Context) (sensor.Reading, error) {
	d.ready = false
	for _, c := range [...]struct{ reg, value byte }{{regSensor, d.sensor}, {regDevice, d.device}, {regStatus, 0}} {
		if err := d.write(ctx, c.reg, c.value); err != nil {
			return d.failed(err)
		}
	}
	lost, err := d.verify(ctx)
	if err != nil {
		return d.failed(err)
	}
	if lost {
		return d.bad(sensor.BusFault, "the set-up does not read back as it was written: look at the wiring, the supply and the bus's speed")
	}
	d.ready, d.old, d.patient, d.tainted = true, true, true, false
	return d.bad(sensor.Stale, "set up anew, first conversion under way")
}

// judge says what the status register means for a chip of the given identity.
func judge(id, status byte) (sensor.Fault, string) {
	both := id == id9601
	switch {
	case status == 0xff:
		// Every alert at once, though this driver sets none up: the line went high between identity and status.
		return sensor.BusFault, "status 0xff: a data line stuck high, or no chip any more: look at the wiring and the supply"
	case status&statusShort != 0 && !both:
		return sensor.BusFault, fmt.Sprintf("status %#02x has a bit that this chip does not know: look at the wiring and the bus's speed", status)
	case status&statusShort != 0:
		return sensor.ShortGND, "the thermocouple touches ground or the supply: look for a grounded sheath or a bare lead; use probes with insulated junctions"
	case status&statusInput != 0 && both:
		return sensor.Open, "no thermocouple, or a voltage outside the type's range: look for a broken lead, a loose terminal, crossed leads"
	case status&statusInput != 0:
		return sensor.Range, "a voltage outside the type's range: is the type right, are the leads the right way round and whole?"
	case status&statusUpdated == 0:
		return sensor.Stale, "no new conversion since the last reading"
	}
	return sensor.None, ""
}

// temperatures reads hot and cold junction. The hot one counts when two reads in a row agree.
func (d *Dev) temperatures(ctx context.Context) (hot, cold [2]byte, err error) {
	if err = d.read(ctx, regCold, 2); err != nil {
		return hot, cold, err
	}
	cold = d.r
	for n := range 4 {
		if err = d.read(ctx, regHot, 2); err != nil {
			return hot, cold, err
		}
		if n > 0 && d.r == hot {
			return hot, cold, nil
		}
		hot = d.r
	}
	return hot, cold, errTwoReads
}

func (d *Dev) one(ctx context.Context, reg byte) (byte, error) {
	err := d.read(ctx, reg, 1)
	return d.r[0], err
}

func (d *Dev) read(ctx context.Context, reg byte, n int) error {
	d.w[0] = reg
	return d.t.Tx(ctx, d.w[:1], d.r[:n])
}

func (d *Dev) write(ctx context.Context, reg, value byte) error {
	d.w = [2]byte{reg, value}
	return d.t.Tx(ctx, d.w[:], nil)
}

// millidegrees rounds sixteenths of a degree to the nearest thousandth, halves away from zero.
func millidegrees(sixteenths int16) sensor.Temp {
	n := int32(sixteenths) * 125 // halves of a thousandth
	if n < 0 {
		return sensor.Temp((n - 1) / 2)
	}
	return sensor.Temp((n + 1) / 2)
}

func (d *Dev) bad(f sensor.Fault, words string) (sensor.Reading, error) {
	return sensor.Bad(f), fmt.Errorf("%v: %s", d, words)
}

func (d *Dev) failed(err error) (sensor.Reading, error) {
	fault := sensor.BusFault
	if errors.Is(err, context.DeadlineExceeded) {
		fault = sensor.Stale
	}
	return sensor.Bad(fault), fmt.Errorf("%v: %w", d, err)
}

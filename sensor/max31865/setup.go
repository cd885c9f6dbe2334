package max31865

import (
	"context"
	"errors"
	"fmt"

	"holdbell/sensor"
)

// setUp writes the set-up with conversions stopped, reads it back, clears old faults, and starts conversions.
// now is the configuration that the chip holds.
func (d *Dev) setUp(ctx context.Context, now byte) error {
	stopped := d.config &^ cfgAuto
	if now&cfgAuto != 0 {
		if err := d.write(ctx, regConfig, now&(cfgBias|cfgThreeWire|cfgNotch50)); err != nil {
			return err
		}
	}
	if err := d.write(ctx, regConfig, stopped|cfgFaultClear); err != nil {
		return err
	}
	if err := d.write(ctx, regHigh, d.limits[:]...); err != nil {
		return err
	}
	if err := d.tx(ctx, regConfig, numRegs); err != nil {
		return err
	}
	if i := d.differs(d.r[1:], stopped); i >= 0 {
		return refused(i, d.r[1+i])
	}
	if err := d.write(ctx, regConfig, d.config); err != nil {
		return err
	}
	if err := d.tx(ctx, regConfig, 1); err != nil {
		return err
	}
	if d.r[1] != d.config {
		return refused(regConfig, d.r[1])
	}
	return nil
}

// patience is how often a cycle is asked whether it has ended. It takes about half a millisecond (electrical
// characteristics), a transaction some ten microseconds at least.
const patience = 100

// cycle stops the conversions, lets the chip look for faults, fetches what it found, and starts it again with
// its faults cleared. That it has started is seen by the next reading, which compares the configuration.
func (d *Dev) cycle(ctx context.Context) (status uint8, err error) {
	stopped := d.config &^ cfgAuto
	if err := d.write(ctx, regConfig, stopped|cfgCycleAuto); err != nil {
		return 0, err
	}
	for n := 0; ; n++ {
		if n == patience {
			return 0, errors.New("the fault detection cycle does not end: look at the chip's supply")
		}
		if err := d.tx(ctx, regConfig, numRegs); err != nil {
			return 0, err
		}
		if d.r[1] != stopped|cfgCycleAuto {
			break
		}
	}
	if i := d.differs(d.r[1:], stopped); i >= 0 {
		return 0, refused(i, d.r[1+i])
	}
	status = d.r[1+regFault] & faultBits
	start := d.config
	if status != 0 {
		start |= cfgFaultClear
	}
	return status, d.write(ctx, regConfig, start)
}

func refused(reg int, read byte) error {
	return fmt.Errorf("register %02Xh reads %#02x, which is not what was written: look at the wiring and the supply", reg, read)
}

// differs gives the first of the set-up's registers that is not as wanted, -1 when there is none. The lowest bit of
// a threshold means nothing.
func (d *Dev) differs(regs []byte, config byte) int {
	if regs[regConfig] != config {
		return regConfig
	}
	for i, want := range d.limits {
		diff := regs[regHigh+i] ^ want
		if i&1 == 1 {
			diff &^= 1
		}
		if diff != 0 {
			return regHigh + i
		}
	}
	return -1
}

// tx reads n registers from reg on into d.r[1:].
func (d *Dev) tx(ctx context.Context, reg byte, n int) error {
	d.w[0] = reg
	clear(d.w[1:])
	return d.t.Tx(ctx, d.w[:1+n], d.r[:1+n])
}

func (d *Dev) write(ctx context.Context, reg byte, values ...byte) error {
	d.w[0] = writeBit | reg
	n := copy(d.w[1:], values)
	return d.t.Tx(ctx, d.w[:1+n], nil)
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

// deadWords says so when every register reads alike, as on a bus without a chip.
func deadWords(regs [numRegs]byte) string {
	for _, b := range regs {
		if b != regs[0] {
			return ""
		}
	}
	switch regs[0] {
	case 0x00:
		return "all zeros: a dead data line, or no chip: look at the wiring, the chip select and the supply"
	case 0xff:
		return "all ones: a data line stuck high, or no chip: look at the wiring, the chip select and the supply"
	}
	return "every register reads alike: look at the wiring, the clock rate and the chip select"
}

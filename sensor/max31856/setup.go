package max31856

import (
	"context"
	"errors"
	"fmt"

	"holdbell/sensor"
	"holdbell/sensor/its90"
)

// setUp writes the set-up with conversions stopped, as the mains filter demands, reads it back, and
// starts conversions. cr0 is what the chip holds now.
func (d *Dev) setUp(ctx context.Context, cr0 byte) error {
	const running = cr0Auto | cr0OneShot
	if cr0&running != 0 {
		if err := d.write(ctx, regCR0, cr0&^running); err != nil {
			return err
		}
	}
	stopped := d.want
	stopped[regCR0] &^= running
	if err := d.write(ctx, regCR0, stopped[:]...); err != nil {
		return err
	}
	if err := d.tx(ctx, regCR0, numSetUp); err != nil {
		return err
	}
	if i := differs(d.r[1:], stopped); i >= 0 {
		return refused(i, stopped[i], d.r[1+i])
	}
	if err := d.write(ctx, regCR0, d.want[regCR0]); err != nil {
		return err
	}
	if err := d.tx(ctx, regCR0, 1); err != nil {
		return err
	}
	if d.r[1] != d.want[regCR0] {
		return refused(regCR0, d.want[regCR0], d.r[1])
	}
	return nil
}

func refused(reg int, wrote, read byte) error {
	return fmt.Errorf("register %02Xh reads %#02x after %#02x was written: look at the wiring and the supply",
		reg, read, wrote)
}

// differs gives the first register that is not as wanted, -1 when there is none. MASK's two highest bits
// are reserved.
func differs(have []byte, want [numSetUp]byte) int {
	for i, w := range want {
		diff := have[i] ^ w
		if i == regMASK {
			diff &= 0x3f
		}
		if diff != 0 {
			return i
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

// judge turns a sample of a chip known to be set up into a reading.
func (d *Dev) judge(s Sample) (sensor.Reading, error) {
	if s.Status&srVoltage != 0 {
		d.ready = false // its numbers date from before: wait for a whole conversion afterwards
	}
	var coldErr error
	zeros := s.Hot == 0 && s.Cold == 0 // as after power-on: nothing was measured
	if !zeros {
		coldErr = d.cold.Check(s.ColdCelsius())
	}
	for _, f := range statusFaults {
		if s.Status&f.bit != 0 {
			return d.bad(f.fault, f.words)
		}
	}
	if zeros {
		return d.bad(sensor.Stale, "measurement registers still hold their power-on zeros")
	}
	if coldErr != nil {
		return d.bad(sensor.CJImplausible, coldErr.Error())
	}
	if lowest, highest := its90.Range(d.typ); !(s.HotCelsius() >= lowest && s.HotCelsius() <= highest) {
		return d.bad(sensor.Range, fmt.Sprintf("%.2f °C is outside type %v's %g to %g °C: look at the data line",
			s.HotCelsius(), d.typ, lowest, highest))
	}
	return sensor.Reading{Temp: millidegrees(s.Hot)}, nil
}

// millidegrees rounds 1/128 °C to the nearest thousandth, halves away from zero.
func millidegrees(hot int32) sensor.Temp {
	n := hot * 125 // sixteenths of a thousandth
	if n < 0 {
		return sensor.Temp((n - 8) / 16)
	}
	return sensor.Temp((n + 8) / 16)
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
func deadWords(regs []byte) string {
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

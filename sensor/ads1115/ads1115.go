package ads1115

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"periph.io/x/devices/v3/ads1x15"

	"holdbell/sensor"
)

// rates are the data rates in conversions a second (table 8, DR).
var rates = [...]int{8, 16, 32, 64, 128, 250, 475, 860}

// slowest is how much longer a conversion may take than its rate says: the chip's clock is good for a tenth
// (electrical characteristics), and the driver's own wait comes first.
const slowest = 1.25

// Opts says what hangs on one channel.
type Opts struct {
	Channel  Channel
	FrontEnd FrontEnd
	// Supply is the chip's supply in volts, mostly 3.3 or 5: no input can lie above it. It sets the range.
	Supply float64
	// Rate is conversions a second: 8, 16, 32, 64, 128, 250, 475 or 860; zero is 128. Slower is quieter.
	Rate int
}

// Dev is one channel. It implements sensor.Probe.
type Dev struct {
	chip       *Chip
	channel    Channel
	front      FrontEnd
	supply     float64
	takes      time.Duration // one conversion
	pin        ads1x15.PinADC
	excitation ads1x15.PinADC // nil unless measured
}

// Probe makes a probe of one of the chip's channels. It does not touch the bus. The error names what cannot be;
// a channel that has its probe already is one.
func (c *Chip) Probe(o Opts) (*Dev, error) {
	d := &Dev{chip: c, channel: o.Channel, front: o.FrontEnd, supply: o.Supply}
	fail := func(format string, args ...any) (*Dev, error) {
		return nil, fmt.Errorf("%v: %s", d, fmt.Sprintf(format, args...))
	}
	if o.Channel >= numChannels {
		return fail("there is no such channel")
	}
	if c.taken[o.Channel] {
		return fail("two probes are on this channel: give each its own")
	}
	if !(o.Supply >= 2 && o.Supply <= 5.5) {
		return fail("a supply of %g V: the chip takes 2 to 5.5 V, mostly 3.3 or 5", o.Supply)
	}
	if o.Rate == 0 {
		o.Rate = 128
	}
	if !slices.Contains(rates[:], o.Rate) {
		return fail("%d conversions a second: the chip knows %v", o.Rate, rates)
	}
	if o.FrontEnd == nil {
		return fail("say what stands before it: an AD8495 or a thermistor")
	}
	if err := o.FrontEnd.check(o); err != nil {
		return fail("%v", err)
	}
	d.takes = time.Duration(float64(time.Second) * slowest / float64(o.Rate))
	c.gate.pause = max(c.gate.pause, d.takes/10)
	conversions := 1
	fullScale := fullScale(o.Supply)
	var err error
	if d.pin, err = c.pin(o.Channel, fullScale, o.Rate); err != nil {
		return fail("%v", err)
	}
	if ch, measured := o.FrontEnd.excitation(); measured {
		if d.excitation, err = c.pin(ch, fullScale, o.Rate); err != nil {
			return fail("%v", err)
		}
		conversions = 2
	}
	c.taken[o.Channel] = true
	c.total += time.Duration(conversions) * d.takes
	return d, nil
}

// fullScale is the smallest range in volts that holds what the supply can put on an input (table 8, PGA).
func fullScale(supply float64) float64 {
	for _, v := range [...]float64{2.048, 4.096} {
		if supply <= v {
			return v
		}
	}
	return 6.144
}

// MinInterval is what a conversion for every probe on the chip takes: they are read one after the other.
func (d *Dev) MinInterval() time.Duration { return d.chip.total }

// String names the chip, its place and the channel.
func (d *Dev) String() string {
	return fmt.Sprintf("ADS1115 on %v channel %v", d.chip.gate.t, d.channel)
}

// Read implements sensor.Probe: one conversion, or two where the excitation is measured.
func (d *Dev) Read(ctx context.Context) (sensor.Reading, error) {
	if err := d.chip.take(ctx); err != nil {
		return d.failed(err)
	}
	defer d.chip.release()
	volts, err := d.chip.convert(ctx, d.pin, d.takes)
	if err != nil {
		return d.failed(err)
	}
	excitation := 0.0
	if d.excitation != nil {
		if excitation, err = d.chip.convert(ctx, d.excitation, d.takes); err != nil {
			return d.failed(err)
		}
		if !(excitation >= leastExcitation && excitation <= d.supply+beyondRail) {
			return d.bad(sensor.OverUnderVoltage, fmt.Sprintf("the excitation measures %.3f V: look at its wire and its supply", excitation))
		}
	}
	// An input cannot be driven beyond the supplies by anything that measures.
	if below := d.channel >= A0 && volts < -beyondRail; below || volts > d.supply+beyondRail {
		return d.bad(sensor.OverUnderVoltage, fmt.Sprintf("%.3f V lie outside the chip's supply of 0 to %g V: look for a lead that touches another voltage", volts, d.supply))
	}
	celsius, fault, words := d.front.celsius(d.channel, volts, excitation)
	if fault != sensor.None {
		return d.bad(fault, fmt.Sprintf("%.4f V: %s", volts, words))
	}
	t, ok := sensor.FromCelsius(celsius)
	if !ok {
		return d.bad(sensor.Range, fmt.Sprintf("%.4f V give no temperature", volts))
	}
	return sensor.Reading{Temp: t}, nil
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

package ads1115

import (
	"bytes"
	"context"
	_ "embed"
	"encoding/csv"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"pgregory.net/rapid"

	"holdbell/sensor"
	"holdbell/sensor/its90"
	"holdbell/sensor/resist"
	"holdbell/sensor/sensortest"
)

//go:embed testdata/vectors.csv
var vectors []byte

//go:embed testdata/ad8495_table.csv
var ampTable []byte

// amp is the board that many people have: 5 V amplifier, 1.25 V reference.
var amp = AD8495{Reference: 1.25, Supply: 5}

// meat is a food probe of 100 kΩ from the input to ground, under 10 kΩ to 3.3 V.
func meat(t testing.TB) *Thermistor {
	t.Helper()
	curve, err := resist.Beta(100_000, 25, 3950)
	if err != nil {
		t.Fatal(err)
	}
	return &Thermistor{Curve: curve, Divider: resist.Divider{Series: 10_000}, Excitation: 3.3}
}

func open(t testing.TB, o Opts) (*chip, *Dev) {
	t.Helper()
	c := newChip()
	return c, on(t, c, o)
}

func on(t testing.TB, tr sensor.Transport, o Opts) *Dev {
	t.Helper()
	chip, err := NewChip(tr)
	if err != nil {
		t.Fatal(err)
	}
	d, err := chip.Probe(o)
	if err != nil {
		t.Fatal(err)
	}
	return d
}

func expect(t *testing.T, d *Dev, want sensor.Fault, words string) sensor.Temp {
	t.Helper()
	r, err := d.Read(t.Context())
	if r.Fault != want || (err == nil) != (want == sensor.None) {
		t.Errorf("%v, %v: not %q", r, err, want)
	}
	if err != nil && !strings.Contains(err.Error(), words) {
		t.Errorf("%v: says nothing of %q", err, words)
	}
	return r.Temp
}

// spy is a front end that shows the voltage.
type spy struct{ volts float64 }

func (s *spy) check(Opts) error            { return nil }
func (s *spy) excitation() (Channel, bool) { return 0, false }
func (s *spy) celsius(_ Channel, volts, _ float64) (float64, sensor.Fault, string) {
	s.volts = volts
	return 20, sensor.None, ""
}

func rows(t *testing.T, table []byte) [][]string {
	t.Helper()
	r := csv.NewReader(bytes.NewReader(table))
	r.Comment = '#'
	all, err := r.ReadAll()
	if err != nil || len(all) < 2 {
		t.Fatalf("%d rows: %v", len(all), err)
	}
	return all[1:]
}

func TestVectors(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		codes, amps := 0, 0
		for _, row := range rows(t, vectors) {
			raw, err := strconv.ParseUint(row[3], 0, 16)
			if err != nil {
				t.Fatal(err)
			}
			code := uint16(raw)
			switch row[0] {
			case "ADS1115":
				want, ok := map[string]float64{"+FS*(2^15-1)/2^15": 32767. / 32768, "+FS/2^15": 1. / 32768, "0": 0,
					"-FS/2^15": -1. / 32768, "-FS": -1}[row[4]]
				if !ok {
					t.Fatalf("row %v", row)
				}
				for supply, full := range map[float64]float64{2: 2.048, 3.3: 4.096, 5: 6.144} {
					s := &spy{volts: math.NaN()}
					c, d := open(t, Opts{Channel: A0Minus1, Supply: supply, FrontEnd: s})
					c.force = &code
					_, err := d.Read(t.Context())
					// Full scale lies above every supply, and so is refused before the front end sees it.
					if want > 0.9 && err != nil && strings.Contains(err.Error(), fmt.Sprintf("%.3f V lie outside", want*full)) {
						continue
					}
					if err != nil || math.Abs(s.volts-want*full) > 2e-9 {
						t.Errorf("%v at %g V: %v, %v", row, supply, s.volts, err)
					}
				}
				codes++
			case "ADS1115+AD8495":
				want, err := strconv.ParseFloat(row[4], 64)
				c, d := open(t, Opts{Channel: A0, Supply: 3.3, FrontEnd: AD8495{Reference: 1.25, Supply: 3.3}})
				c.force = &code
				// The nominal line is up to 2 °C off the thermocouple's curve in its window (AN-1087).
				if got := expect(t, d, sensor.None, ""); err != nil || math.Abs(got.Celsius()-want) > 2 {
					t.Errorf("%v: %v, %v", row, got, err)
				}
				amps++
			default:
				t.Fatalf("row %v is of a chip that this test does not know", row)
			}
		}
		if codes != 5 || amps != 4 {
			t.Fatalf("%d codes and %d amplifiers, not 5 and 4", codes, amps)
		}
	})
}

// TestAmplifierTable: every row comes back through the converter, as near as its last digit allows.
func TestAmplifierTable(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		n := 0
		for _, row := range rows(t, ampTable) {
			want, err := strconv.ParseFloat(row[0], 64)
			if err != nil {
				t.Fatal(err)
			}
			volts, err := strconv.ParseFloat(row[1], 64)
			if err != nil {
				t.Fatal(err)
			}
			n++
			// The table's half millivolt and the converter's half step, over the amplifier's slope there.
			above, _ := its90.EMF(its90.K, want+1)
			below, _ := its90.EMF(its90.K, want-1)
			tolerance := (0.55 + 0.1) / (ampGain * (above - below) / 2)
			for _, ch := range []Channel{A2, A2Minus3} {
				c, d := open(t, Opts{Channel: ch, Supply: 5, FrontEnd: amp})
				c.volts = [4]float64{0, 0, volts + 1.25, 1.25}
				if volts+1.25 > 5 { // a hot pit is beyond what a 5 V amplifier tells
					if ch == A2 || volts > 5.2 {
						expect(t, d, sensor.OverUnderVoltage, "outside the chip's supply")
					} else {
						expect(t, d, sensor.Open, "upper stop")
					}
					continue
				}
				if got := expect(t, d, sensor.None, ""); math.Abs(got.Celsius()-want) > tolerance {
					t.Errorf("%v on %v: %v, off by more than %.3f", row, ch, got, tolerance)
				}
			}
			c, fault, words := AD8495{Reference: 1.25, Supply: 9}.celsius(A0, volts+1.25, 0)
			if fault != sensor.None || math.Abs(c-want) > tolerance {
				t.Errorf("%v: %v, %v %s", row, c, fault, words)
			}
		}
		if n != 25 {
			t.Fatalf("%d rows, not 25", n)
		}
	})
}

func TestConformance(t *testing.T) {
	for name, o := range map[string]Opts{
		"amplifier":  {Channel: A0, Supply: 5, FrontEnd: amp, Rate: 860},
		"thermistor": {Channel: A1, Supply: 3.3, FrontEnd: meat(t), Rate: 860},
		"ratiometric": {Channel: A1, Supply: 3.3, Rate: 860,
			FrontEnd: &Thermistor{Curve: meat(t).Curve, Divider: meat(t).Divider, MeasuredOn: A3}},
	} {
		t.Run(name, func(t *testing.T) {
			sensortest.Conformance(t, "ADS1115",
				func(tr sensor.Transport) (sensor.Probe, error) {
					c, err := NewChip(tr)
					if err != nil {
						return nil, err
					}
					return c.Probe(o)
				},
				func() sensor.Transport {
					c := newChip()
					c.volts = [4]float64{1.6, 1.2, 0, 3.3}
					return c
				}, sensortest.Wraps)
		})
	}
}

// TestSlowClock: a chip whose clock is a tenth slow still converts when periph's driver reads. The channel read
// before has another voltage: it must never come out of this one.
func TestSlowClock(t *testing.T) {
	for _, rate := range rates {
		for _, slow := range []float64{0.9, 1, 1.1, 1.2} {
			synctest.Test(t, func(t *testing.T) {
				c := newChip()
				c.slow = slow
				c.volts = [4]float64{1.3, 2.1, 0, 0}
				chip, err := NewChip(c)
				if err != nil {
					t.Fatal(err)
				}
				var volts [2]spy
				var devs [2]*Dev
				for i := range devs {
					if devs[i], err = chip.Probe(Opts{Channel: A0 + Channel(i), Supply: 3.3, FrontEnd: &volts[i], Rate: rate}); err != nil {
						t.Fatal(err)
					}
				}
				for range 3 {
					for i, d := range devs {
						expect(t, d, sensor.None, "")
						if math.Abs(volts[i].volts-c.volts[i]) > 1e-4 {
							t.Fatalf("%d a second, clock %g: channel %d at %v V", rate, slow, i, volts[i].volts)
						}
					}
				}
				if len(c.abuses) > 0 {
					t.Error(c.abuses)
				}
				if want := time.Duration(2 * slowest * float64(time.Second) / float64(rate)); (devs[0].MinInterval()-want).Abs() > 2 || devs[1].MinInterval() != devs[0].MinInterval() {
					t.Errorf("interval %v, not %v", devs[0].MinInterval(), want)
				}
			})
		}
	}
}

// TestChannelsTakeTurns: four probes read at once, and the chip is asked for one conversion at a time.
func TestChannelsTakeTurns(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := newChip()
		c.slow = 1.1
		c.volts = [4]float64{0.5, 1.0, 1.5, 3.3}
		chip, err := NewChip(c)
		if err != nil {
			t.Fatal(err)
		}
		want := [3]sensor.Temp{}
		devs := [3]*Dev{}
		for i := range devs {
			f := meat(t)
			f.Excitation, f.MeasuredOn = 0, A3
			if devs[i], err = chip.Probe(Opts{Channel: A0 + Channel(i), Supply: 3.3, FrontEnd: f}); err != nil {
				t.Fatal(err)
			}
			want[i] = expect(t, devs[i], sensor.None, "")
		}
		if !(want[0] > want[1] && want[1] > want[2]) {
			t.Fatalf("%v", want)
		}
		for range 20 {
			done := make(chan string)
			for i, d := range devs {
				go func() {
					r, err := d.Read(t.Context())
					if err != nil || r.Temp != want[i] {
						done <- fmt.Sprintf("channel %d: %v, %v, not %v", i, r, err, want[i])
						return
					}
					done <- ""
				}()
			}
			for range devs {
				if s := <-done; s != "" {
					t.Error(s)
				}
			}
		}
		if len(c.abuses) > 0 {
			t.Error(c.abuses)
		}
	})
}

// TestHungChannel: while one waits on a wedged bus, another gives up at its own deadline.
func TestHungChannel(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := newChip()
		c.volts = [4]float64{1, 1, 1, 1}
		bus := &sensortest.Switch{Transport: c}
		first := on(t, bus, Opts{Channel: A0, Supply: 3.3, FrontEnd: meat(t)})
		second, err := first.chip.Probe(Opts{Channel: A1, Supply: 3.3, FrontEnd: meat(t)})
		if err != nil {
			t.Fatal(err)
		}
		bus.Instead = sensortest.Hang
		long, cancel := context.WithTimeout(t.Context(), 10*time.Second)
		defer cancel()
		go func() {
			if r, err := first.Read(long); r.Fault != sensor.Stale || err == nil {
				t.Errorf("%v, %v", r, err)
			}
		}()
		synctest.Wait()
		short, cancel := context.WithTimeout(t.Context(), time.Second)
		defer cancel()
		began := time.Now()
		r, err := second.Read(short)
		if r.Fault != sensor.Stale || err == nil || !strings.Contains(err.Error(), "another channel") || time.Since(began) != time.Second {
			t.Errorf("%v, %v after %v", r, err, time.Since(began))
		}
		time.Sleep(20 * time.Second)
		bus.Instead = nil
		expect(t, second, sensor.None, "")
	})
}

func TestNoTimeLeft(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c, d := open(t, Opts{Channel: A0, Supply: 3.3, FrontEnd: meat(t), Rate: 8})
		ctx, cancel := context.WithTimeout(t.Context(), 100*time.Millisecond)
		defer cancel()
		if r, err := d.Read(ctx); r.Fault != sensor.Stale || err == nil || len(c.seen) != 0 {
			t.Errorf("%v, %v, %d conversions", r, err, len(c.seen))
		}
	})
}

// TestLostSetUp: a supply that fails at any point of a reading never makes a temperature.
func TestLostSetUp(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		for after := range 3 {
			c, d := open(t, Opts{Channel: A2, Supply: 3.3, FrontEnd: meat(t)})
			c.volts = [4]float64{1, 1, 1, 1}
			want := expect(t, d, sensor.None, "")
			c.resets = after
			r, err := d.Read(t.Context())
			switch after {
			case 0: // before anything was written: the reading sets it up itself
				if r.Temp != want || err != nil {
					t.Errorf("after %d: %v, %v", after, r, err)
				}
			case 1:
				if r.Fault != sensor.BusFault || !strings.Contains(err.Error(), "reads 0x8583") {
					t.Errorf("after %d: %v, %v", after, r, err)
				}
			case 2: // between the look and the reading: the register holds its power-on zero
				if r.Fault != sensor.ShortGND {
					t.Errorf("after %d: %v, %v", after, r, err)
				}
			}
			c.resets = -1
			if got := expect(t, d, sensor.None, ""); got != want {
				t.Errorf("%v, not %v", got, want)
			}
		}
		c, d := open(t, Opts{Channel: A2, Supply: 3.3, FrontEnd: meat(t)})
		c.dead = true
		expect(t, d, sensor.BusFault, "does not end")
	})
}

// TestFlippedBits: a bit that flips in one reading of the result costs another, and bits that flip in each are a
// fault.
func TestFlippedBits(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := newChip()
		c.volts[0] = 1
		reads, flips := 0, 0
		bus := &sensortest.Switch{Transport: c}
		bus.Instead = func(ctx context.Context, w, r []byte) error {
			err := c.Tx(ctx, w, r)
			if len(w) == 1 && w[0] == regConversion {
				if reads++; reads <= flips {
					r[0] ^= byte(reads)
				}
			}
			return err
		}
		d := on(t, bus, Opts{Channel: A0, Supply: 3.3, FrontEnd: meat(t)})
		want := expect(t, d, sensor.None, "")
		reads, flips = 0, 1
		if got := expect(t, d, sensor.None, ""); got != want || reads != 3 {
			t.Errorf("%v, not %v, after %d readings", got, want, reads)
		}
		reads, flips = 0, 100
		expect(t, d, sensor.BusFault, "reads differently")
	})
}

func TestAmplifierFaults(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		for _, c := range []struct {
			front AD8495
			volts float64
			want  sensor.Fault
			words string
		}{
			{amp, 4.9, sensor.Open, "upper stop"},
			{amp, 5, sensor.Open, "upper stop"},
			{amp, 0.02, sensor.ShortGND, "at ground"},
			{amp, -0.01, sensor.ShortGND, "at ground"},
			{amp, -0.5, sensor.OverUnderVoltage, "outside the chip's supply"},
			{amp, 5.5, sensor.OverUnderVoltage, "outside the chip's supply"},
			{amp, 0.4, sensor.Range, "type K"},
			{AD8495{Supply: 5}, 0.02, sensor.Range, "lower stop"},
			{AD8495{Supply: 5}, 0.2, sensor.None, ""},
			{amp, 1.6, sensor.None, ""},
		} {
			chip, d := open(t, Opts{Channel: A3, Supply: 5, FrontEnd: c.front})
			chip.volts[3] = c.volts
			expect(t, d, c.want, c.words)
		}
	})
}

func TestThermistorFaults(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		for _, c := range []struct {
			top   bool
			volts float64
			want  sensor.Fault
			words string
		}{
			{false, 3.3, sensor.Open, "broken lead"},
			{false, 3.29, sensor.Open, "broken lead"},
			{false, 0, sensor.ShortGND, "shorted"},
			{false, 0.01, sensor.ShortGND, "shorted"},
			{false, 0.017, sensor.Range, "no temperature"},
			{false, 3.38, sensor.OverUnderVoltage, "above the excitation"},
			{false, 1.65, sensor.None, ""},
			{true, 3.3, sensor.ShortVCC, "shorted"},
			{true, 0, sensor.Open, "broken lead"},
			{true, 1.65, sensor.None, ""},
			{true, -0.3, sensor.OverUnderVoltage, "outside"},
		} {
			f := meat(t)
			f.Divider.Top = c.top
			chip, d := open(t, Opts{Channel: A0, Supply: 3.3, FrontEnd: f})
			chip.volts[0] = c.volts
			expect(t, d, c.want, c.words)
		}
	})
}

// TestRatiometric: a measured excitation may be what it likes; a given one may not.
func TestRatiometric(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := meat(t)
		f.Excitation, f.MeasuredOn = 0, A3
		c, d := open(t, Opts{Channel: A0, Supply: 3.3, FrontEnd: f})
		var first sensor.Temp
		for i, supply := range []float64{3.3, 3.0, 2.5} {
			c.volts[0], c.volts[3] = supply*0.4, supply
			got := expect(t, d, sensor.None, "")
			if i == 0 {
				first = got
			}
			if (got-first)/20 != 0 {
				t.Errorf("%v at %g V, %v before", got, supply, first)
			}
		}
		if !slices.Equal(c.seen[:2], []uint16{uint16(A0), uint16(A3)}) {
			t.Errorf("converted %v", c.seen)
		}
		c.volts[3] = 0.1
		expect(t, d, sensor.OverUnderVoltage, "excitation measures 0.100 V")
		given := meat(t)
		g, d := open(t, Opts{Channel: A0, Supply: 3.3, FrontEnd: given})
		g.volts[0] = 3.0 * 0.4 // sagged, and nobody knows
		if got := expect(t, d, sensor.None, ""); got-first < 2000 {
			t.Errorf("%v beside %v: a sag of a tenth went unseen, as it must", got, first)
		}
	})
}

// TestThermistorLaw: whatever thermistor and divider, the temperature comes back through the converter as near
// as one step of its code.
func TestThermistorLaw(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r25 := rapid.SampledFrom([]float64{10_000, 100_000, 200_000}).Draw(t, "r25")
		curve, err := resist.Beta(r25, 25, rapid.Float64Range(3300, 4400).Draw(t, "beta"))
		if err != nil {
			t.Fatal(err)
		}
		f := &Thermistor{Curve: curve, Divider: resist.Divider{Series: r25 / 5, Top: rapid.Bool().Draw(t, "top")}, Excitation: 3.3}
		c := rapid.Float64Range(-10, 150).Draw(t, "celsius")
		ohms, err := curve.Ohms(c)
		if err != nil {
			t.Fatal(err)
		}
		volts := math.Round(f.Divider.Ratio(ohms)*3.3/125e-6) * 125e-6
		got, fault, words := f.celsius(A0, volts, 0)
		if fault != sensor.None || math.Abs(got-c) > 0.3 {
			t.Fatalf("%v °C comes back as %v, %v %s", c, got, fault, words)
		}
	})
}

func TestOpts(t *testing.T) {
	good := func() Opts { return Opts{Channel: A0, Supply: 3.3, FrontEnd: meat(t)} }
	for want, change := range map[string]func(*Opts){
		"no such channel":         func(o *Opts) { o.Channel = 8 },
		"2 to 5.5 V":              func(o *Opts) { o.Supply = 12 },
		"conversions a second":    func(o *Opts) { o.Rate = 100 },
		"what stands before it":   func(o *Opts) { o.FrontEnd = nil },
		"fixed resistor of 0":     func(o *Opts) { o.FrontEnd.(*Thermistor).Divider.Series = 0 },
		"an excitation of 5":      func(o *Opts) { o.FrontEnd.(*Thermistor).Excitation = 5 },
		"an excitation of NaN":    func(o *Opts) { o.FrontEnd.(*Thermistor).Excitation = math.NaN() },
		"against ground":          func(o *Opts) { o.Channel = A0Minus1 },
		"one of the channels 0":   func(o *Opts) { o.FrontEnd.(*Thermistor).Excitation = 0 },
		"on another channel":      func(o *Opts) { f := o.FrontEnd.(*Thermistor); f.Excitation, f.MeasuredOn = 0, A0 },
		"thermistor's curve":      func(o *Opts) { o.FrontEnd.(*Thermistor).Curve = resist.Thermistor{} },
		"supply of 1 V for the":   func(o *Opts) { o.FrontEnd = AD8495{Supply: 1} },
		"reference of 5 V":        func(o *Opts) { o.FrontEnd = AD8495{Supply: 5, Reference: 5} },
		"reference of NaN":        func(o *Opts) { o.FrontEnd = AD8495{Supply: 5, Reference: math.NaN()} },
		"ADS1115 on I2C1 0x48 ch": func(o *Opts) { o.Supply = 0 },
	} {
		o := good()
		change(&o)
		chip, err := NewChip(newChip())
		if err != nil {
			t.Fatal(err)
		}
		if _, err := chip.Probe(o); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %v", want, err)
		}
	}
	d := on(t, newChip(), good())
	if _, err := d.chip.Probe(good()); err == nil || !strings.Contains(err.Error(), "two probes") {
		t.Error(err)
	}
	for _, s := range []string{"0", "1", "2", "3", "0-1", "0-3", "1-3", "2-3"} {
		if c, err := ParseChannel(s); err != nil || c.String() != s {
			t.Errorf("%s: %v, %v", s, c, err)
		}
	}
	for _, s := range []string{"", "4", "1-2", "A0"} {
		if _, err := ParseChannel(s); err == nil {
			t.Errorf("%q was read", s)
		}
	}
	if err := (&gate{}).Tx(0, nil, nil); err == nil {
		t.Error("the driver reached the bus outside of a read")
	}
}

func TestFrontEndsAllocateNothing(t *testing.T) {
	m := meat(t)
	if n := testing.AllocsPerRun(100, func() {
		if _, f, _ := amp.celsius(A0, 1.6, 0); f != sensor.None {
			t.Fatal(f)
		}
		if _, f, _ := m.celsius(A0, 1.6, 0); f != sensor.None {
			t.Fatal(f)
		}
	}); n != 0 {
		t.Errorf("%v allocations", n)
	}
}

// FuzzRead: whatever the registers say, a temperature is one that the front end can give.
func FuzzRead(f *testing.F) {
	f.Add(uint16(0x2af8), uint16(0xc383), true)
	f.Add(uint16(0), uint16(0), false)
	f.Add(uint16(0xffff), uint16(0xffff), true)
	f.Fuzz(func(t *testing.T, code, config uint16, thermistor bool) {
		o := Opts{Channel: A0, Supply: 5, FrontEnd: amp, Rate: 860}
		if thermistor {
			o.FrontEnd = meat(t)
		}
		bus := &sensortest.Switch{Transport: newChip()}
		var told uint16
		bus.Instead = func(_ context.Context, w, r []byte) error {
			switch {
			case len(w) == 3:
				told = uint16(w[1])<<8 | uint16(w[2])
			case w[0] == regConfig:
				r[0], r[1] = byte(config>>8), byte(config)
			default:
				r[0], r[1] = byte(code>>8), byte(code)
			}
			return nil
		}
		synctest.Test(t, func(t *testing.T) {
			r, err := on(t, bus, o).Read(t.Context())
			if r.Valid() != (err == nil) || r.Valid() && (config != told || r.Temp < -270_000 || r.Temp > 1_372_000) {
				t.Fatalf("%v, %v of %#04x after %#04x", r, err, config, told)
			}
		})
	})
}

func BenchmarkDecode(b *testing.B) {
	m := meat(b)
	for name, f := range map[string]FrontEnd{"AD8495": amp, "thermistor": m} {
		b.Run(name, func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				if _, fault, _ := f.celsius(A0, 1.6, 0); fault != sensor.None {
					b.Fatal(fault)
				}
			}
		})
	}
}

package ads1115

import (
	"errors"
	"fmt"

	"holdbell/sensor"
	"holdbell/sensor/its90"
	"holdbell/sensor/resist"
)

// Voltages in volts that tell a working front end from a broken one (common practice).
const (
	beyondRail      = 0.2  // more than this outside the supply, and something else drives the input
	nearTop         = 0.15 // an AD8495's output this near its supply is at its stop
	nearGround      = 0.03 // and this near ground: its data sheet's 25 mV and some
	leastExcitation = 0.5
	mostExcitation  = 5.5
)

// The share of the excitation beyond which a divider tells an open or a shorted thermistor: what is left is lost in
// the input's own current (10 MΩ, SBAS444D) and the resistor's tolerance.
const endOfDivider = 0.005

// FrontEnd is what stands between the sensor and the converter. AD8495 and Thermistor are the ones there are.
type FrontEnd interface {
	// check says what cannot be.
	check(o Opts) error
	// excitation is the channel that the excitation is measured on.
	excitation() (Channel, bool)
	// celsius turns a voltage, and the excitation where that is measured, into °C; or into a fault and words.
	celsius(ch Channel, volts, excitation float64) (float64, sensor.Fault, string)
}

// AD8495 is Analog Devices' thermocouple amplifier for type K: 5 mV/°C about 25 °C, with the cold junction
// compensated in the part. Its output follows the thermocouple's own curve, so that readings go through ITS-90. On
// a pair of inputs the negative one is wired to its reference.
type AD8495 struct {
	// Reference is the voltage at its REF pin, near which 0 °C lies; 1.25 on many boards. It is needed with a pair of
	// inputs too: the amplifier's stops are counted from ground.
	Reference float64
	// Supply is the amplifier's own in volts.
	Supply float64
}

// The amplifier's gain and the voltage that its laser trim gives at 25 °C (gain and the output at 0 °C of the data
// sheet's model, from memory; every row of testdata/ad8495_table.csv agrees to its last digit).
const (
	ampGain = 122.4
	ampAt25 = 0.125
)

func (a AD8495) check(Opts) error {
	if !(a.Supply >= 2.7 && a.Supply <= 36) {
		return fmt.Errorf("a supply of %g V for the AD8495: it takes 2.7 V or more", a.Supply)
	}
	if !(a.Reference >= 0 && a.Reference <= a.Supply-1) {
		return fmt.Errorf("a reference of %g V for the AD8495: measure its REF pin, 0 to %g V", a.Reference, a.Supply-1)
	}
	return nil
}

func (a AD8495) excitation() (Channel, bool) { return 0, false }

func (a AD8495) celsius(ch Channel, volts, _ float64) (float64, sensor.Fault, string) {
	output, signal := volts, volts-a.Reference
	if ch < A0 {
		output, signal = volts+a.Reference, volts
	}
	switch {
	case output >= a.Supply-nearTop:
		// The input's bias current drives an unconnected input up, and the output with it (data sheet, open
		// thermocouple detection).
		return 0, sensor.Open, "the amplifier is at its upper stop: no thermocouple, a broken lead, or hotter than its supply lets it tell"
	case output <= nearGround && a.Reference > 2*nearGround:
		return 0, sensor.ShortGND, "the amplifier's output lies at ground: look at its supply, its reference and the wire between"
	case output <= nearGround:
		return 0, sensor.Range, "the amplifier is at its lower stop: without a reference voltage it tells nothing below about 6 °C"
	}
	cold, err := its90.EMF(its90.K, 25)
	if err != nil {
		return 0, sensor.Range, err.Error()
	}
	c, err := its90.Temperature(its90.K, float64((signal-ampAt25)*1000/ampGain)+cold)
	if err != nil {
		return 0, sensor.Range, "outside type K's range: is the reference voltage right, are the leads the right way round?"
	}
	return c, sensor.None, ""
}

// Thermistor is a thermistor in a divider.
type Thermistor struct {
	Curve   resist.Thermistor
	Divider resist.Divider
	// Excitation is the voltage over the divider; zero when it is measured on MeasuredOn, which is better: then a
	// supply that sags or is off by some percent does not move the reading.
	Excitation float64
	MeasuredOn Channel
}

func (t *Thermistor) check(o Opts) error {
	switch {
	case !(t.Divider.Series >= 10 && t.Divider.Series <= 10e6):
		return fmt.Errorf("a fixed resistor of %g Ω: give ohms from 10 to 10 million, such as 10000", t.Divider.Series)
	case t.Excitation != 0 && !(t.Excitation >= leastExcitation && t.Excitation <= min(mostExcitation, o.Supply+beyondRail)):
		return fmt.Errorf("an excitation of %g V: it lies between %g V and the chip's supply of %g V", t.Excitation, leastExcitation, o.Supply)
	case o.Channel < A0:
		return errors.New("a thermistor's divider is measured against ground: give one of the channels 0 to 3")
	case t.Excitation == 0 && (t.MeasuredOn < A0 || t.MeasuredOn >= numChannels):
		return errors.New("measure the excitation on one of the channels 0 to 3, or give its voltage")
	case t.Excitation == 0 && t.MeasuredOn == o.Channel:
		return errors.New("the excitation is measured on another channel than the thermistor")
	}
	if hottest, coldest := t.Curve.Range(); !(hottest > 0 && coldest > hottest) {
		return errors.New("give the thermistor's curve")
	}
	return nil
}

func (t *Thermistor) excitation() (Channel, bool) { return t.MeasuredOn, t.Excitation == 0 }

func (t *Thermistor) celsius(_ Channel, volts, excitation float64) (float64, sensor.Fault, string) {
	if t.Excitation != 0 {
		excitation = t.Excitation
	}
	ratio := volts / excitation
	switch top := t.Divider.Top; {
	case ratio > 1+4*endOfDivider:
		return 0, sensor.OverUnderVoltage, "above the excitation: is its voltage right, does a lead touch another?"
	case ratio >= 1-endOfDivider && top:
		return 0, sensor.ShortVCC, "at the excitation: the thermistor or its lead is shorted"
	case ratio >= 1-endOfDivider:
		return 0, sensor.Open, "at the excitation: no thermistor, or a broken lead"
	case ratio <= endOfDivider && top:
		return 0, sensor.Open, "at ground: no thermistor, or a broken lead"
	case ratio <= endOfDivider:
		return 0, sensor.ShortGND, "at ground: the thermistor or its lead is shorted, or the excitation is gone"
	case !(ratio == ratio):
		return 0, sensor.Range, "no number"
	}
	c, err := t.Curve.Celsius(t.Divider.Ohms(ratio))
	if err != nil {
		return 0, sensor.Range, "no temperature of this thermistor: are its curve and the fixed resistor right?"
	}
	return c, sensor.None, ""
}

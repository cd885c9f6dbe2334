package kitchen

import (
	"fmt"

	"holdbell/sensor/kitchen/chip"
	"holdbell/sensor/resist"
)

// Amplifier is an AD8495 before an input of an ADS1115: its reference and its supply in volts.
type Amplifier struct{ Reference, Supply float64 }

// Thermistor is a thermistor in a divider before an input of an ADS1115.
type Thermistor struct {
	Curve      resist.Thermistor
	Divider    resist.Divider
	Excitation float64 // volts
	// MeasuredOn is the input that the excitation is wired to as well; 0 for none.
	MeasuredOn int
}

// shares reports whether several probes can hang on one chip of a kind.
func shares(kind string) bool { return kind == "ads1115" || kind == "ds18b20" }

// newI2C makes the chip on an I2C bus that a probe is wired to, or gives the one that is there already, with the
// probe on it. It gives nil for a chip that is none.
func (k *Kitchen) newI2C(p Probe, sense func() chip.Pins) (chip.Chip, error) {
	switch p.Chip {
	case "mcp9600", "mcp9601":
		if !p.Type.Valid() {
			return nil, fmt.Errorf("%v: give a thermocouple type", p.Type)
		}
		return chip.NewMCP9600(p.Chip == "mcp9601", sense), nil
	case "mcp9808":
		return chip.NewMCP9808(sense), nil
	case "ads1115":
		adc := chip.NewADS1115()
		if first := k.buses[p.Bus]; first != nil {
			adc = first.chip.(*chip.ADS1115) // addProbe has seen that the kinds are the same
		}
		return adc, wireADC(adc, p, sense)
	case "ds18b20":
		bridge := chip.NewDS2482()
		if first := k.buses[p.Bus]; first != nil {
			bridge = first.chip.(*chip.DS2482)
		}
		return bridge, bridge.Add(p.Serial, sense)
	}
	return nil, nil
}

func wireADC(adc *chip.ADS1115, p Probe, sense func() chip.Pins) error {
	switch {
	case p.Amplifier != nil && p.Thermistor == nil:
		a := *p.Amplifier
		return adc.Wire(p.Channel, func() float64 { return chip.Amplifier(a.Reference, a.Supply, sense()) })
	case p.Thermistor != nil && p.Amplifier == nil:
		t := *p.Thermistor
		if t.MeasuredOn != 0 && !adc.Wired(t.MeasuredOn) {
			if err := adc.Wire(t.MeasuredOn, func() float64 { return t.Excitation }); err != nil {
				return err
			}
		}
		return adc.Wire(p.Channel, func() float64 { return chip.DividerVolts(&t.Curve, t.Divider, t.Excitation, sense()) })
	}
	return fmt.Errorf("an ads1115 needs one of Amplifier and Thermistor")
}

package sysfs

import (
	"errors"
	"io/fs"
	"path"
	"strings"
	"syscall"

	"holdbell/sensor"
	"holdbell/sensor/its90"
)

// iio is a channel of an industrial I/O device: (raw + offset) * scale is in thousandths of a degree, *_input
// is so already (sysfs-bus-iio). An offset that is absent is 0; a scale is the channel's own or shared.
type iio struct {
	place
	o    Opts
	cold its90.ColdJunction
}

func (d *iio) read() (float64, error) {
	dir, name, err := d.find()
	if err != nil {
		return 0, err
	}
	file := d.channel
	if file == "" {
		if file, err = d.only(dir); err != nil {
			return 0, err
		}
	}
	switch {
	case d.flag(path.Join(dir, "fault_oc")):
		return 0, fail(sensor.Open, "the driver %s tells an open circuit (fault_oc)", name)
	case d.flag(path.Join(dir, "fault_ovuv")):
		return 0, fail(sensor.OverUnderVoltage, "the driver %s tells a voltage outside its supply (fault_ovuv)", name)
	}
	// One look at the cold junction before the temperature: a bus that lies about the one lies about both.
	cold, hasCold, err := d.coldJunction(dir, file)
	if err != nil {
		return 0, err
	}
	raw, err := d.number(path.Join(dir, file))
	if err != nil {
		return 0, d.named(name, err)
	}
	base, _ := strings.CutSuffix(file, "_raw")
	switch {
	case base == file: // *_input
		return raw / 1000, nil
	case name == "max31865":
		return d.platinum(raw)
	case name == "mcp9600" && raw > 0x7fff:
		raw -= 0x10000 // early versions of the driver do not extend the sign
	}
	celsius, err := d.scaled(dir, base, raw)
	if err != nil || !hasCold || name != "maxim_thermocouple" || d.o.Linearise == nil {
		return celsius, err
	}
	if celsius, err = d.o.Linearise(celsius, cold); err != nil {
		return 0, &failure{sensor.Range, err}
	}
	return celsius, nil
}

// scaled turns a raw value of the channel base into °C.
func (d *iio) scaled(dir, base string, raw float64) (float64, error) {
	scale, err := d.optional(path.Join(dir, base+"_scale"), 0)
	if err == nil && scale == 0 {
		scale, err = d.number(path.Join(dir, "in_temp_scale"))
	}
	if err != nil {
		return 0, err
	}
	offset, err := d.optional(path.Join(dir, base+"_offset"), 0)
	if err == nil && offset == 0 {
		offset, err = d.optional(path.Join(dir, "in_temp_offset"), 0)
	}
	if err != nil {
		return 0, err
	}
	return (raw + offset) * scale / 1000, nil
}

// only is the device's one temperature channel, beside that of its cold junction.
func (d *iio) only(dir string) (string, error) {
	entries, err := fs.ReadDir(d.tree, dir)
	if err != nil {
		return "", absent(dir, err)
	}
	var found []string
	for _, e := range entries {
		if isChannel(e.Name()) {
			found = append(found, e.Name())
		}
	}
	switch len(found) {
	case 0:
		return "", fail(sensor.BusFault, "/%s measures no temperature: it has no in_temp_raw or in_temp_input", dir)
	case 1:
		return found[0], nil
	}
	return "", fail(sensor.BusFault, "/%s has several channels (%s): give the path of one of these files", dir, strings.Join(found, ", "))
}

// isChannel reports whether a file is a temperature that somebody wants to know: a cold junction is not.
func isChannel(file string) bool {
	return strings.HasPrefix(file, "in_temp") && !strings.HasPrefix(file, "in_temp_ambient") &&
		(strings.HasSuffix(file, "_raw") || strings.HasSuffix(file, "_input"))
}

// coldJunction reads and checks the cold junction of a thermocouple chip, in °C, where its driver gives one.
func (d *iio) coldJunction(dir, file string) (celsius float64, has bool, err error) {
	ambient := path.Join(dir, "in_temp_ambient_raw")
	if _, err := fs.Stat(d.tree, ambient); err != nil || file != "in_temp_raw" {
		return 0, false, nil
	}
	raw, err := d.number(ambient)
	if err != nil {
		return 0, false, nil // the temperature itself will say what is wrong, in its own words
	}
	if raw > 0x7fff {
		raw -= 0x10000
	}
	if celsius, err = d.scaled(dir, "in_temp_ambient", raw); err != nil {
		return 0, false, err
	}
	if err := d.cold.Check(celsius); err != nil {
		return 0, false, &failure{sensor.CJImplausible, err}
	}
	return celsius, true, nil
}

// named adds what a driver's error numbers mean: its way to tell a fault of the probe.
func (d *iio) named(name string, err error) error {
	switch {
	case name == "maxim_thermocouple" && errors.Is(err, syscall.EINVAL):
		return fail(sensor.Open, "the driver %s tells a fault of the thermocouple, open or shorted (it does not say which): look at its wires: %w", name, err)
	case name == "max31856" && errors.Is(err, syscall.EIO):
		return fail(sensor.Open, "the driver %s tells a fault of the thermocouple or of its bus (it does not say which): look at its wires: %w", name, err)
	}
	return err
}

// platinum turns the 15-bit code of a MAX31865 into °C. Its driver gives a scale of 31.25 and no offset, which
// is about 256 °C too high and straight where platinum is not.
func (d *iio) platinum(code float64) (float64, error) {
	if d.o.RTD.R0() == 0 || d.o.Reference <= 0 {
		return 0, fail(sensor.BusFault, "the driver of a max31865 gives ohms, not degrees: write rtd: and reference: for this probe")
	}
	if code <= 0 || code >= 0x7fff {
		return 0, fail(sensor.Open, "code %g at the end of the range: the thermometer is open or shorted", code)
	}
	c, err := d.o.RTD.Celsius(code / 0x8000 * d.o.Reference)
	if err != nil {
		return 0, &failure{sensor.Range, err}
	}
	return c, nil
}

package sysfs

import (
	"encoding/hex"
	"errors"
	"io/fs"
	"path"
	"regexp"
	"strconv"
	"strings"
	"time"

	"holdbell/sensor"
)

// conversion is the longest that a 12-bit conversion takes (DS18B20 data sheet): the kernel blocks for so long.
const conversion = 750 * time.Millisecond

// familyForm is the folder of a 1-wire thermometer: its family (DS18S20, DS1822, DS18B20, DS1825 or MAX31850,
// DS28EA00; w1_therm.rst) and serial number.
var familyForm = regexp.MustCompile(`^(10|22|28|3b|3B|42)-[0-9a-fA-F]{12}$`)

// oneWire is a thermometer of the w1_therm driver.
type oneWire struct{ place }

// read takes w1_slave, which carries the check sum, and does without it only when it is not there.
func (d *oneWire) read() (float64, error) {
	s, err := d.text(path.Join(d.dir, "w1_slave"))
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return d.bare()
	case err != nil:
		return 0, kernelError(path.Join(d.dir, "w1_slave"), err)
	case strings.TrimSpace(s) == "":
		return 0, fail(sensor.Stale, "/%s/w1_slave is empty: the conversion failed", d.dir)
	}
	return decodeSlave(s)
}

// bare reads temperature, which older kernels do not have and which hides the check sum.
func (d *oneWire) bare() (float64, error) {
	milli, err := d.number(path.Join(d.dir, "temperature"))
	switch {
	case err != nil:
		return 0, err
	case milli == powerOn:
		return 0, fail(sensor.Stale, "85.000 °C is what the chip says before its first conversion: look at its supply")
	}
	return milli / 1000, nil
}

// powerOn is a DS18B20's reading, in thousandths, before its first conversion (data sheet, "power-on reset").
const powerOn = 85000

// decodeSlave takes the two lines of w1_slave:
//
//	72 01 4b 46 7f ff 0e 10 57 : crc=57 YES
//	72 01 4b 46 7f ff 0e 10 57 t=23125
//
// Without YES the second line's t= is computed from the bad bytes, so it is not looked at.
func decodeSlave(s string) (float64, error) {
	first, second, ok := strings.Cut(s, "\n")
	bytes, verdict, crc := strings.Cut(first, ": crc=")
	_, t, has := strings.Cut(second, "t=")
	if !ok || !crc || !has {
		return 0, fail(sensor.BusFault, "w1_slave holds %q, not two lines with crc= and t=", s)
	}
	if !strings.HasSuffix(strings.TrimSpace(verdict), "YES") {
		return 0, fail(sensor.BusFault, "the check sum is wrong (%s): look at the cable and its pull-up resistor", strings.TrimSpace(first))
	}
	milli, err := strconv.Atoi(strings.TrimSpace(t))
	if err != nil {
		return 0, fail(sensor.BusFault, "w1_slave says t=%s, no number", t)
	}
	pad, err := hex.DecodeString(strings.ReplaceAll(strings.TrimSpace(bytes), " ", ""))
	if err != nil || len(pad) != 9 {
		return 0, fail(sensor.BusFault, "w1_slave holds %q, not nine bytes", strings.TrimSpace(bytes))
	}
	// All zeros have a valid check sum: a shorted line reads so.
	zero := true
	for _, b := range pad {
		zero = zero && b == 0
	}
	if zero {
		return 0, fail(sensor.ShortGND, "nine bytes of zero: the 1-wire line is shorted to ground")
	}
	// At power-on a DS18B20 says 85 °C and leaves 0C in its byte 6; after a conversion of a true 85 °C it
	// is 10 (common practice: the data sheet calls the byte reserved).
	if milli == powerOn && pad[6] == 0x0c {
		return 0, fail(sensor.Stale, "85.000 °C is what the chip says before its first conversion: it lost its supply, look at it")
	}
	return float64(milli) / 1000, nil
}

package chip

import (
	"errors"
	"fmt"

	"holdbell/sensor"
)

// onI2C are the parts of Chip that a chip on an I2C bus has no use for.
type onI2C struct{}

// Accepts implements Chip: the chip has no chip select.
func (onI2C) Accepts(sensor.SPIConfig) error { return errors.New("the chip sits on an I2C bus") }

// calls checks what no chip here takes: a transaction of nothing.
func calls(name string, w, r []byte) error {
	if len(w) == 0 && len(r) == 0 {
		return fmt.Errorf("%s: an empty transaction", name)
	}
	return nil
}

// sixteenths rounds a temperature to sixteenths of a degree within a range in °C.
func sixteenths(celsius, low, high float64) int16 {
	return int16(quantise(min(max(celsius, low), high), 1.0/16, 16))
}

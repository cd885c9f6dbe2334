package chip

import "fmt"

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

// word gives the bytes of a register of two, the upper one first, and again from the start.
func word(v uint16, r []byte) {
	for i := range r {
		r[i] = byte(v >> (8 * (1 - i&1)))
	}
}

// fill gives the byte of a register of one, again and again.
func fill(v byte, r []byte) {
	for i := range r {
		r[i] = v
	}
}

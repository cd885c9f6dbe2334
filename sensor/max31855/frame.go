package max31855

import "holdbell/sensor"

// Frame is one 32-bit word of the chip, taken apart.
type Frame struct {
	Hot      int16 // quarters of a degree Celsius, straight-line; means nothing while a fault bit is set
	Cold     int16 // sixteenths of a degree Celsius, of the chip itself
	Open     bool  // no thermocouple between the inputs
	ShortGND bool
	ShortVCC bool
}

// Bits of the word (datasheet 19-5793, tables 2 and 3, p. 9 and 10).
const (
	bitReserved17 = 1 << 17
	bitFault      = 1 << 16
	bitReserved3  = 1 << 3
	bitShortVCC   = 1 << 2
	bitShortGND   = 1 << 1
	bitOpen       = 1 << 0
)

// Decode takes the chip's word apart. The fault is BusFault for a word that the chip cannot have sent (all
// zeros, which would read as 0 °C on a chip at 0 °C and is what a dead data line gives; a reserved bit
// set, as in all ones; a fault flag that does not agree with the fault bits), and the frame is then
// empty. With a fault bit set it is Open, ShortVCC or ShortGND, the first that applies; the cold junction
// stays valid.
func Decode(word [4]byte) (Frame, sensor.Fault) {
	w := uint32(word[0])<<24 | uint32(word[1])<<16 | uint32(word[2])<<8 | uint32(word[3])
	flagged := w&bitFault != 0
	if w == 0 || w&(bitReserved17|bitReserved3) != 0 || flagged != (w&(bitShortVCC|bitShortGND|bitOpen) != 0) {
		return Frame{}, sensor.BusFault
	}
	f := Frame{
		Hot:      int16(int32(w) >> 18),     // D31 to D18, signed
		Cold:     int16(int32(w<<16) >> 20), // D15 to D4, signed
		Open:     w&bitOpen != 0,
		ShortGND: w&bitShortGND != 0,
		ShortVCC: w&bitShortVCC != 0,
	}
	return f, f.fault(0)
}

// fault gives the first fault bit that ignore does not name.
func (f Frame) fault(ignore faultSet) sensor.Fault {
	switch {
	case f.Open:
		return sensor.Open
	case f.ShortVCC && !ignore.has(sensor.ShortVCC):
		return sensor.ShortVCC
	case f.ShortGND && !ignore.has(sensor.ShortGND):
		return sensor.ShortGND
	}
	return sensor.None
}

// HotCelsius is the tip's temperature in °C as the chip's straight line has it.
func (f Frame) HotCelsius() float64 { return float64(f.Hot) / 4 }

// ColdCelsius is the chip's own temperature in °C.
func (f Frame) ColdCelsius() float64 { return float64(f.Cold) / 16 }

// faultSet holds a bit for each fault.
type faultSet uint16

func (s faultSet) has(f sensor.Fault) bool { return s&(1<<f) != 0 }

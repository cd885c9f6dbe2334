package sensor

import "fmt"

// Fault is why a reading carries no temperature. The words are stable: recordings, metrics and messages
// use them.
type Fault uint8

// The faults. Spike is the conditioning stage's own: a recording never holds it.
const (
	None             Fault = iota // a valid reading
	Open                          // thermocouple or lead open
	ShortGND                      // shorted to ground
	ShortVCC                      // shorted to the supply
	OverUnderVoltage              // input outside the chip's supply
	Range                         // outside what the probe or its curve can give
	BusFault                      // the bus failed, or answered with a word that cannot be true
	CJImplausible                 // cold junction outside its range or jumping
	Stale                         // no new conversion, or no answer in time
	Spike                         // rejected by conditioning: a jump that no food or air makes
	NumFaults                     // how many there are, None counted
)

var faultWords = [NumFaults]string{"", "open", "short_gnd", "short_vcc", "over_under_voltage", "range",
	"bus_fault", "cj_implausible", "stale", "spike"}

// String gives the stable word, empty for None.
func (f Fault) String() string {
	if f >= NumFaults {
		return fmt.Sprintf("fault(%d)", uint8(f))
	}
	return faultWords[f]
}

// ParseFault is the inverse of String for the faults that a recording may hold; "" and "spike" are no
// such words.
func ParseFault(s string) (Fault, bool) {
	for f := Open; f < Spike; f++ {
		if faultWords[f] == s {
			return f, true
		}
	}
	return None, false
}

// MarshalText gives the stable word.
func (f Fault) MarshalText() ([]byte, error) { return []byte(f.String()), nil }

// UnmarshalText takes any fault's word, Spike and the empty one too.
func (f *Fault) UnmarshalText(b []byte) error {
	for i, w := range faultWords {
		if w == string(b) {
			*f = Fault(i)
			return nil
		}
	}
	return fmt.Errorf("no fault is called %q", b)
}

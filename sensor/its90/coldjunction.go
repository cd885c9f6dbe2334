package its90

import "fmt"

// What a front-end chip inside a case can believably say of its own temperature, in °C. The range is that
// of industrial parts; the jump is far above what a board does between two readings seconds apart, and far
// below what a floating data line gives (both common practice).
const (
	coldLowest  = -40
	coldHighest = 125
	coldJump    = 5
	coldAgree   = 1
	coldRepeats = 3
)

// ColdJunction judges a chip's successive cold-junction temperatures. A jump of more than 5 °C is not
// believed until three readings in a row agree on the new level within 1 °C each: so a bus that flips
// between right and wrong words never moves it, and a board that has truly changed, unseen, is believed
// again. The zero value is ready and believes the first reading that is within range.
type ColdJunction struct {
	believed  float64
	any       bool
	candidate float64
	repeats   int
}

// Check takes the next cold-junction temperature in °C and says what is implausible about it, or nil.
func (c *ColdJunction) Check(celsius float64) error {
	if !(celsius >= coldLowest && celsius <= coldHighest) {
		c.repeats = 0
		return fmt.Errorf("cold junction at %.2f °C, outside %d to %d °C: look at the data line and the chip's supply",
			celsius, coldLowest, coldHighest)
	}
	if !c.any || within(celsius, c.believed, coldJump) {
		c.believed, c.any, c.repeats = celsius, true, 0
		return nil
	}
	if !within(celsius, c.candidate, coldAgree) {
		c.repeats = 0
	}
	c.candidate = celsius
	c.repeats++
	if c.repeats >= coldRepeats {
		c.believed, c.repeats = celsius, 0
		return nil
	}
	return fmt.Errorf("cold junction jumped from %.2f to %.2f °C: look at the data line and the chip's supply",
		c.believed, celsius)
}

func within(a, b, d float64) bool { return a-b <= d && b-a <= d }

package condition

import "holdbell/sensor"

// Kind is where a probe sits: it says how fast what it reads can truly change.
type Kind uint8

// The kinds.
const (
	OpenAir    Kind = iota // nobody said: anything that a thermocouple does in air
	PitAir                 // over a fire or in an oven
	CabinetAir             // of a warmer, a chiller or a walk-in
	FoodCore               // in food
)

// MaxSlew is the fastest true change of the kind, in thousandths of a degree Celsius a second. The first two leave
// every true swing of the recorded fires in testdata alone (see Default). For the others there is no recording: a
// sheathed probe follows air or food with a time constant of 3 s or more (common practice), so that a door opened on
// 45 °C of difference moves it by up to 15 °C a second for a second, and food itself moves by hundredths. A tip that
// is pulled out of a roast or put into ice water beats both limits; it is then doubted until it slows down, for ten
// seconds or so, which every clock bridges. The lower limit is worth that: one spike of 15 °C in a core would
// otherwise say that the food was under the hot limit.
func (k Kind) MaxSlew() sensor.Temp {
	switch k {
	case CabinetAir:
		return 10_000
	case FoodCore:
		return 5_000
	}
	return Default().MaxSlew
}

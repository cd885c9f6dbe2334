package configs

import (
	"fmt"
	"slices"
	"strings"
)

// chip is what a front-end chip has to be told and can be told.
type chip struct {
	name  string
	types string   // thermocouple letters; empty for a chip that reads none
	needs []string // keys without which it cannot run
	takes []string // keys that it may have besides
	// low and high are the addresses that it can have on an I2C bus; zero on SPI.
	low, high uint16
}

func (c chip) onI2C() bool { return c.high != 0 }

func (c chip) addresses() string { return fmt.Sprintf("0x%02x to 0x%02x", c.low, c.high) }

// chips are the front-ends that this version reads.
var chips = [...]chip{
	// MAX31855 datasheet, ordering information: one part a type, none for B. It tells shorts apart.
	{name: "max31855", types: "KJNSTER", needs: []string{"bus", "type"}, takes: []string{"ignore_faults", "class"}},
	// MAX31856 datasheet, CR0 register: OCFAULT; CR1: TC TYPE and AVGSEL; CJTO; SR: OPEN and OVUV, no shorts.
	{name: "max31856", types: "BEJKNRST", needs: []string{"bus", "type", "mains_hz"},
		takes: []string{"averaging", "open_detect", "cold_junction_offset", "class"}},
	// MAX31865 datasheet, configuration register: 3-wire and 50/60 Hz.
	{name: "max31865", needs: []string{"bus", "rtd", "wires", "reference", "mains_hz"}, takes: []string{"class"}},
	// MAX6675 datasheet: type K and nothing to set.
	{name: "max6675", types: "K", needs: []string{"bus"}, takes: []string{"type", "class"}},
	// MCP9600 data sheet DS20005426G: register 5-6; addresses by the ADDR pin.
	{name: "mcp9600", types: "BEJKNRST", needs: []string{"bus", "address", "type"}, takes: []string{"filter", "class"}, low: 0x60, high: 0x67},
	{name: "mcp9601", types: "BEJKNRST", needs: []string{"bus", "address", "type"}, takes: []string{"filter", "class"}, low: 0x60, high: 0x67},
	// ADS1115 data sheet SBAS444D: addresses by the ADDR pin.
	{name: "ads1115", needs: []string{"bus", "address", "channel", "supply"},
		takes: []string{"rate", "frontend", "reference_voltage", "amplifier_supply", "thermistor"}, low: 0x48, high: 0x4b},
	// MCP9808 data sheet DS25095A: addresses by A0 to A2.
	{name: "mcp9808", needs: []string{"bus", "address"}, low: 0x18, high: 0x1f},
	// DS18B20 behind a DS2482-100 (19-4930) or DS2483: the address is the bridge's.
	{name: "ds18b20", needs: []string{"bus", "address", "serial"}, low: 0x18, high: 0x1b},
}

// chipKeys are the keys that belong to a chip, in the order in which they are looked at.
var chipKeys = [...]string{"bus", "type", "rtd", "wires", "reference", "mains_hz", "averaging", "open_detect",
	"cold_junction_offset", "ignore_faults", "class", "address", "filter", "channel", "supply", "rate", "frontend", "reference_voltage",
	"amplifier_supply", "thermistor", "serial"}

func chipNamed(name string) (chip, bool) {
	i := slices.IndexFunc(chips[:], func(c chip) bool { return c.name == name })
	if i < 0 {
		return chip{}, false
	}
	return chips[i], true
}

// Chips lists the chips that a configuration can name.
func Chips() []string {
	names := make([]string, len(chips))
	for i, c := range chips {
		names[i] = c.name
	}
	return names
}

func chipNames() string { return strings.Join(Chips(), ", ") }

// kind says what the chip reads.
func (c chip) kind() string {
	if c.types == "" {
		return "a platinum thermometer"
	}
	return "a thermocouple"
}

// lacks says that a probe's chip has not been told a key, and the fix.
func (c chip) lacks(key string) (wrong, fix string) {
	wrong = fmt.Sprintf(" has a chip but no %s", key)
	switch key {
	case "bus":
		fix = "add bus: SPI0.0 for chip select 0 of SPI bus 0"
		if c.onI2C() {
			fix = "add bus: I2C1 for I2C bus 1"
		}
	case "address":
		fix = fmt.Sprintf("add address: with one of %s, as its address pins are wired", c.addresses())
	case "channel":
		fix = "add channel: 0, or 1, 2, 3, or a pair such as 0-1"
	case "supply":
		fix = "add supply: 3.3V or supply: 5V, whichever the chip runs on"
	case "serial":
		fix = "add serial: with the sensor's number, such as 28-0000075b2a3c; several can hang on one line"
	case "type":
		fix = "add type: with the thermocouple's letter, such as K"
	case "mains_hz":
		wrong = fmt.Sprintf(": a %s filters the mains and has to know its frequency", c.name)
		fix = "add mains_hz: 60 or mains_hz: 50, whichever the wall socket has"
	case "rtd":
		fix = "add rtd: pt100 or rtd: pt1000, as it says on the thermometer"
	case "wires":
		fix = "add wires: 2, wires: 3 or wires: 4, as the thermometer has and the board's jumpers are set"
	case "reference":
		fix = "add reference: with the ohms of the resistor on the board, commonly 400 or 430 for a pt100 and 4000 or 4300 for a pt1000"
	}
	return wrong, fix
}

// refuses says that a key means nothing to the chip, and the fix.
func (c chip) refuses(key string) (wrong, fix string) {
	switch {
	case key == "type" && c.name == "max31865":
		return fmt.Sprintf("a %s reads a platinum thermometer and no thermocouple", c.name), "remove type and write rtd: pt100 or rtd: pt1000"
	case key == "rtd" && c.types != "":
		return fmt.Sprintf("a %s reads a thermocouple and no platinum thermometer", c.name), "remove rtd, or write chip: max31865"
	case key == "ignore_faults" && c.name == "max31865":
		return "a short makes what a max31865 reads wrong, and none can be ignored", "remove it, and mend the lead"
	case key == "ignore_faults":
		return fmt.Sprintf("a %s reports no short that could be ignored", c.name), "remove it"
	}
	return fmt.Sprintf("a %s has no %s to set", c.name, key), "remove it"
}

func oneOfLetters(types string) string {
	if len(types) == 1 {
		return types
	}
	return "one of " + strings.Join(strings.Split(types, ""), ", ")
}

// RTD is a platinum thermometer by its trade name.
type RTD string

// The platinum thermometers.
const (
	Pt100  RTD = "pt100"
	Pt1000 RTD = "pt1000"
)

// Ohms is the resistance at 0 °C, zero for no thermometer.
func (r RTD) Ohms() float64 {
	switch r {
	case Pt100:
		return 100
	case Pt1000:
		return 1000
	}
	return 0
}

// OpenDetect is how a chip looks for an open thermocouple, by what the loop is like.
type OpenDetect string

// The kinds of loop (MAX31856 datasheet, table 4): resistance of the loop, and how slow the input filter makes
// it. Any common thermocouple is of the first kind.
const (
	OpenUnder5k OpenDetect = "under-5k"
	Open40kFast OpenDetect = "5k-to-40k-fast"
	Open40kSlow OpenDetect = "5k-to-40k-slow"
)

package max31865

import "holdbell/sensor"

// Registers (datasheet 19-6478 Rev 3, table 1). An address counts up by itself; with writeBit it is written.
const (
	regConfig = 0x00
	regRTD    = 0x01
	regHigh   = 0x03
	regLow    = 0x05
	regFault  = 0x07
	numRegs   = 8
	writeBit  = 0x80
)

// Bits of the configuration (table 2, p. 13 and 14). The wiring and the filter must not change while the chip
// converts by itself.
const (
	cfgBias       = 1 << 7 // current through the thermometer
	cfgAuto       = 1 << 6 // convert without end
	cfgOneShot    = 1 << 5
	cfgThreeWire  = 1 << 4
	cfgCycle      = 3 << 2 // 00 once a fault detection cycle has ended
	cfgCycleAuto  = 1 << 2 // starts one that times itself
	cfgFaultClear = 1 << 1 // clears itself
	cfgNotch50    = 1 << 0 // reject 50 Hz instead of 60 Hz
)

// Bits of the fault status (p. 15, tables 10 to 12). They stand until they are cleared. The three in the
// middle are looked at in a fault detection cycle only.
const (
	faultHigh    = 1 << 7 // resistance at or above the high threshold
	faultLow     = 1 << 6 // at or below the low one
	faultRefHigh = 1 << 5 // REFIN- above 0.85 of the bias
	faultRefLow  = 1 << 4 // REFIN- below it with FORCE- open
	faultRTDLow  = 1 << 3 // RTDIN- below it with FORCE- open
	faultVoltage = 1 << 2 // an input beyond the supply
	faultBits    = faultHigh | faultLow | faultRefHigh | faultRefLow | faultRTDLow | faultVoltage
)

// Decode takes the two registers of a measurement apart: fifteen bits of ratio, and whether the chip has seen a
// fault (table 5).
func Decode(r [2]byte) (code uint16, flagged bool) {
	w := uint16(r[0])<<8 | uint16(r[1])
	return w >> 1, w&1 != 0
}

// Ratio is the thermometer's resistance over the reference's, 0 to 1.
func Ratio(code uint16) float64 { return float64(code) / 32768 }

// faults lists what the status bits mean, in the order in which they are told. With an input beyond the supply
// nothing else that the chip holds can be trusted. An open thermometer leaves inputs afloat, which can look
// like a short to ground beside it; and a lead on ground can look like a thermometer without resistance. The
// data under a short to ground "appear to be valid" (tables 10 to 12), which is why each reading asks.
var faults = [...]struct {
	bits  uint8
	fault sensor.Fault
	words string
}{
	{faultVoltage, sensor.OverUnderVoltage,
		"an input lies outside the chip's supply: look for a lead that touches live metal"},
	{faultHigh | faultRefHigh, sensor.Open,
		"the thermometer or one of its leads is open: look for a broken lead or a loose terminal, and that the board's jumpers fit the number of wires"},
	{faultRefLow | faultRTDLow, sensor.ShortGND,
		"a lead touches ground: look at the terminals and the sheath"},
	{faultLow, sensor.Range,
		"next to no resistance: the leads touch each other, or the thermometer is broken inside"},
}

package max31856

import "holdbell/sensor"

// Registers (datasheet 19-7534 Rev 0, table 6). A read address counts up by itself.
const (
	regCR0   = 0x00
	regCR1   = 0x01
	regMASK  = 0x02
	regCJHF  = 0x03
	regCJTO  = 0x09
	regCJTH  = 0x0a
	numRegs  = 16
	numSetUp = regCJTO + 1 // the registers that hold the set-up
	writeBit = 0x80
)

// Bits of CR0.
const (
	cr0Auto    = 1 << 7 // convert continuously
	cr0OneShot = 1 << 6
	cr0Notch50 = 1 << 0 // reject 50 Hz instead of 60 Hz
)

// Bits of SR, the fault status.
const (
	srColdRange = 1 << 7
	srHotRange  = 1 << 6
	srColdHigh  = 1 << 5
	srColdLow   = 1 << 4
	srHotHigh   = 1 << 3
	srHotLow    = 1 << 2
	srVoltage   = 1 << 1
	srOpen      = 1 << 0
)

// Sample is what the chip measured, as its registers 0Ah to 0Fh hold it.
type Sample struct {
	Cold   int16 // 1/64 °C, of the chip itself, offset register included
	Hot    int32 // 1/128 °C, linearised by the chip
	Status uint8 // the fault status register
}

// Decode takes the registers 0Ah to 0Fh apart (datasheet tables 2 and 3).
func Decode(r [6]byte) Sample {
	cold := int16(uint16(r[0])<<8 | uint16(r[1]))
	hot := int32(uint32(r[2])<<24 | uint32(r[3])<<16 | uint32(r[4])<<8)
	return Sample{Cold: cold >> 2, Hot: hot >> 13, Status: r[5]}
}

// ColdCelsius is the chip's own temperature in °C.
func (s Sample) ColdCelsius() float64 { return float64(s.Cold) / 64 }

// HotCelsius is the tip's temperature in °C.
func (s Sample) HotCelsius() float64 { return float64(s.Hot) / 128 }

// statusFaults lists what each status bit means, the gravest first. With the input's voltage outside the
// supply the chip stops converting, so nothing else it holds can be trusted. A tip outside its
// type's range is clamped to the limit (table 1), so that the number looks valid and is not. The four
// threshold bits cannot be set while the thresholds are ours.
var statusFaults = [...]struct {
	bit   uint8
	fault sensor.Fault
	words string
}{
	{srVoltage, sensor.OverUnderVoltage,
		"an input lies outside the chip's supply: look for a lead that touches live metal or a grounded sheath"},
	{srOpen, sensor.Open,
		"no thermocouple between T+ and T-: look for a broken lead or a loose terminal"},
	{srColdRange, sensor.CJImplausible,
		"the chip's own temperature is outside its range: look at the supply and where the board sits"},
	{srHotRange, sensor.Range,
		"outside the range of the thermocouple type: is the type right, are the leads the right way round?"},
	{srColdHigh | srColdLow, sensor.CJImplausible,
		"the chip's own temperature passed a threshold that was never set: look at the data line"},
	{srHotHigh | srHotLow, sensor.Range,
		"the tip passed a threshold that was never set: look at the data line"},
}

package mcp9600

import "holdbell/sensor/its90"

// Registers (data sheet DS20005426G, table 5-1).
const (
	regHot    = 0x00 // 2 bytes
	regCold   = 0x02 // 2 bytes
	regStatus = 0x04
	regSensor = 0x05
	regDevice = 0x06
	regID     = 0x20 // 2 bytes: identity, revision
)

// Identities (registers 5-12 and 5-13). The L and RL versions share them.
const (
	id9600 = 0x40
	id9601 = 0x41
)

// Bits of the status register (register 5-5).
const (
	statusUpdated = 1 << 6 // a new hot-junction temperature since the bit was last cleared
	statusShort   = 1 << 5 // MCP9601 family only
	statusInput   = 1 << 4 // input out of range; MCP9601 family: or no thermocouple
)

// Bits of the sensor and device configuration (registers 5-6 and 5-7).
const (
	sensorSpare  = 1<<7 | 1<<3 // unimplemented, read as 0
	sensorFilter = 7
	deviceCoarse = 1 << 7 // cold junction in steps of 0.25 °C instead of 0.0625 °C
)

// typeCode is the sensor configuration's number for a thermocouple type (register 5-6).
func typeCode(t its90.Type) (byte, bool) {
	for code, is := range [...]its90.Type{its90.K, its90.J, its90.T, its90.N, its90.S, its90.E, its90.B, its90.R} {
		if is == t {
			return byte(code), true
		}
	}
	return 0, false
}

// Sixteenths is what a temperature register holds, hot or cold, in sixteenths of a degree Celsius (equation 5-1:
// two's complement).
func Sixteenths(r [2]byte) int16 { return int16(uint16(r[0])<<8 | uint16(r[1])) }

// Celsius is Sixteenths in °C.
func Celsius(r [2]byte) float64 { return float64(Sixteenths(r)) / 16 }

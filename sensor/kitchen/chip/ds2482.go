package chip

import (
	"fmt"
	"slices"
	"time"
)

// DS2482 is the 1-Wire bridge of datasheet 19-4930 (DS2482-100) with DS18B20 thermometers (19-7487) on its line.
// What happens on the line takes no time here; conversions do.
type DS2482 struct {
	pointer byte
	status  byte
	config  byte
	data    byte
	sensors []*thermometer
}

// Status bits (19-4930, status register), pointers and commands.
const (
	presence    = 1 << 1
	shorted     = 1 << 2
	lineHigh    = 1 << 3
	afterReset  = 1 << 4
	atStatus    = 0xf0
	atData      = 0xe1
	atConfig    = 0xc3
	resetBridge = 0xf0
	setPointer  = 0xe1
	writeConfig = 0xd2
	resetLine   = 0xb4
	writeByte   = 0xa5
	readByte    = 0x96
)

// NewDS2482 makes a bridge that has just been powered, without sensors.
func NewDS2482() *DS2482 {
	c := &DS2482{}
	c.reset()
	return c
}

func (c *DS2482) reset() { c.pointer, c.status, c.config, c.data = atStatus, afterReset|lineHigh, 0, 0 }

// Add hangs a thermometer on the line: its number of 48 bits, and what it measures.
func (c *DS2482) Add(serial uint64, sense func() Pins) error {
	t := &thermometer{sense: sense, eeprom: [3]byte{75, 70, 0x7f}}
	t.rom[0] = 0x28
	for i := 1; i < 7; i++ {
		t.rom[i] = byte(serial >> (8 * (i - 1)))
	}
	t.rom[7] = crc8(t.rom[:7])
	if serial == 0 || serial >= 1<<48 || slices.ContainsFunc(c.sensors, func(o *thermometer) bool { return o.rom == t.rom }) {
		return fmt.Errorf("serial %012x: give each sensor a number of its own, of 48 bits", serial)
	}
	t.power()
	c.sensors = append(c.sensors, t)
	return nil
}

// PowerCycle implements Chip: the bridge and its sensors lose their supply.
func (c *DS2482) PowerCycle(time.Duration) {
	c.reset()
	for _, t := range c.sensors {
		t.power()
	}
}

// Tx implements Chip.
func (c *DS2482) Tx(now time.Duration, w, r []byte) error {
	if err := calls("DS2482", w, r); err != nil {
		return err
	}
	if len(w) > 0 {
		if err := c.command(now, w); err != nil {
			return err
		}
	}
	for i := range r {
		switch c.pointer {
		case atStatus:
			r[i] = c.status
		case atData:
			r[i] = c.data
		default:
			r[i] = c.config
		}
	}
	return nil
}

func (c *DS2482) command(now time.Duration, w []byte) error {
	is := func(command byte, length int) bool { return w[0] == command && len(w) == length }
	switch {
	case is(resetBridge, 1):
		c.reset()
	case is(setPointer, 2) && (w[1] == atStatus || w[1] == atData || w[1] == atConfig):
		c.pointer = w[1]
	case is(writeConfig, 2) && w[1]>>4 == ^w[1]&0x0f:
		c.config, c.pointer = w[1]&0x0f, atConfig
		c.status &^= afterReset
	case is(resetLine, 1):
		c.pointer = atStatus
		c.status = c.status&afterReset | lineHigh
		for _, t := range c.sensors {
			switch wiring := t.reset(); {
			case wiring == ToGround:
				c.status = c.status&afterReset | shorted
			case wiring == Intact && c.status&shorted == 0:
				c.status |= presence
			}
		}
	case is(writeByte, 2):
		c.pointer = atStatus
		for _, t := range c.sensors {
			t.write(now, w[1])
		}
	case is(readByte, 1):
		c.pointer = atStatus
		c.data = 0xff
		for _, t := range c.sensors {
			c.data &= t.read()
		}
		if c.status&shorted != 0 {
			c.data = 0
		}
	default:
		return fmt.Errorf("DS2482: % x is not acknowledged", w)
	}
	return nil
}

// thermometer is a DS18B20.
type thermometer struct {
	sense  func() Pins
	rom    [8]byte
	eeprom [3]byte // TH, TL, configuration
	pad    [9]byte
	in     []byte // since the line's last reset
	out    []byte // what it answers next
	away   bool   // not spoken to until the next reset
	due    time.Duration
	busy   bool
}

// power brings the registers to what they are at power-up (19-7487, figure 7): 85 °C.
func (t *thermometer) power() {
	t.pad = [9]byte{0x50, 0x05, t.eeprom[0], t.eeprom[1], t.eeprom[2], 0xff, 0x0c, 0x10}
	t.pad[8] = crc8(t.pad[:8])
	t.in, t.out, t.away, t.busy = nil, nil, true, false
}

// reset is a reset pulse; it gives how the sensor's leads are.
func (t *thermometer) reset() Wiring {
	w := t.sense().Wiring
	t.in, t.out, t.away = t.in[:0], nil, w != Intact
	return w
}

// write takes a byte: a call by number or to all, then a command (figures 11 and 12).
func (t *thermometer) write(now time.Duration, b byte) {
	if t.away {
		return
	}
	t.in = append(t.in, b)
	var command []byte
	switch {
	case t.in[0] == 0xcc:
		command = t.in[1:]
	case t.in[0] == 0x55 && len(t.in) <= 9:
		if n := len(t.in) - 1; n > 0 && t.in[n] != t.rom[n-1] {
			t.away = true
		}
		return
	case t.in[0] == 0x55:
		command = t.in[9:]
	default:
		t.away = true
		return
	}
	t.run(now)
	switch {
	case len(command) == 1 && command[0] == 0x44:
		// 750 ms at 12 bits, half of that for each bit less (table 2).
		t.due, t.busy = now+750*time.Millisecond>>(3-t.pad[4]>>5&3), true
	case len(command) == 1 && command[0] == 0xbe:
		t.out = t.pad[:]
	case len(command) == 1 && command[0] == 0xb8:
		copy(t.pad[2:5], t.eeprom[:])
	case len(command) == 1 && command[0] == 0x48:
		copy(t.eeprom[:], t.pad[2:5])
	case len(command) == 4 && command[0] == 0x4e:
		copy(t.pad[2:5], command[1:])
		t.pad[4] = t.pad[4]&0x60 | 0x1f
	}
	t.pad[8] = crc8(t.pad[:8])
}

func (t *thermometer) read() byte {
	if t.away || len(t.out) == 0 {
		return 0xff
	}
	b := t.out[0]
	t.out = t.out[1:]
	return b
}

// run ends the conversion that was due by now.
func (t *thermometer) run(now time.Duration) {
	if !t.busy || now < t.due {
		return
	}
	t.busy = false
	v := uint16(sixteenths(t.sense().Tip, -55, 125)) &^ (1<<(3-t.pad[4]>>5&3) - 1)
	t.pad[0], t.pad[1] = byte(v), byte(v>>8)
	t.pad[6] = 0x10 - t.pad[0]&0x0f
}

// crc8 is the checksum of 1-Wire: x⁸+x⁵+x⁴+1, the lowest bit first (Maxim application note 27).
func crc8(b []byte) byte {
	crc := byte(0)
	for _, v := range b {
		crc ^= v
		for range 8 {
			low := crc & 1
			crc >>= 1
			if low != 0 {
				crc ^= 0x8c
			}
		}
	}
	return crc
}

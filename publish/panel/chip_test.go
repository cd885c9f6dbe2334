package panel

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"testing"

	"periph.io/x/conn/v3/gpio"
	"periph.io/x/conn/v3/i2c/i2ctest"
	"periph.io/x/devices/v3/ssd1306/image1bit"

	"image"

	"holdbell/sensor"
)

// wire is an I2C bus with one chip on it, and a recording of the library's kind of what went over it.
type wire struct {
	mu   sync.Mutex
	rec  i2ctest.Record
	addr uint16
	dead bool
	take func(w []byte) // the chip
	most int            // the longest transaction
}

func (w *wire) String() string { return fmt.Sprintf("I2C1 0x%02x", w.addr) }

func (w *wire) Tx(ctx context.Context, out, in []byte) error {
	w.mu.Lock()
	defer w.mu.Unlock()
	if ctx.Err() != nil {
		return ctx.Err()
	}
	if w.dead {
		return errors.New("remote I/O error")
	}
	w.most = max(w.most, len(out))
	w.take(out)
	return w.rec.Tx(w.addr, out, in)
}

// count gives how many bytes went over it since it was last asked.
func (w *wire) count() (n int) {
	w.mu.Lock()
	defer w.mu.Unlock()
	for _, io := range w.rec.Ops {
		n += len(io.W)
	}
	w.rec.Ops = nil
	return n
}

func (w *wire) kill(is bool) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.dead = is
}

// SPI and I2C make it the board's only bus.
func (w *wire) SPI(string, sensor.SPIConfig) (sensor.Transport, error) {
	return nil, errors.New("no SPI")
}

func (w *wire) I2C(name string, addr uint16) (sensor.Transport, error) {
	if name != "I2C1" || addr != w.addr {
		return nil, fmt.Errorf("%s 0x%02x: nothing there", name, addr)
	}
	return w, nil
}

// oledChip is what a SSD1306 makes of what it is sent: its memory, by the commands of datasheet table 9-1 that are
// used.
type oledChip struct {
	t          *testing.T
	ram        *image1bit.VerticalLSB
	page, col  int
	on         bool
	multiplex  byte
	sequential bool
}

func newOLEDChip(t *testing.T, height int) *oledChip {
	c := &oledChip{t: t, ram: image1bit.NewVerticalLSB(image.Rect(0, 0, oledWidth, height))}
	for i := range c.ram.Pix {
		c.ram.Pix[i] = 0xa5 // what a display shows at power-on is noise
	}
	return c
}

func (c *oledChip) take(w []byte) {
	switch {
	case len(w) < 2:
		c.t.Errorf("a transaction of % x", w)
	case w[0] == 0x40:
		for _, b := range w[1:] {
			c.ram.Pix[c.page*oledWidth+c.col] = b
			if c.col++; c.col == oledWidth {
				c.col, c.page = 0, (c.page+1)%(len(c.ram.Pix)/oledWidth)
			}
		}
	case w[0] == 0x00:
		for w = w[1:]; len(w) > 0; w = w[1:] {
			switch b := w[0]; {
			case b <= 0x0f:
				c.col = c.col&0xf0 | int(b)
			case b <= 0x1f:
				c.col = c.col&0x0f | int(b&0x0f)<<4
			case b >= 0xb0 && b <= 0xb7:
				c.page = int(b - 0xb0)
			case b == 0x21 || b == 0x22:
				w = w[2:]
			case b == 0xa8:
				c.multiplex, w = w[1], w[1:]
			case b == 0xda:
				c.sequential, w = w[1]&0x10 == 0, w[1:]
			case b == 0x20 || b == 0x81 || b == 0xd3 || b == 0xd5 || b == 0xd9 || b == 0xdb || b == 0x8d:
				w = w[1:]
			case b == 0xae || b == 0xaf:
				c.on = b == 0xaf
			}
		}
	default:
		c.t.Errorf("a control byte of %#02x", w[0])
	}
}

// lcdChip is what an HD44780 makes of the falls of its enable line (datasheet, instructions and figure 24).
type lcdChip struct {
	t        *testing.T
	four     bool
	half     int // -1: none
	twoLines bool
	on       bool
	address  int
	ram      [0x80]byte
	garbled  bool // what it takes for instructions is none of the driver's
}

func newLCDChip(t *testing.T) *lcdChip { return &lcdChip{t: t, half: -1} }

// fall takes the upper four bits.
func (c *lcdChip) fall(data bool, upper byte) {
	if !c.four {
		// With eight lines the lower four are not wired here, and held low as on most boards.
		if c.instruction(upper << 4); upper == 2 {
			c.four = true
		}
		return
	}
	if c.half < 0 {
		c.half = int(upper)
		return
	}
	b := byte(c.half)<<4 | upper
	if c.half = -1; !data {
		c.instruction(b)
		return
	}
	c.ram[c.address] = b
	switch c.address++; {
	case c.twoLines && c.address == 0x28:
		c.address = 0x40
	case c.twoLines && c.address == 0x68, c.address == len(c.ram):
		c.address = 0
	}
}

func (c *lcdChip) instruction(b byte) {
	switch {
	case b >= 0x80:
		c.address = int(b & 0x7f)
	case b >= 0x40:
		c.wrong("the character memory is written to")
	case b >= 0x20:
		c.four, c.twoLines = b&0x10 == 0, b&0x08 != 0
		if !c.four {
			c.half = -1
		}
	case b >= 0x10:
		c.wrong("the display is shifted")
	case b >= 0x08:
		c.on = b&0x04 != 0
	case b >= 0x04:
	case b >= 0x02:
		c.address = 0
	case b == 0x01:
		c.address = 0
		for i := range c.ram {
			c.ram[i] = ' '
		}
	}
}

func (c *lcdChip) wrong(what string) {
	if !c.garbled {
		c.t.Error(what)
	}
}

// text is what can be read on it, with the degree sign of its character ROM.
func (c *lcdChip) text(columns, rows int) (all []string) {
	if !c.on || !c.twoLines {
		return []string{fmt.Sprintf("dark: on %v, two lines %v", c.on, c.twoLines)}
	}
	for _, at := range []int{0, 0x40, columns, 0x40 + columns}[:rows] {
		var row []rune
		for _, b := range c.ram[at : at+columns] {
			if r := rune(b); b == 0xdf {
				row = append(row, '°')
			} else {
				row = append(row, r)
			}
		}
		all = append(all, string(row))
	}
	return all
}

// pack makes a PCF8574 with the usual wiring carry it.
func (c *lcdChip) pack() func(w []byte) {
	was := byte(0)
	return func(w []byte) {
		for _, b := range w {
			if was&0x04 != 0 && b&0x04 == 0 {
				c.fall(was&0x01 != 0, was>>4)
			}
			if b&0x02 != 0 {
				c.t.Error("the display is read from, against its own outputs")
			}
			if b&0x08 == 0 {
				c.t.Error("the light is off")
			}
			was = b
		}
	}
}

// pins makes lines of a board carry it.
func (c *lcdChip) pins(d *Display) func(string, gpio.Level) {
	level := map[string]gpio.Level{}
	return func(line string, l gpio.Level) {
		if line == d.E.String() && bool(level[line]) && !bool(l) {
			upper := byte(0)
			for i, data := range d.Data {
				if level[data.String()] {
					upper |= 1 << i
				}
			}
			c.fall(bool(level[d.RS.String()]), upper)
		}
		level[line] = l
	}
}

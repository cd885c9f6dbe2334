package panel

import (
	"context"
	"errors"
	"time"

	"periph.io/x/conn/v3/gpio"

	"holdbell/sensor"
)

// lcd is a character display with an HD44780, in its mode of four data lines. It is never read: nothing that can be
// read of it helps. The library's driver is not used, for it never tells the chip that it has two lines.
type lcd struct {
	way           lcdWay
	columns, rows int
	shown         [][]byte // by row
}

// lcdWay carries bytes to the chip.
type lcdWay interface {
	// send gives bytes of data (characters), or of instructions.
	send(ctx context.Context, data bool, bytes ...byte) error
	// half gives the upper half of one instruction alone, as the chip wants it while it is set up.
	half(ctx context.Context, upper byte) error
	close()
}

// Instructions and their times (HD44780U datasheet, table 6; the start in four lines figure 24).
const (
	lcdClear     = 0x01
	lcdEntry     = 0x06 // to the right, no shift
	lcdOff       = 0x08
	lcdOn        = 0x0c // no cursor
	lcdTwoLines  = 0x28 // four data lines, two lines of characters, 5 by 8 points
	lcdAddress   = 0x80
	lcdPowerUp   = 50 * time.Millisecond
	lcdFirst     = 5 * time.Millisecond
	lcdSecond    = 200 * time.Microsecond
	lcdClearTime = 2 * time.Millisecond
	lcdTime      = 50 * time.Microsecond // of any other; 37 µs at the slowest clock that is common
)

// openLCD sets the display up from whatever state it is in.
func openLCD(ctx context.Context, way lcdWay, columns, rows int) (*lcd, error) {
	wait(ctx, lcdPowerUp)
	for _, step := range [...]struct {
		upper byte
		wait  time.Duration
	}{{0x30, lcdFirst}, {0x30, lcdSecond}, {0x30, lcdSecond}, {0x20, lcdSecond}} {
		if err := way.half(ctx, step.upper); err != nil {
			return nil, err
		}
		wait(ctx, step.wait)
	}
	if err := way.send(ctx, false, lcdTwoLines, lcdOff, lcdClear); err != nil {
		return nil, err
	}
	wait(ctx, lcdClearTime)
	if err := way.send(ctx, false, lcdEntry, lcdOn); err != nil {
		return nil, err
	}
	return &lcd{way: way, columns: columns, rows: rows, shown: make([][]byte, rows)}, ctx.Err()
}

// show writes what has changed of each row, from the first character to the last that has.
func (d *lcd) show(ctx context.Context, v view, turn int, beat rune) error {
	for i, text := range v.rows(d.columns, d.rows, turn, beat) {
		next, was := lcdBytes(text), d.shown[i]
		from, to := 0, len(next)
		for was != nil && from < to && next[from] == was[from] {
			from++
		}
		for was != nil && to > from && next[to-1] == was[to-1] {
			to--
		}
		if from == to {
			continue
		}
		d.shown[i] = nil // until it is known
		if err := errors.Join(d.way.send(ctx, false, lcdAddress|byte(d.start(i)+from)), d.way.send(ctx, true, next[from:to]...)); err != nil {
			return err
		}
		d.shown[i] = next
	}
	return nil
}

// start is the address of a row's first character: the third row goes on where the first ends, the fourth where the
// second does (HD44780U datasheet, "Display Data RAM").
func (d *lcd) start(row int) int { return row%2*0x40 + row/2*d.columns }

func (d *lcd) close() { d.way.close() }

// lcdDegree is the degree sign in the character ROM A00 (HD44780U datasheet, table 4).
const lcdDegree = 0xdf

// lcdBytes gives the characters' codes of a text that plain has been over.
func lcdBytes(s string) []byte {
	var b []byte
	for _, r := range s {
		switch {
		case r == '°':
			b = append(b, lcdDegree)
		case r >= ' ' && r < '~':
			b = append(b, byte(r))
		default:
			b = append(b, '?')
		}
	}
	return b
}

// lcdPins is the way over six lines: register select, enable, and the upper four data lines, lowest first.
type lcdPins struct {
	rs, e pinOut
	data  []pinOut
	all   []pinOut
}

func openLCDPins(from lines, d *Display) (*lcdPins, error) {
	p := &lcdPins{}
	for _, l := range append([]Line{d.RS, d.E}, d.Data[:]...) {
		pin, err := from.output(l, gpio.Low)
		if err != nil {
			p.close()
			return nil, err
		}
		p.all = append(p.all, pin)
	}
	p.rs, p.e, p.data = p.all[0], p.all[1], p.all[2:]
	return p, nil
}

func (p *lcdPins) send(ctx context.Context, data bool, bytes ...byte) error {
	if err := p.rs.Out(gpio.Level(data)); err != nil {
		return err
	}
	for _, b := range bytes {
		if err := errors.Join(p.strobe(b), p.strobe(b<<4)); err != nil {
			return err
		}
		wait(ctx, lcdTime)
		if ctx.Err() != nil {
			return ctx.Err()
		}
	}
	return nil
}

func (p *lcdPins) half(_ context.Context, upper byte) error {
	return errors.Join(p.rs.Out(gpio.Low), p.strobe(upper))
}

// strobe puts the upper four bits on the lines, and has the chip take them: at the fall of enable, which has to have
// been high for 450 ns (datasheet, bus timing). A call to the kernel takes longer.
func (p *lcdPins) strobe(b byte) error {
	for i, pin := range p.data {
		if err := pin.Out(b>>(4+i)&1 == 1); err != nil {
			return err
		}
	}
	return errors.Join(p.e.Out(gpio.High), p.e.Out(gpio.Low))
}

func (p *lcdPins) close() {
	for _, pin := range p.all {
		_ = pin.Halt() // nothing is left to do about it
	}
}

// lcdBackpack is the way over a PCF8574, an expander of eight lines on I2C, wired as such boards commonly are: P0
// register select, P1 read, P2 enable, P3 the light, P4 to P7 the data lines (common practice).
type lcdBackpack struct {
	to sensor.Transport
}

const (
	packData   = 0x01
	packEnable = 0x04
	packLight  = 0x08
)

// send needs no pauses: at 100 kHz the next byte is on the lines after 90 µs, at 400 kHz after 22 µs, and a character
// is six of them.
func (p *lcdBackpack) send(ctx context.Context, data bool, bytes ...byte) error {
	var out []byte
	for _, b := range bytes {
		if len(out)+6 > chunk {
			if err := p.tx(ctx, out); err != nil {
				return err
			}
			out = out[:0]
		}
		out = packed(packed(out, data, b), data, b<<4)
	}
	return p.tx(ctx, out)
}

func (p *lcdBackpack) half(ctx context.Context, upper byte) error {
	return p.tx(ctx, packed(nil, false, upper))
}

// packed appends the upper four bits with enable low, high and low.
func packed(out []byte, data bool, b byte) []byte {
	b = b&0xf0 | packLight
	if data {
		b |= packData
	}
	return append(out, b, b|packEnable, b)
}

func (p *lcdBackpack) tx(ctx context.Context, w []byte) error {
	return (&sliced{ctx, p.to}).send(w, nil)
}

func (p *lcdBackpack) close() {}

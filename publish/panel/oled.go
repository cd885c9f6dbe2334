package panel

import (
	"context"
	"errors"
	"image"
	"time"

	"golang.org/x/image/font/inconsolata"
	"golang.org/x/image/math/fixed"
	"periph.io/x/conn/v3/physic"
	"periph.io/x/devices/v3/ssd1306"
	"periph.io/x/devices/v3/ssd1306/image1bit"

	"holdbell/sensor"
)

const (
	// chunk is the most that goes over an I2C bus at once, in bytes: at 100 kHz a thermometer on the same bus waits
	// for it less than 3 ms. A whole frame of 1 KiB would hold the bus for a tenth of a second.
	chunk = 24
	// breath is what is left to others between two of them.
	breath = 5 * time.Millisecond
	// txPatience is how long one of them may take.
	txPatience = time.Second
)

// sliced is an I2C bus for a library's driver, which knows neither deadlines nor neighbours.
type sliced struct {
	ctx context.Context // of the drawing under way
	to  sensor.Transport
}

// dataFollows is the control byte before pixels (SSD1306 datasheet, 8.1.5.2). The chip goes on where it was after
// each transaction, so that they can be cut anywhere.
const dataFollows = 0x40

// Tx implements i2c.Bus. There is one device on it, whatever address the driver believes in.
func (s *sliced) Tx(_ uint16, w, r []byte) error {
	if len(w) == 0 || w[0] != dataFollows {
		return s.send(w, r)
	}
	for rest := w[1:]; len(rest) > 0; {
		n := min(len(rest), chunk-1)
		if err := s.send(append([]byte{dataFollows}, rest[:n]...), nil); err != nil {
			return err
		}
		rest = rest[n:]
	}
	return nil
}

func (s *sliced) send(w, r []byte) error {
	ctx, cancel := context.WithTimeout(s.ctx, txPatience)
	defer cancel()
	if err := s.to.Tx(ctx, w, r); err != nil {
		return err
	}
	wait(s.ctx, breath)
	return s.ctx.Err()
}

func (s *sliced) String() string { return s.to.String() }

// SetSpeed implements i2c.Bus: the bus is not the display's to set.
func (s *sliced) SetSpeed(physic.Frequency) error { return errors.New("the bus has its own speed") }

// oled is an SSD1306 of 128 by 64 or 128 by 32 points.
type oled struct {
	bus *sliced
	dev *ssd1306.Dev
	was *image1bit.VerticalLSB // nil: nothing was drawn yet
}

// openOLED sets the display up. A low one has its rows wired in sequence (SSD1306 datasheet, 10.1.18).
func openOLED(ctx context.Context, to sensor.Transport, height int) (*oled, error) {
	bus := &sliced{ctx, to}
	dev, err := ssd1306.NewI2C(bus, &ssd1306.Opts{W: oledWidth, H: height, Sequential: height == 32})
	if err != nil {
		return nil, err
	}
	return &oled{bus: bus, dev: dev}, nil
}

const oledWidth = 128

// show draws what has changed, a page of eight rows at a time.
func (o *oled) show(ctx context.Context, v view, turn int, beat rune) error {
	o.bus.ctx = ctx
	all := o.dev.Bounds()
	next := draw(v, all.Dy(), turn, beat)
	step := 8
	if o.was == nil {
		step = all.Dy()
	}
	for y := 0; y < all.Dy(); y += step {
		page := image.Rect(0, y, oledWidth, y+step)
		if err := o.dev.Draw(page, next, page.Min); err != nil {
			return err
		}
	}
	o.was = next
	return nil
}

func (o *oled) close() {}

// The cells of the font: 16 columns, and rows of 16 points.
const (
	cellWidth, cellHeight = 8, 16
	oledColumns           = oledWidth / cellWidth
)

// draw makes the picture of v. A display of four rows gives two to the temperature.
func draw(v view, height, turn int, beat rune) *image1bit.VerticalLSB {
	img := image1bit.NewVerticalLSB(image.Rect(0, 0, oledWidth, height))
	rows := height / cellHeight
	if rows < 4 || v.temp == "" {
		for i, s := range v.rows(oledColumns, rows, turn, beat) {
			write(img, s, 0, i*cellHeight, 1)
		}
		return img
	}
	write(img, shorten(v.head, oledColumns), 0, 0, 1)
	if size := 2; width(v.temp)*size <= oledColumns {
		write(img, v.temp, 0, cellHeight, size)
	} else {
		write(img, v.temp, 0, cellHeight+cellHeight/2, 1)
	}
	write(img, pad(fit(oledColumns-1, v.turned(turn)), oledColumns-1)+string(beat), 0, 3*cellHeight, 1)
	return img
}

// write draws a text of one cell a character, or of size times size.
func write(img *image1bit.VerticalLSB, s string, x, y, size int) {
	face := inconsolata.Bold8x16
	for _, r := range s {
		dr, mask, at, _, ok := face.Glyph(fixed.P(0, face.Ascent), r)
		if ok {
			glyph(img, mask, at, dr, image.Pt(x, y), size)
		}
		x += cellWidth * size
	}
}

// glyph sets the points that are more than half covered.
func glyph(img *image1bit.VerticalLSB, mask image.Image, at image.Point, dr image.Rectangle, to image.Point, size int) {
	for dy := range dr.Dy() {
		for dx := range dr.Dx() {
			if _, _, _, a := mask.At(at.X+dx, at.Y+dy).RGBA(); a < 0x8000 {
				continue
			}
			for i := range size * size {
				img.SetBit(to.X+(dr.Min.X+dx)*size+i%size, to.Y+(dr.Min.Y+dy)*size+i/size, image1bit.On)
			}
		}
	}
}

package panel

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"time"

	"holdbell/rules"
	"holdbell/sensor"
)

// Kind is a kind of display.
type Kind string

// The kinds.
const (
	SSD1306 Kind = "ssd1306" // 128 by 64 or 128 by 32 points, on I2C
	HD44780 Kind = "hd44780" // characters, on GPIO lines or on I2C behind a PCF8574
)

// Display is how a display hangs on the board.
type Display struct {
	Kind          Kind
	Width, Height int    // in points, or in characters
	Bus           string // such as "I2C1"; empty: on lines
	Address       uint16
	RS, E         Line
	Data          [4]Line // D4 to D7
}

// screen is one that is open.
type screen interface {
	show(ctx context.Context, v view, turn int, beat rune) error
	close()
}

const (
	// drawEvery is how often a display is looked after. It changes no faster: the bus is the thermometers'.
	drawEvery = time.Second
	// drawPatience is how long one drawing may take. A whole frame on a bus of 10 kHz takes two seconds.
	drawPatience = 5 * time.Second
	// anewEvery is how often a display is set up as if it had just been plugged in. It cannot be asked whether it
	// was, or whether a spark by the igniter has garbled it.
	anewEvery = 5 * time.Minute
	// lastDraw is for the farewell.
	lastDraw = 2 * time.Second
)

// face looks after a display.
type face struct {
	health
	o     *Display
	buses sensor.Buses
	lines lines
	to    sensor.Transport // nil until it was asked for
	now   func() sensor.Instant
	stale time.Duration
	zone  *time.Location

	screen screen // nil while it is not open
	opened time.Time
	sweeps uint64
	beat   bool
	began  time.Time
}

func newFace(o *Options, from lines, log *slog.Logger) *face {
	return &face{health: health{what: "the display", log: log}, o: o.Display, buses: o.Buses, lines: from, now: o.Now, stale: o.stale(), zone: o.Zone}
}

// run shows what look gives until ctx ends, and then that nobody watches any more. kick asks it not to wait.
func (f *face) run(ctx context.Context, look func() (st *rules.State, test bool), kick <-chan struct{}) {
	tick := time.NewTicker(drawEvery)
	defer tick.Stop()
	f.began = time.Now()
	for ctx.Err() == nil {
		f.once(ctx, look)
		select {
		case <-tick.C:
		case <-kick:
		case <-ctx.Done():
		}
	}
	end, cancel := context.WithTimeout(context.WithoutCancel(ctx), lastDraw)
	defer cancel()
	if f.screen == nil && f.trouble() == "" { // the end came in the middle of a drawing
		if s, err := f.open(end); err == nil {
			f.screen = s
		}
	}
	if f.screen != nil {
		// What does not work now will not be tried again.
		_ = f.screen.show(end, stopped(f.now(), f.zone), 0, ' ')
		f.screen.close()
	}
}

func (f *face) once(ctx context.Context, look func() (*rules.State, bool)) {
	ctx, cancel := context.WithTimeout(ctx, drawPatience)
	defer cancel()
	if f.screen != nil && time.Since(f.opened) >= anewEvery {
		f.shut()
	}
	if f.screen == nil {
		if !f.due() {
			return
		}
		s, err := f.open(ctx)
		if err != nil {
			f.fail(ctx, err)
			return
		}
		f.screen, f.opened = s, time.Now()
	}
	st, test := look()
	v := compose(st, f.now(), f.stale)
	if test {
		v = view{head: "Test", line: []string{"Buzzer and lamp", "Test"}}
	}
	if st != nil && st.Sweeps != f.sweeps {
		f.sweeps, f.beat = st.Sweeps, !f.beat
	}
	mark := ' '
	if f.beat {
		mark = '*'
	}
	if err := f.screen.show(ctx, v, int(time.Since(f.began)/turnEvery), mark); err != nil {
		f.fail(ctx, err)
		return
	}
	f.note(nil)
}

// fail closes the display, to be opened anew.
func (f *face) fail(ctx context.Context, err error) {
	f.shut()
	if errors.Is(ctx.Err(), context.Canceled) {
		return // the end came first
	}
	f.note(err)
}

func (f *face) shut() {
	if f.screen != nil {
		f.screen.close()
		f.screen = nil
	}
}

func (f *face) open(ctx context.Context) (screen, error) {
	if f.o.Bus == "" {
		pins, err := openLCDPins(f.lines, f.o)
		if err != nil {
			return nil, err
		}
		d, err := openLCD(ctx, pins, f.o.Width, f.o.Height)
		if err != nil {
			pins.close()
		}
		return d, err
	}
	if f.to == nil {
		if f.buses == nil {
			return nil, fmt.Errorf("there is no bus %s here", f.o.Bus)
		}
		to, err := f.buses.I2C(f.o.Bus, f.o.Address)
		if err != nil {
			return nil, err
		}
		f.to = to
	}
	if f.o.Kind == SSD1306 {
		return openOLED(ctx, f.to, f.o.Height)
	}
	return openLCD(ctx, &lcdBackpack{f.to}, f.o.Width, f.o.Height)
}

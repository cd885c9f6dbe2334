package panel

import (
	"errors"
	"fmt"
	"io/fs"
	"sync"
	"time"

	"github.com/warthog618/go-gpiocdev"
	"periph.io/x/conn/v3/gpio"
)

// Line is one GPIO line: by its name, such as "GPIO17", or by its number on a chip.
type Line struct {
	Chip      string // such as "gpiochip0"; empty with a Name: whichever has it
	Name      string // empty: by Offset
	Offset    int
	ActiveLow bool // on when its voltage is low
}

// String names the line for people.
func (l Line) String() string {
	switch {
	case l.Name == "":
		return fmt.Sprintf("%s line %d", l.Chip, l.Offset)
	case l.Chip == "":
		return l.Name
	}
	return l.Chip + " " + l.Name
}

// level is the line's voltage for on or off.
func (l Line) level(on bool) gpio.Level { return gpio.Level(on != l.ActiveLow) }

// pinOut and pinIn are what is needed of an open line.
type pinOut interface {
	Out(gpio.Level) error
	Halt() error // lets the line go
}

type pinIn interface {
	Read() gpio.Level
	// WaitForEdge reports whether the level has changed within the time.
	WaitForEdge(time.Duration) bool
	Halt() error
}

// lines opens them.
type lines interface {
	output(l Line, at gpio.Level) (pinOut, error)
	// input pulls the line to the level that it has while the button is not pressed.
	input(l Line, pull gpio.Pull) (pinIn, error)
}

// kernelLines are the board's, through the GPIO character device (Linux Documentation/userspace-api/gpio/chardev.rst).
type kernelLines struct{}

const consumer = "holdbell"

// find gives a line's chip and number.
func (l Line) find() (chip string, offset int, err error) {
	switch {
	case l.Name == "":
		return l.Chip, l.Offset, nil
	case l.Chip == "":
		if chip, offset, err = gpiocdev.FindLine(l.Name); err != nil {
			if len(gpiocdev.Chips()) == 0 {
				return "", 0, fmt.Errorf("%s: this board shows no /dev/gpiochip* to this user; is it in group gpio?", l)
			}
			return "", 0, fmt.Errorf("%s: no line of this board is called so; gpioinfo lists them", l)
		}
		return chip, offset, nil
	}
	c, err := gpiocdev.NewChip(l.Chip)
	if err != nil {
		return "", 0, l.explain(err)
	}
	defer c.Close()
	if offset, err = c.FindLine(l.Name); err != nil {
		return "", 0, fmt.Errorf("%s: no line of that chip is called so; gpioinfo lists them", l)
	}
	return l.Chip, offset, nil
}

// explain puts an opening's error into words that name the fix.
func (l Line) explain(err error) error {
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return fmt.Errorf("%s: /dev/%s is missing: ls /dev/gpiochip* shows what there is", l, l.Chip)
	case errors.Is(err, fs.ErrPermission):
		return fmt.Errorf("%s: %w: this process may not open it: add SupplementaryGroups=gpio and DeviceAllow=char-gpiochip rw to the unit", l, err)
	}
	return fmt.Errorf("%s: %w; when it is busy, another program or an overlay of the kernel's has it: gpioinfo says which", l, err)
}

func (l Line) request(options ...gpiocdev.LineReqOption) (*gpiocdev.Line, error) {
	chip, offset, err := l.find()
	if err != nil {
		return nil, err
	}
	line, err := gpiocdev.RequestLine(chip, offset, append(options, gpiocdev.WithConsumer(consumer))...)
	if err != nil {
		return nil, l.explain(err)
	}
	return line, nil
}

func (kernelLines) output(l Line, at gpio.Level) (pinOut, error) {
	line, err := l.request(gpiocdev.AsOutput(number(at)))
	if err != nil {
		return nil, err
	}
	return &kernelLine{line: line}, nil
}

func (kernelLines) input(l Line, pull gpio.Pull) (pinIn, error) {
	edges := make(chan struct{}, 1)
	bias := gpiocdev.WithPullUp
	if pull == gpio.PullDown {
		bias = gpiocdev.WithPullDown
	}
	line, err := l.request(gpiocdev.AsInput, bias, gpiocdev.WithBothEdges, gpiocdev.WithEventHandler(func(gpiocdev.LineEvent) {
		select {
		case edges <- struct{}{}:
		default: // one is told already
		}
	}))
	if err != nil {
		return nil, err
	}
	return &kernelLine{line: line, edges: edges}, nil
}

// kernelLine is one that is open.
type kernelLine struct {
	line  *gpiocdev.Line
	edges chan struct{}
	mu    sync.Mutex
	last  gpio.Level
}

func (k *kernelLine) Out(l gpio.Level) error { return k.line.SetValue(number(l)) }

// Read gives the level before when the kernel does not tell the present one.
func (k *kernelLine) Read() gpio.Level {
	k.mu.Lock()
	defer k.mu.Unlock()
	if v, err := k.line.Value(); err == nil {
		k.last = v != 0
	}
	return k.last
}

func (k *kernelLine) WaitForEdge(most time.Duration) bool {
	t := time.NewTimer(most)
	defer t.Stop()
	select {
	case <-k.edges:
		return true
	case <-t.C:
		return false
	}
}

func (k *kernelLine) Halt() error { return k.line.Close() }

func number(l gpio.Level) int {
	if l {
		return 1
	}
	return 0
}

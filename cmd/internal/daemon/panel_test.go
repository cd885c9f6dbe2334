package daemon

import (
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"strings"
	"sync"
	"testing"

	"holdbell/rules"
	"holdbell/sensor"
)

// shelf is an I2C bus with a display on it, and hears what it is sent.
type shelf struct {
	mu     sync.Mutex
	bytes  int
	closed bool
}

func (s *shelf) SPI(string, sensor.SPIConfig) (sensor.Transport, error) {
	return nil, errors.New("no SPI here")
}

func (s *shelf) I2C(name string, addr uint16) (sensor.Transport, error) {
	if name != "I2C7" || addr != 0x3c {
		return nil, fmt.Errorf("%s 0x%02x is not here", name, addr)
	}
	return s, nil
}

func (s *shelf) String() string { return "I2C7 0x3c" }

func (s *shelf) Tx(_ context.Context, w, _ []byte) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.closed {
		return errors.New("the buses are closed")
	}
	s.bytes += len(w)
	return nil
}

func (s *shelf) sent() int {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.bytes
}

// TestPanelOfTheDaemon: the display hangs on the probes' buses, a line that is not there is a fact about the board and
// hinders nobody, and the farewell goes out before the buses are let go.
func TestPanelOfTheDaemon(t *testing.T) {
	const panel = "panel: { buzzer: { line: 5, chip: gpiochip999 }, display: { kind: ssd1306, bus: I2C7 } }\n"
	buses := &shelf{}
	source := newLine(noon(), 2, true).play(400, 150)
	atClose := 0
	r := beginFeed(t, parsed(t, onPort("127.0.0.1:0")+panel), filepath.Join(t.TempDir(), "l.db"), func(sensor.Instant) *Feed {
		return &Feed{Source: source, Now: source.now, Script: source.script, Buses: buses, Close: func() error {
			buses.mu.Lock()
			defer buses.mu.Unlock()
			buses.closed, atClose = true, buses.bytes
			return nil
		}}
	})
	r.ear.until(t, "armed", func(ev *rules.Event) bool { return ev.Kind == rules.StationArmed })
	eventually(t, "the display is drawn", func() bool { return buses.sent() > 1024 })
	eventually(t, "the lack of a buzzer is told", func() bool {
		for _, f := range r.boardFacts(r.outputs.Load()) {
			if f.Name == "Panel" {
				return f.Trouble && strings.Contains(f.Value, "the buzzer: gpiochip999 line 5: /dev/gpiochip999 is missing")
			}
		}
		return false
	})
	before := buses.sent()
	r.end()
	if atClose <= before {
		t.Errorf("%d bytes had gone to the display when the buses were let go, and %d before the end: no farewell", atClose, before)
	}
	if n := r.log.count("a part of the panel does not work"); n != 1 {
		t.Errorf("the buzzer's failure was told %d times", n)
	}
}

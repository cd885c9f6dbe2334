package sensortest

import (
	"context"
	"fmt"
	"sync"
	"time"

	"holdbell/sensor"
)

// Step is what a Fake does at one read.
type Step struct {
	Reading sensor.Reading
	Err     error           // for a faulty reading; one is made up when it is nil
	Delay   time.Duration   // before the answer, cut short by the context with a Stale reading
	Hang    <-chan struct{} // when set, deaf to the context: answers when it is closed
}

// Good is a step that reads t.
func Good(t sensor.Temp) Step { return Step{Reading: sensor.Reading{Temp: t}} }

// Bad is a step that fails with f.
func Bad(f sensor.Fault) Step { return Step{Reading: sensor.Bad(f)} }

// Fake is a scripted Probe. It does its steps in order and stays at the last.
type Fake struct {
	Place    string        // "SPI0.0" unless told
	Interval time.Duration // 1 ms unless told
	Steps    []Step

	mu     sync.Mutex
	reads  int
	inside int
}

// Read implements sensor.Probe. It panics when two reads run at once, which no caller may do.
func (f *Fake) Read(ctx context.Context) (sensor.Reading, error) {
	s := f.enter()
	defer f.leave()
	if s.Hang != nil {
		<-s.Hang
	}
	if s.Delay > 0 {
		timer := time.NewTimer(s.Delay)
		defer timer.Stop()
		select {
		case <-timer.C:
		case <-ctx.Done():
			return sensor.Bad(sensor.Stale), fmt.Errorf("%v: %w", f, ctx.Err())
		}
	}
	if !s.Reading.Valid() && s.Err == nil {
		s.Err = fmt.Errorf("%v: scripted %v", f, s.Reading.Fault)
	}
	return s.Reading, s.Err
}

func (f *Fake) enter() Step {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.inside++; f.inside > 1 {
		panic("sensortest: two reads of one probe at once")
	}
	if len(f.Steps) == 0 {
		panic("sensortest: a Fake without steps")
	}
	s := f.Steps[min(f.reads, len(f.Steps)-1)]
	f.reads++
	return s
}

func (f *Fake) leave() {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.inside--
}

// Reads gives how many reads were begun.
func (f *Fake) Reads() int {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.reads
}

// MinInterval implements sensor.Probe.
func (f *Fake) MinInterval() time.Duration {
	if f.Interval == 0 {
		return time.Millisecond
	}
	return f.Interval
}

// String names the place.
func (f *Fake) String() string {
	if f.Place == "" {
		return "fake on SPI0.0"
	}
	return "fake on " + f.Place
}

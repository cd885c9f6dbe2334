package main

import (
	"bufio"
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"io"
	"maps"
	"slices"
	"strings"
	"time"

	"holdbell/publish/page"
	"holdbell/rules"
	"holdbell/sensor"
)

// guide speaks with the person. in is nil without a terminal.
type guide struct {
	out io.Writer
	in  *bufio.Reader
}

func (g *guide) say(format string, args ...any) { fmt.Fprintf(g.out, format+"\n", args...) }

// enter waits for the person, and reports whether they pressed Enter: not when they stop it, and not when the
// terminal goes away. Without a terminal it does not wait.
func (g *guide) enter(ctx context.Context, what string) bool {
	if g.in == nil || ctx.Err() != nil {
		return ctx.Err() == nil
	}
	g.say("%s, then press Enter.", what)
	pressed := make(chan bool, 1)
	go func() {
		_, err := g.in.ReadString('\n')
		pressed <- err == nil
	}()
	select {
	case yes := <-pressed:
		return yes
	case <-ctx.Done():
		return false
	}
}

// daemonWatch is the running daemon as calibrate sees it.
type daemonWatch interface {
	// probes gives what the probes read; the error is page.ErrUnreachable where none runs.
	probes(ctx context.Context) (running, error)
	// mark tells one mark and gives the answer.
	mark(ctx context.Context, f rules.MarkFields) (string, error)
}

// socketWatch is the daemon behind a control socket.
type socketWatch string

func (s socketWatch) probes(ctx context.Context) (running, error) {
	return runningProbes(ctx, string(s))
}

func (s socketWatch) mark(ctx context.Context, f rules.MarkFields) (string, error) {
	return sendMark(ctx, string(s), f)
}

func newID() string { return rand.Text() }

const (
	lookEach = 100 * time.Millisecond // sweeps are told apart by their clock
	// near is how far from the truth a probe that is in the water at all may read; common practice.
	near = sensor.Temp(10_000)
	// mute is how long a probe may give nothing.
	mute = 30 * time.Second
)

// run is the check from the beginning to the end.
func (c *calibration) run(ctx context.Context) error {
	if err := c.look(ctx); err != nil {
		return err
	}
	if c.last != nil {
		before := c.last.read
		c.before = &before
	}
	p, known := c.st.Probes[c.probe]
	if !known {
		return &exit{exitUsage, fmt.Errorf("no probe is called %s; the daemon has: %s", c.probe, strings.Join(slices.Sorted(maps.Keys(c.st.Probes)), ", "))}
	}
	c.say("Probe %s against %s, truly %s.", c.probe, c.ref, degrees(c.truth, c.st.Units))
	if !c.inPlace {
		out := c.offWatch(ctx, p.Lots)
		defer func() { c.onWatch(ctx, out) }()
	}
	c.say("%s", c.prepare)
	if !c.enter(ctx, "When the probe is there") {
		return stopped()
	}
	c.moved = true
	read, raw, err := c.steady(ctx, "Reading", func(t sensor.Temp) bool { return !c.away(t) })
	if err != nil {
		return err
	}
	answer, err := c.mark(ctx, rules.MarkFields{Mark: string(rules.MarkCalibrate),
		Note: fmt.Sprintf("probe=%s ref=%s true=%.3fC read=%.3fC raw=%.3fC", c.probe, c.ref, c.truth.Celsius(), read.Celsius(), raw.Celsius())})
	if err != nil {
		return err
	}
	c.say("%s", answer)
	off, limit := read-c.truth, rules.CalibrationTolerance(c.st.Units)
	if off != 0 {
		c.say("To read right here, write for probe %s, %s", c.probe, c.proposal(raw, time.Now()))
	}
	if off > limit || off < -limit {
		return &exit{exitSilentProbe, fmt.Errorf("probe %s fails", c.probe)}
	}
	return nil
}

func stopped() error { return &exit{exitFailed, errors.New("stopped; nothing was recorded")} }

// offWatch takes the food that the probe speaks for off watch, and gives the lots to put back.
func (c *calibration) offWatch(ctx context.Context, lots []string) (out []string) {
	for _, lot := range lots {
		answer, err := c.mark(ctx, rules.MarkFields{Mark: string(rules.MarkProbeOut), Lot: lot, Note: "probe=" + c.probe})
		if err != nil {
			c.say("%v", err) // it is off watch already, or its probe was given away meanwhile
			continue
		}
		out = append(out, lot)
		c.say("Take the probe out of %s. %s", lot, answer)
	}
	return out
}

// onWatch puts the food back on watch once the probe is in it again. What the probe reads on its way from boiling
// water into food could pass for a reheating: while it is not known to be back, the time stays unknown.
func (c *calibration) onWatch(ctx context.Context, lots []string) {
	if len(lots) == 0 {
		return
	}
	switch {
	case c.neverLeft(ctx):
	case ctx.Err() != nil:
		c.leave(lots)
		return
	case c.in != nil:
		if !c.enter(ctx, "Wipe the probe clean and put it back into "+strings.Join(lots, ", ")) {
			c.leave(lots)
			return
		}
	default:
		c.say("Put the probe back into %s.", strings.Join(lots, ", "))
		if _, _, err := c.steady(ctx, "Back at", c.away); err != nil {
			c.leave(lots)
			return
		}
	}
	for _, lot := range lots {
		answer, err := c.mark(ctx, rules.MarkFields{Mark: string(rules.MarkProbeIn), Lot: lot, Note: "probe=" + c.probe})
		if err != nil {
			c.say("%s is still off watch: %v", lot, err)
			continue
		}
		c.say("%s", answer)
	}
}

// away reports whether a reading is not of what the probe is held against.
func (c *calibration) away(t sensor.Temp) bool { return t-c.truth > near || c.truth-t > near }

// neverLeft reports whether nobody has said that the probe was moved, and it reads, in the next sweep from now, what it
// read at the beginning: then it is still in its food.
func (c *calibration) neverLeft(ctx context.Context) bool {
	if c.moved || c.before == nil {
		return false
	}
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), patienceForMark)
	defer cancel()
	if c.look(ctx) != nil {
		return false
	}
	ticks := time.NewTicker(lookEach)
	defer ticks.Stop()
	for latest := c.st.Monotonic; ; {
		select {
		case <-ctx.Done():
			return false
		case <-ticks.C:
		}
		if c.look(ctx) != nil {
			return false
		}
		if c.st.Monotonic > latest {
			if c.last == nil {
				return false
			}
			off := c.last.read - *c.before
			return off <= steadySpread && off >= -steadySpread && c.away(c.last.read)
		}
	}
}

// leave says what is still off watch, and the mark that ends it.
func (c *calibration) leave(lots []string) {
	for _, lot := range lots {
		c.say("%s is still off watch. When its probe is back in it: holdbell mark probe-in --lot %q --note probe=%s", lot, lot, c.probe)
	}
}

// steady shows the reading until it is steady where fits holds, and gives its mean.
func (c *calibration) steady(ctx context.Context, what string, fits func(sensor.Temp) bool) (read, raw sensor.Temp, err error) {
	ticks := time.NewTicker(lookEach)
	defer ticks.Stop()
	patience := time.NewTimer(c.wait)
	defer patience.Stop()
	var s steadiness
	var far sensor.Temp
	elsewhere, heard, shown := false, time.Now(), time.Time{}
	for {
		select {
		case <-ctx.Done():
			return 0, 0, stopped()
		case <-patience.C:
			if elsewhere {
				return 0, 0, &exit{exitSilentProbe, fmt.Errorf("probe %s is steady at %s, which is not where it should be: it is not in place, or it is broken. Nothing was recorded",
					c.probe, degrees(far, c.st.Units))}
			}
			return 0, 0, &exit{exitSilentProbe, fmt.Errorf("probe %s did not come to rest within %v. Stir, hold it still, and try again. Nothing was recorded", c.probe, c.wait)}
		case <-ticks.C:
		}
		before := c.last
		if err := c.look(ctx); err != nil {
			if ctx.Err() != nil {
				continue
			}
			return 0, 0, err
		}
		if c.last == nil {
			if words, _ := said(c.st.Probes[c.probe], c.st.Stale, c.st.Units); time.Since(heard) > min(mute, c.wait) {
				return 0, 0, &exit{exitSilentProbe, fmt.Errorf("probe %s does not answer: %s. Nothing was recorded", c.probe, words)}
			}
			s = nil
			continue
		}
		heard = time.Now()
		if before != nil && c.last.at == before.at {
			continue
		}
		s.add(*c.last)
		if time.Since(shown) >= 2*time.Second {
			shown = time.Now()
			c.say("%s %s", what, degrees(c.last.read, c.st.Units))
		}
		if read, raw, ok := s.steady(); ok && fits(read) {
			return read, raw, nil
		} else if elsewhere = ok; ok {
			far = read
		}
	}
}

// look asks the daemon once; c.last is nil when the probe gives no reading.
func (c *calibration) look(ctx context.Context) error {
	st, err := c.daemon.probes(ctx)
	switch {
	case errors.Is(err, page.ErrUnreachable):
		return &exit{exitUnreachable, fmt.Errorf("%w; calibrate needs the running daemon, which holds the buses: start it, or name its socket with --socket", err)}
	case err != nil:
		return &exit{exitFailed, err}
	}
	c.st, c.last = st, nil
	p := st.Probes[c.probe]
	// Not celsius, in which a leap is bridged for a while: what the probe reads at this very moment counts.
	if st.Stale || p.Corrected == nil || p.Raw == nil {
		return nil
	}
	read, ok1 := sensor.FromCelsius(*p.Corrected)
	raw, ok2 := sensor.FromCelsius(*p.Raw)
	if ok1 && ok2 {
		c.last = &look{time.Duration(st.Monotonic * float64(time.Second)), read, raw}
	}
	return nil
}

package kitchen

import (
	"context"
	"fmt"
	"hash/fnv"
	"math/rand/v2"
	"time"

	"holdbell/sensor/kitchen/chip"
)

// boardAbove is how much warmer than the room a board sits in its case, °C (common practice).
const boardAbove = 6

// probe is a Probe under way.
type probe struct {
	plan   Probe
	at     Place
	tip    float64
	wiring chip.Wiring
	noise  float64
	drift  float64 // °C off by now
	rate   float64 // °C a second
	key    uint64
	sample uint64 // how many samples this moment has given
	moment time.Duration
	chip   chip.Chip
	dead   DeadLine
	hot    float64    // °C that its board is warmer than the others
	hung   *chip.Pins // what a chip that converts no more has last seen
}

func newProbe(p Probe, seed uint64) *probe {
	h := fnv.New64a()
	h.Write([]byte(p.Name))
	return &probe{plan: p, at: p.At, noise: p.Noise, key: seed ^ h.Sum64()}
}

// step lets the tip follow what surrounds it.
func (p *probe) step(seconds, medium float64) {
	p.tip = follow(p.tip, medium, seconds, p.plan.Lag.Seconds())
	p.drift += p.rate * seconds
}

// pins is what the chip sees now. The noise depends on the seed, the probe, the moment and the sample's number
// in it, and on nothing that was read before.
func (p *probe) pins(now time.Duration, board float64) chip.Pins {
	if p.hung != nil {
		return *p.hung
	}
	if now != p.moment {
		p.moment, p.sample = now, 0
	}
	p.sample++
	tip := p.tip + p.drift
	if p.noise > 0 {
		r := rand.New(rand.NewPCG(p.key, uint64(now)<<8|p.sample&0xff))
		tip += p.noise * r.NormFloat64()
	}
	return chip.Pins{Tip: tip, Type: p.plan.Type, Board: board + p.hot, Wiring: p.wiring}
}

// hang keeps what the pins show now, or lets the chip go on.
func (p *probe) hang(on bool, now time.Duration, board float64) {
	p.hung = nil
	if on {
		last := p.pins(now, board)
		p.hung = &last
	}
}

// DeadLine is a data line that carries nothing of the chip's.
type DeadLine uint8

// The states of a data line.
const (
	Alive    DeadLine = iota
	AllLow            // every bit reads 0
	AllHigh           // every bit reads 1
	NoAnswer          // the bus hangs: no transaction ends in time
)

// wire is the transport to a probe's chip.
type wire struct {
	k *Kitchen
	p *probe
}

// Tx implements sensor.Transport. It takes no time, real or virtual.
func (w *wire) Tx(ctx context.Context, out, in []byte) error {
	if err := ctx.Err(); err != nil {
		return fmt.Errorf("%s: %w", w, err)
	}
	w.k.mu.Lock()
	defer w.k.mu.Unlock()
	if w.p.dead == NoAnswer {
		return fmt.Errorf("%s: no answer in time: %w", w, context.DeadlineExceeded)
	}
	err := w.p.chip.Tx(w.k.now, out, in)
	if err != nil {
		return fmt.Errorf("%s: %w", w, err)
	}
	switch w.p.dead {
	case AllLow:
		clear(in)
	case AllHigh:
		for i := range in {
			in[i] = 0xff
		}
	}
	return nil
}

// String implements sensor.Transport.
func (w *wire) String() string { return w.p.plan.Bus }

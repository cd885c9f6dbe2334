package remotewrite

import (
	"context"
	"sync/atomic"
	"time"
)

// Bounds of a request, in samples, and of the waits between two that came to nothing.
const (
	mostAtOnce = 2000
	firstPause = time.Second
	lastPause  = 30 * time.Second // doubled up to here
	// giveUp samples that were refused one by one, with none taken between, say that it is not the samples: a limit of
	// the receiver's is reached, or what it wants is different. What follows is asked with two samples a batch.
	giveUp = 32
)

// sender brings samples to the receiver, one request at a time. There are two: of live readings and of the backlog.
type sender struct {
	w       *Writer
	what    string                                // for the log
	before  func(ctx context.Context, n int) bool // waits until n samples may go; false when ctx ends. nil: at once
	most    int                                   // samples at once, less where the receiver says that they are too many
	tries   int                                   // in a row that came to nothing
	trouble atomic.Pointer[string]                // why the newest try came to nothing; nil while all is well
	// behind is set once every sample of a sweep was refused as too old. What the receiver takes moves on with its
	// newest sample, so what lies before that sweep is too old for good: one question tells of a whole batch then.
	behind bool
	lost   int // samples refused one by one since something was last taken
}

// push sends samples, which are in order of time, and returns once each is taken or refused for good; false when ctx
// ends before.
func (s *sender) push(ctx context.Context, samples []sample) bool {
	for len(samples) > 0 {
		piece := samples[:min(s.most, len(samples))]
		ask := piece
		if s.behind {
			ask = newestSweep(piece)
		}
		a, ok := s.ask(ctx, ask)
		switch {
		case !ok:
			return false
		case a.verdict == tooLarge && len(ask) > 1:
			s.most = len(ask) / 2
			s.behind = false
			continue
		case a.verdict == tooLarge:
			s.drop(ask, a)
		case a.verdict == refused && a.old && s.behind:
			s.drop(piece, a)
			ask = piece
		case a.verdict == refused:
			s.behind = false
			if !s.sift(ctx, ask, a) {
				return false
			}
		default:
			s.behind = false
		}
		if rest := len(piece) - len(ask); rest > 0 && !s.push(ctx, piece[:rest]) {
			return false
		}
		samples = samples[len(piece):]
	}
	return true
}

// sift finds what is wrong in a piece that was refused, by halves: the rest of it is taken.
func (s *sender) sift(ctx context.Context, piece []sample, a answer) bool {
	if len(piece) == 1 {
		s.lost++
		s.drop(piece, a)
		return true
	}
	if s.lost >= giveUp && len(piece) > 2 {
		first, last := piece[:1], piece[len(piece)-1:]
		if !s.push(ctx, first) || !s.push(ctx, last) {
			return false
		}
		if piece = piece[1 : len(piece)-1]; s.lost >= giveUp {
			s.drop(piece, a)
			return true
		}
	}
	if newest := newestSweep(piece); a.old && len(newest) < len(piece) {
		piece = piece[:len(piece)-len(newest)]
		allOld := true
		for i := range newest {
			b, ok := s.ask(ctx, newest[i:i+1])
			if !ok {
				return false
			}
			if b.verdict != taken {
				s.lost++
				s.drop(newest[i:i+1], b)
			}
			allOld = allOld && b.verdict == refused && b.old
		}
		if allOld {
			s.behind = true
			s.drop(piece, a)
			return true
		}
	}
	cut := len(piece) / 2
	return (cut == 0 || s.push(ctx, piece[:cut])) && s.push(ctx, piece[cut:])
}

// newestSweep is the part of a piece that has its last time.
func newestSweep(piece []sample) []sample {
	i := len(piece) - 1
	for i > 0 && piece[i-1].at == piece[i].at {
		i--
	}
	return piece[i:]
}

// ask sends one request until the receiver says something of its samples; false when ctx ends before.
func (s *sender) ask(ctx context.Context, samples []sample) (answer, bool) {
	for {
		if ctx.Err() != nil || s.before != nil && !s.before(ctx, len(samples)) {
			return answer{}, false
		}
		a := s.w.post(ctx, s.w.version(), samples)
		if a.verdict == later && ctx.Err() != nil {
			// A stop that cut it off need not try to take its leave.
			s.w.healthy.Store(false)
			return a, false
		}
		if a.version && s.w.o.Protocol == Auto {
			// The same samples go once more, as 1.0: had the receiver kept them, it has them already.
			if s.w.plain.CompareAndSwap(false, true) {
				s.w.o.Log.Info("the receiver does not take remote write 2.0; it gets 1.0")
			}
			continue
		}
		if a.verdict != later {
			s.well(a, len(samples))
			return a, true
		}
		s.note(a.why)
		if !pause(ctx, s.delay(a.after)) {
			return a, false
		}
	}
}

// delay is how long to wait after a try that came to nothing. Chance spreads boards that lost their receiver together.
func (s *sender) delay(after time.Duration) time.Duration {
	d := min(lastPause, firstPause<<min(s.tries, 10))
	s.tries++
	d = d/2 + time.Duration(s.w.o.Rand()*float64(d/2))
	if after > 0 {
		d = after + time.Duration(s.w.o.Rand()*float64(min(after, lastPause)/4))
	}
	return d
}

// well notes an answer that says something of the samples: the receiver is there.
func (s *sender) well(a answer, n int) {
	s.tries = 0
	if s == &s.w.live {
		s.w.healthy.Store(true)
	}
	if s.trouble.Swap(nil) != nil {
		s.w.o.Log.Info("remote write: the receiver answers again", "what", s.what)
	}
	if a.verdict == taken {
		s.lost = 0
		s.w.o.Recent.add(func(c *Counts) { c.Sent += uint64(n) })
		s.w.o.Recent.succeeded(s.w.o.Now())
	}
}

// note keeps why a try came to nothing, and logs a change once.
func (s *sender) note(why string) {
	if s == &s.w.live {
		s.w.healthy.Store(false)
	}
	if was := s.trouble.Swap(&why); was == nil || *was != why {
		s.w.o.Log.Warn("remote write: nothing gets to the receiver; it is tried again", "what", s.what, "err", why)
	}
}

// drop gives up what the receiver will never take.
func (s *sender) drop(samples []sample, a answer) {
	n := uint64(len(samples))
	if n == 0 {
		return
	}
	s.w.o.Recent.refused(n, a, s.w.o.Now())
	if a.old {
		s.w.rare.Warn("remote write: the receiver refuses samples as too old or out of order, which are dropped; raise "+window+" there", "what", s.what, "err", a.why)
		return
	}
	s.w.rare.Warn("remote write: the receiver refuses samples, which are dropped", "what", s.what, "err", a.why)
}

// window is the setting of a Prometheus that lets a backlog in.
const window = "storage.tsdb.out_of_order_time_window"

// pause waits; false when ctx ends before.
func pause(ctx context.Context, d time.Duration) bool {
	if d <= 0 {
		return ctx.Err() == nil
	}
	timer := time.NewTimer(d)
	defer timer.Stop()
	select {
	case <-timer.C:
		return true
	case <-ctx.Done():
		return false
	}
}

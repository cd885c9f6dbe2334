package sensor

import (
	"encoding/hex"
	"fmt"
	"time"
)

// BootID names one run of the machine's monotonic clock. All zero in recordings and simulations.
type BootID [16]byte

// MarshalText gives 32 hexadecimal digits.
func (b BootID) MarshalText() ([]byte, error) { return []byte(hex.EncodeToString(b[:])), nil }

// UnmarshalText takes 32 hexadecimal digits.
func (b *BootID) UnmarshalText(text []byte) error {
	raw, err := hex.DecodeString(string(text))
	if err != nil || len(raw) != len(b) {
		return fmt.Errorf("boot id %q is not 32 hexadecimal digits", text)
	}
	copy(b[:], raw)
	return nil
}

// Instant is a point in time as a board without a clock chip can know it. Durations come from Mono
// within one boot; Wall labels, and bridges two boots only where both walls are believed.
type Instant struct {
	Wall     time.Time     `json:"wall"`     // UTC, without Go's own monotonic part
	Mono     time.Duration `json:"mono"`     // since boot, suspend included (CLOCK_BOOTTIME)
	Boot     BootID        `json:"boot"`     // which boot Mono counts from
	Believed bool          `json:"believed"` // whether Wall is known to be right
}

// IsZero reports whether i was never set.
func (i Instant) IsZero() bool { return i == Instant{} }

// Sub gives i-j. known is false when the two lie in different boots and either wall clock was not
// believed; d is then the walls' difference, good for a label only.
func (i Instant) Sub(j Instant) (d time.Duration, known bool) {
	if i.Boot == j.Boot {
		return i.Mono - j.Mono, true
	}
	return i.Wall.Sub(j.Wall), i.Believed && j.Believed
}

// Add gives the instant d later (earlier when negative) in the same boot.
func (i Instant) Add(d time.Duration) Instant {
	i.Wall = i.Wall.Add(d)
	i.Mono += d
	return i
}

// Rebase gives i with its label put right by known, an instant of the same boot whose wall clock was believed. An
// i that was believed itself, or lies in another boot, stays as it is: nobody knows better.
func (i Instant) Rebase(known Instant) Instant {
	if i.Believed || i.IsZero() || !known.Believed || i.Boot != known.Boot {
		return i
	}
	i.Wall, i.Believed = known.Wall.Add(i.Mono-known.Mono), true
	return i
}

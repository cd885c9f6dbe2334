// Package publish brings what the rules decided to the world. It holds the contract of a publisher, and
// the courier that gives each one every event at least once, in order, with retry and backoff.
package publish

import (
	"context"
	"errors"

	"holdbell/rules"
	"holdbell/sensor"
)

// Publisher is one way out: a broker, a phone, a page. Its idempotency key for an event is the ledger's
// id and the event's Seq.
type Publisher interface {
	// Name is stable; the delivery cursor is kept under it.
	Name() string
	// Deliver hands over one event and returns once the receiver has it. It is called in order of Seq,
	// one at a time, and again with the same event after any error that is not Permanent.
	Deliver(ctx context.Context, ledger string, ev rules.Event) error
	// Show hands over the state after a sweep. It must not block, and may drop all but the latest.
	Show(st *rules.State)
}

// Config names the configuration that is in force, so that a board which runs an old one shows.
type Config struct {
	Hash  string         // of what it says; empty: nobody knows
	Base  string         // the hash of what it shares with other boards; empty when it shares nothing
	Since sensor.Instant // when this run of the daemon took it up
}

// Permanent marks an error that no retry cures: the event is counted as refused and passed over.
func Permanent(err error) error { return &permanent{err} }

// IsPermanent reports whether err, or one that it wraps, is Permanent.
func IsPermanent(err error) bool { return errors.As(err, new(*permanent)) }

type permanent struct{ err error }

func (p *permanent) Error() string { return p.err.Error() }
func (p *permanent) Unwrap() error { return p.err }

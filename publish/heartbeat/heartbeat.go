// Package heartbeat tells an outside monitor, at intervals, that the watch goes on. A board that is dead cannot
// alarm: its silence has to.
package heartbeat

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"net/url"
	"strings"
	"sync/atomic"
	"time"

	"holdbell/publish"
	"holdbell/sensor"
)

// Options are what a Heartbeat needs to know. URLFile, Well and Now are required.
type Options struct {
	URLFile string        // a file of one line, the address, http or https; read anew for every beat
	Every   time.Duration // default 1 min
	// Fail is joined to the address's path while Well says no, such as "/fail"; empty: nothing is sent then.
	Fail string
	// Well reports whether the watch goes on: the loop and the alarms make progress, and a probe reads.
	Well   func() bool
	Now    func() sensor.Instant
	Log    *slog.Logger // default slog.Default()
	Client *http.Client // default: one of its own
}

const (
	defaultEvery = time.Minute
	// firstAfter leaves a start the time for its first sweep: no restart is to be told as a failure.
	firstAfter = 10 * time.Second
	// deadline ends a beat: the next one is not to wait for it.
	deadline = 10 * time.Second
)

// Heartbeat is at work while Run is. It is asked by nobody and holds nobody up.
type Heartbeat struct {
	o       Options
	last    atomic.Pointer[sensor.Instant] // the last success; nil never
	trouble atomic.Pointer[string]         // why the newest beat was not taken; nil while all is well
}

// New gives a Heartbeat.
func New(o Options) (*Heartbeat, error) {
	switch {
	case o.URLFile == "":
		return nil, errors.New("the heartbeat has no file with its address; set URLFile")
	case o.Well == nil:
		return nil, errors.New("the heartbeat does not know when all is well; set Well")
	case o.Now == nil:
		return nil, errors.New("the heartbeat has no clock; set Now")
	case o.Fail != "" && (!strings.HasPrefix(o.Fail, "/") || strings.ContainsAny(o.Fail, "?#")):
		return nil, fmt.Errorf("%q is no path to join; write one such as /fail", o.Fail)
	}
	if o.Every <= 0 {
		o.Every = defaultEvery
	}
	if o.Log == nil {
		o.Log = slog.Default()
	}
	if o.Client == nil {
		o.Client = &http.Client{}
	}
	client := *o.Client
	// The address is a secret: it follows no redirect to somebody else.
	client.CheckRedirect = func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }
	o.Client = &client
	return &Heartbeat{o: o}, nil
}

// LastSuccess is when a beat was last taken while all was well; zero never.
func (h *Heartbeat) LastSuccess() sensor.Instant {
	if at := h.last.Load(); at != nil {
		return *at
	}
	return sensor.Instant{}
}

// Trouble is why the monitor did not take the newest beat, in words without its address; empty while it does.
func (h *Heartbeat) Trouble() string {
	if why := h.trouble.Load(); why != nil {
		return *why
	}
	return ""
}

// Run beats until ctx ends: a moment after the start, and then at the interval.
func (h *Heartbeat) Run(ctx context.Context) {
	wait := time.NewTimer(min(h.o.Every, firstAfter))
	defer wait.Stop()
	for {
		select {
		case <-wait.C:
		case <-ctx.Done():
			return
		}
		wait.Reset(h.o.Every)
		if err := h.beat(ctx); ctx.Err() == nil {
			h.note(err)
		}
	}
}

// note keeps how the newest beat went, and logs a change once.
func (h *Heartbeat) note(err error) {
	was := h.trouble.Load()
	if err == nil {
		if h.trouble.Store(nil); was != nil {
			h.o.Log.Info("the outside monitor hears the heartbeat again")
		}
		return
	}
	why := err.Error()
	if h.trouble.Store(&why); was == nil {
		h.o.Log.Warn("the outside monitor does not hear the heartbeat; it is tried again", "err", why)
	}
}

// beat sends one. Its errors tell nothing of the address.
func (h *Heartbeat) beat(ctx context.Context) error {
	well := h.o.Well()
	if !well && h.o.Fail == "" {
		return nil
	}
	address, err := h.address()
	if err != nil {
		return err
	}
	if !well {
		address = address.JoinPath(h.o.Fail)
	}
	ctx, cancel := context.WithTimeout(ctx, deadline)
	defer cancel()
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, address.String(), nil)
	if err != nil {
		return errors.New("no request can be made of the heartbeat's address; write it anew")
	}
	req.Header.Set("User-Agent", "holdbell")
	res, err := h.o.Client.Do(req)
	switch {
	case errors.Is(err, context.DeadlineExceeded):
		return errors.New("the monitor does not answer in time")
	case err != nil: // which may name the address, or its host
		return errors.New("the monitor cannot be reached; is the board on the network, and its clock right?")
	}
	defer res.Body.Close()
	// What the answer says beyond its status is of no use; an error in it comes after the fact.
	_, _ = io.CopyN(io.Discard, res.Body, 4<<10)
	if res.StatusCode < 200 || res.StatusCode > 299 {
		return fmt.Errorf("the monitor answers %d; look at the heartbeat's address", res.StatusCode)
	}
	if well {
		at := h.o.Now()
		h.last.Store(&at)
	}
	return nil
}

func (h *Heartbeat) address() (*url.URL, error) {
	text, err := publish.ReadSecret(h.o.URLFile)
	if err != nil {
		return nil, fmt.Errorf("the file with the heartbeat's address: %w", err)
	}
	u, err := url.Parse(strings.TrimSpace(text))
	if err != nil || u.Scheme != "https" && u.Scheme != "http" || u.Hostname() == "" {
		return nil, fmt.Errorf("%s holds no address of a monitor; write one line such as https://HOST/PATH into it", h.o.URLFile)
	}
	return u, nil
}

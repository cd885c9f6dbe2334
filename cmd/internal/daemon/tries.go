package daemon

import (
	"net"
	"net/http"
	"net/netip"
	"sync"
	"time"
)

// How wrong logins are slowed. A person mistypes a few times; who guesses is soon down to one guess a minute.
const (
	freeTries    = 3                // in a row, before the first pause
	firstPause   = time.Second      // doubles with each further one
	longestPause = time.Minute      //
	forgetAfter  = 10 * time.Minute // without another try
	mostRemember = 1024             // addresses
)

// tries remembers who typed wrong passwords and tokens, by address.
type tries struct {
	mu   sync.Mutex
	from map[string]*offender
}

type offender struct {
	wrong       int
	last, until time.Time
}

func newTries() *tries { return &tries{from: map[string]*offender{}} }

// wait is how long this address has to wait before its next try; 0 when it may try now.
func (t *tries) wait(from string) time.Duration {
	t.mu.Lock()
	defer t.mu.Unlock()
	o := t.from[from]
	if o == nil {
		return 0
	}
	return max(0, time.Until(o.until))
}

// wrong notes a try that failed.
func (t *tries) wrong(from string) {
	now := time.Now()
	t.mu.Lock()
	defer t.mu.Unlock()
	o := t.from[from]
	if o == nil || now.Sub(o.last) > forgetAfter {
		t.makeRoom(now)
		o = &offender{}
		t.from[from] = o
	}
	o.wrong++
	o.last = now
	if over := o.wrong - freeTries; over > 0 {
		o.until = now.Add(min(longestPause, firstPause<<min(over-1, 10)))
	}
}

// right forgets what an address did before.
func (t *tries) right(from string) {
	t.mu.Lock()
	defer t.mu.Unlock()
	delete(t.from, from)
}

// makeRoom drops who has been quiet for long, and at need the one who was quiet longest.
func (t *tries) makeRoom(now time.Time) {
	if len(t.from) < mostRemember {
		return
	}
	oldest := ""
	for from, o := range t.from {
		if now.Sub(o.last) > forgetAfter {
			delete(t.from, from)
		} else if oldest == "" || o.last.Before(t.from[oldest].last) {
			oldest = from
		}
	}
	if len(t.from) >= mostRemember {
		delete(t.from, oldest)
	}
}

// sender is the address that a request came from. Of IPv6 it is the network: a single machine has 2^64
// addresses there (RFC 4291, 2.5.4).
func sender(r *http.Request) string { return addressOf(r.RemoteAddr) }

func addressOf(hostport string) string {
	host, _, err := net.SplitHostPort(hostport)
	if err != nil {
		return hostport
	}
	ip, err := netip.ParseAddr(host)
	if err != nil {
		return host
	}
	if ip = ip.Unmap().WithZone(""); ip.Is6() {
		if p, err := ip.Prefix(64); err == nil {
			return p.String()
		}
	}
	return ip.String()
}

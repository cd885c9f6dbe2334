package daemon

import (
	"context"
	"crypto/hmac"
	"crypto/rand"
	"crypto/sha256"
	"fmt"
	"net/http"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"holdbell/publish"
)

const (
	// A password's hash is made to be dear: at exporter-toolkit's usual cost a small board computes for a
	// second. So one is checked at a time, and few may wait for it, each only so long.
	mostWaiting = 8
	queueFor    = 5 * time.Second
	// After a wrong password the next check of any waits three times as long as that one took: guessing gets
	// at most a quarter of one core.
	restAfterWrong = 3
	longestRest    = 2 * time.Second
	// mostProven logins are known again without a check.
	mostProven = 64
)

// gate stands before the login of exporter-toolkit, which checks every password that it is sent, as fast as
// it can.
type gate struct {
	tries *tries
	rare  *publish.Rare
	key   []byte        // what logins are remembered by, of this start alone
	slot  chan struct{} // held by the one whose password is being checked

	waiting atomic.Int32
	mu      sync.Mutex
	proven  map[[sha256.Size]byte]struct{} // logins that were right
}

func newGate(t *tries, rare *publish.Rare) *gate {
	key := make([]byte, sha256.Size)
	// It never fails (crypto/rand's documentation).
	_, _ = rand.Read(key)
	return &gate{tries: t, rare: rare, key: key, slot: make(chan struct{}, 1), proven: map[[sha256.Size]byte]struct{}{}}
}

// attempt is one request with a login, on its way through the check.
type attempt struct {
	right bool
	pass  func() // called by what stands behind the check
}

type attemptKey struct{}

// behind is what stands behind the login: whoever gets there has passed.
func behind(h http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if a, ok := r.Context().Value(attemptKey{}).(*attempt); ok {
			a.right = true
			a.pass()
		}
		h.ServeHTTP(w, r)
	})
}

// before gives login with the gate before it.
func (g *gate) before(login http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		said := r.Header.Get("Authorization")
		if kind, _, _ := strings.Cut(said, " "); !strings.EqualFold(kind, "Basic") {
			login.ServeHTTP(w, r)
			return
		}
		sum := g.sum(said)
		if g.known(sum) {
			a := &attempt{pass: func() {}}
			if login.ServeHTTP(w, r.WithContext(context.WithValue(r.Context(), attemptKey{}, a))); !a.right {
				g.forget(sum)
			}
			return
		}
		g.check(w, r, login, sum)
	})
}

// check lets one login be checked, when its turn comes.
func (g *gate) check(w http.ResponseWriter, r *http.Request, login http.Handler, sum [sha256.Size]byte) {
	from := sender(r)
	if wait := g.tries.wait(from); wait > 0 {
		g.refuse(w, from, wait)
		return
	}
	if !g.enter(r.Context()) {
		g.refuse(w, from, firstPause)
		return
	}
	leave := sync.OnceFunc(func() { <-g.slot })
	defer leave()
	// Others of the same address may have been wrong while this one waited.
	if wait := g.tries.wait(from); wait > 0 {
		leave()
		g.refuse(w, from, wait)
		return
	}
	begun := time.Now()
	a := &attempt{pass: func() {
		leave()
		g.tries.right(from)
		g.prove(sum)
	}}
	login.ServeHTTP(w, r.WithContext(context.WithValue(r.Context(), attemptKey{}, a)))
	if a.right {
		return
	}
	g.tries.wrong(from)
	g.rare.Warn(wrongLogin, "from", from)
	time.Sleep(min(longestRest, restAfterWrong*time.Since(begun)))
}

const wrongLogin = "a wrong login or token was refused"

// enter waits for the turn to be checked.
func (g *gate) enter(ctx context.Context) bool {
	select {
	case g.slot <- struct{}{}:
		return true
	default:
	}
	defer g.waiting.Add(-1)
	if g.waiting.Add(1) > mostWaiting {
		return false
	}
	patience := time.NewTimer(queueFor)
	defer patience.Stop()
	select {
	case g.slot <- struct{}{}:
		return true
	case <-patience.C:
	case <-ctx.Done():
	}
	return false
}

// refuse answers without a check.
func (g *gate) refuse(w http.ResponseWriter, from string, wait time.Duration) {
	g.rare.Warn(wrongLogin, "from", from)
	w.Header().Set("Retry-After", seconds(wait))
	http.Error(w, tooMany(wait), http.StatusTooManyRequests)
}

func tooMany(wait time.Duration) string {
	return fmt.Sprintf("Too many wrong logins; the next is looked at in %s s. The watch goes on.", seconds(wait))
}

// seconds are whole ones, rounded up.
func seconds(d time.Duration) string { return fmt.Sprint(int64((d + time.Second - 1) / time.Second)) }

func (g *gate) sum(said string) [sha256.Size]byte {
	h := hmac.New(sha256.New, g.key)
	h.Write([]byte(said))
	return [sha256.Size]byte(h.Sum(nil))
}

func (g *gate) known(sum [sha256.Size]byte) bool {
	g.mu.Lock()
	defer g.mu.Unlock()
	_, ok := g.proven[sum]
	return ok
}

func (g *gate) prove(sum [sha256.Size]byte) {
	g.mu.Lock()
	defer g.mu.Unlock()
	if len(g.proven) >= mostProven {
		clear(g.proven)
	}
	g.proven[sum] = struct{}{}
}

func (g *gate) forget(sum [sha256.Size]byte) {
	g.mu.Lock()
	defer g.mu.Unlock()
	delete(g.proven, sum)
}

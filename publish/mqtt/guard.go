package mqtt

import (
	"crypto/sha256"
	"crypto/subtle"
	"fmt"
	"slices"
	"sync"

	mochi "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/packets"
)

// guard is the embedded broker's access list: who may connect, and what for. What no rule allows is denied.
type guard struct {
	mochi.HookBase
	own      login
	users    map[string]account
	commands bool
	mark     string // the one topic of ours that others may publish to
	feeds    []string

	server *mochi.Server

	// retained orders the library's reads of what is retained with its writes, which it does not: a
	// subscriber that comes while a topic is cleared could read half of each.
	retained sync.RWMutex
}

type account struct {
	password [sha256.Size]byte
	command  bool
}

func newGuard(o BrokerOptions, own login) (*guard, error) {
	g := &guard{own: own, users: map[string]account{}, commands: o.Commands, mark: newTopics(o.Prefix, o.Site).mark(), feeds: o.Feeds}
	for _, u := range o.Users {
		secret, err := readSecret(u.PasswordFile)
		switch {
		case err != nil:
			return nil, fmt.Errorf("user %q of the embedded broker: %w", u.Name, err)
		case u.Name == "":
			return nil, fmt.Errorf("a user of the embedded broker has no name; name the one with the password file %s", u.PasswordFile)
		}
		if _, twice := g.users[u.Name]; twice {
			return nil, fmt.Errorf("two users of the embedded broker are called %q; rename one", u.Name)
		}
		g.users[u.Name] = account{sha256.Sum256([]byte(secret)), u.Command}
	}
	return g, nil
}

// ID implements the library's Hook.
func (g *guard) ID() string { return "guard" }

// Provides implements the library's Hook.
func (g *guard) Provides(b byte) bool {
	return slices.Contains([]byte{mochi.OnConnectAuthenticate, mochi.OnACLCheck, mochi.OnPublish, mochi.OnRetainMessage,
		mochi.OnWill, mochi.OnSubscribed, mochi.OnPacketProcessed}, b)
}

func (g *guard) ours(cl *mochi.Client) bool { return string(cl.Properties.Username) == g.own.name }

// OnConnectAuthenticate implements the library's Hook.
func (g *guard) OnConnectAuthenticate(cl *mochi.Client, pk packets.Packet) bool {
	if !g.welcome(cl, pk.Connect.Password) {
		return false
	}
	from(cl).leave()
	if !g.ours(cl) {
		// The library publishes wills past the access list: another's could say that we are offline.
		cl.Properties.Will = mochi.Will{}
	}
	return true
}

func (g *guard) welcome(cl *mochi.Client, password []byte) bool {
	if g.ours(cl) {
		return subtle.ConstantTimeCompare(password, []byte(g.own.password)) == 1
	}
	// A client of the same id would end our own connection.
	if cl.ID == g.own.name {
		return false
	}
	if _, back := g.server.Clients.Get(cl.ID); !back && g.server.Clients.Len() >= maxSessions {
		return false
	}
	if g.connected() >= maxClients {
		return false
	}
	if len(g.users) == 0 {
		return true
	}
	a, ok := g.users[string(cl.Properties.Username)]
	sum := sha256.Sum256(password)
	return subtle.ConstantTimeCompare(sum[:], a.password[:]) == 1 && ok
}

// connected counts the clients other than our own.
func (g *guard) connected() int {
	n := 0
	for _, cl := range g.server.Clients.GetAll() {
		if !cl.Closed() && !g.ours(cl) {
			n++
		}
	}
	return n
}

// OnACLCheck implements the library's Hook: our own client may do everything, others may read, and
// publish marks and readings where that is allowed.
func (g *guard) OnACLCheck(cl *mochi.Client, topic string, write bool) bool {
	switch {
	case g.ours(cl):
		return true
	case !write:
		return true
	case g.commands && topic == g.mark:
		return len(g.users) == 0 || g.users[string(cl.Properties.Username)].command
	case slices.Contains(g.feeds, topic):
		return true
	}
	return false
}

// OnPublish implements the library's Hook. A mark is never kept: it would be an old one to whoever comes
// later.
func (g *guard) OnPublish(cl *mochi.Client, pk packets.Packet) (packets.Packet, error) {
	if !g.ours(cl) {
		pk.FixedHeader.Retain = false
	}
	if pk.FixedHeader.Retain {
		g.writes(cl)
	}
	return pk, nil
}

// OnWill implements the library's Hook. It is our own will: others have none.
func (g *guard) OnWill(cl *mochi.Client, w mochi.Will) (mochi.Will, error) {
	w.WillDelayInterval = 0
	if w.Retain {
		g.writes(cl)
	}
	return w, nil
}

// writes locks from before the library retains a message until OnRetainMessage, right after it.
func (g *guard) writes(cl *mochi.Client) {
	g.retained.Lock()
	from(cl).unlock = g.retained.Unlock
}

// OnRetainMessage implements the library's Hook.
func (g *guard) OnRetainMessage(cl *mochi.Client, _ packets.Packet, _ int64) { from(cl).let() }

// OnSubscribed implements the library's Hook. From here to OnPacketProcessed the library writes one short
// acknowledgement and reads what is retained; it never waits longer than drainTimeout.
func (g *guard) OnSubscribed(cl *mochi.Client, _ packets.Packet, _ []byte) {
	g.retained.RLock()
	from(cl).unlock = g.retained.RUnlock
}

// OnPacketProcessed implements the library's Hook.
func (g *guard) OnPacketProcessed(cl *mochi.Client, _ packets.Packet, _ error) { from(cl).let() }

// from gives the connection of a client, which always came in by our door.
func from(cl *mochi.Client) *visitor { return cl.Net.Conn.(*visitor) }

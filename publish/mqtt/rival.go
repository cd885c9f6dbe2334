package mqtt

import (
	"context"
	"crypto/rand"
	"encoding/json"
	"os"
	"regexp"
	"time"
)

const (
	// rivalStays is how long another board counts as there after it was last noticed.
	rivalStays = 3 * time.Minute
	// rivalAnswer is how often a board says who it is while another speaks for its site, so that both know.
	rivalAnswer = time.Minute
	// maxBoard is the longest status/board that is looked at, in bytes.
	maxBoard = 1024
)

// boardMessage is status/board. Run is made anew at each start: the ledger, the machine's id and the name at the
// broker are all the same on a card that was copied.
type boardMessage struct {
	Run  string `json:"run"`
	Host string `json:"host,omitempty"`
}

var hostForm = regexp.MustCompile(`^[A-Za-z0-9][A-Za-z0-9._-]{0,62}$`)

func newBoardMessage() boardMessage {
	m := boardMessage{Run: rand.Text()}
	if host, err := os.Hostname(); err == nil && hostForm.MatchString(host) {
		m.Host = host
	}
	return m
}

// rival is another board with our site. It clears what we publish and publishes over it; and with our id at the
// broker too, each of its connections ends ours, and ours its (MQTT 3.1.1, 3.1.4-2).
type rival struct {
	introduced time.Time // when we last said who we are; zero: in this run not yet
	kept       time.Time // when the broker first held another's word in place of ours
	noticed    time.Time
	host       string // its name, where it tells one
	warned     bool
	answer     bool // it was noticed just now, and may not know of us
}

// introduce says which run of which board speaks for the site.
func (c *Client) introduce(ctx context.Context, l *link) error {
	payload, err := json.Marshal(c.self)
	if err != nil {
		return err
	}
	// From here on another's word on this topic is not one of ours from before.
	c.mu.Lock()
	c.rival.introduced = time.Now()
	c.mu.Unlock()
	return l.publish(ctx, message{topic: c.topics.board(), payload: payload, retained: true})
}

// hear takes who somebody says to be. A word that the broker kept counts from the second connection on that finds
// one: a single one can be from before, of a broker that was put back to an older state.
func (c *Client) hear(payload []byte, retained bool) {
	var m boardMessage
	if len(payload) > maxBoard || json.Unmarshal(payload, &m) != nil || m.Run == "" || m.Run == c.self.Run {
		return
	}
	c.mu.Lock()
	known := !c.rival.introduced.IsZero()
	if known && retained && time.Since(c.rival.kept) > rivalStays {
		c.rival.kept = time.Now()
		known = false
	}
	c.mu.Unlock()
	if !known {
		return
	}
	if !hostForm.MatchString(m.Host) {
		m.Host = ""
	}
	c.meet(m.Host)
	c.nudge()
}

// meet notes that another board speaks for our site, and tells it once.
func (c *Client) meet(host string) {
	c.mu.Lock()
	r := &c.rival
	first := !r.warned
	r.noticed, r.warned, r.answer, r.host = time.Now(), true, r.answer || first, host
	c.mu.Unlock()
	if first {
		c.o.Log.Error(another(host), "site", c.o.Site, "client_id", c.o.ClientID)
	}
}

// rivalled reports whether another board speaks for our site, and its name where it is known.
func (c *Client) rivalled() (host string, ok bool) {
	c.mu.Lock()
	defer c.mu.Unlock()
	r := &c.rival
	ok = !r.noticed.IsZero() && time.Since(r.noticed) < rivalStays
	if !ok && r.warned {
		r.warned, r.host = false, ""
		c.o.Log.Info("no other board speaks for this site any more", "site", c.o.Site)
	}
	return r.host, ok
}

// speak says what somebody else's word calls for: that we are there, and who we are.
func (c *Client) speak(ctx context.Context, l *link) error {
	ctx, cancel := context.WithTimeout(ctx, c.pace.ack)
	defer cancel()
	// The will of an earlier connection can come after our birth: a broker took that one for dead late, or a cluster was
	// without a leader meanwhile and kept the two in the wrong order.
	if l.isMute(c.pace.online) {
		if err := c.sayOnline(ctx, l); err != nil {
			return err
		}
	}
	if _, ok := c.rivalled(); !ok {
		return nil
	}
	c.mu.Lock()
	due := c.rival.answer || time.Since(c.rival.introduced) >= rivalAnswer
	c.rival.answer = false
	c.mu.Unlock()
	if !due {
		return nil
	}
	return c.introduce(ctx, l)
}

// another is the sentence about a rival.
func another(host string) string {
	if host != "" {
		host = " (" + host + ")"
	}
	return "another board" + host + " speaks for this site, and each undoes what the other publishes; give each a site: of its own in its configuration"
}

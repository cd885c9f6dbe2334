package board

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"net"
	"net/url"
	"os"
	"strings"
	"time"

	"holdbell/configs"
	"holdbell/publish"
	"holdbell/publish/page"
	"holdbell/publish/phone"
	"holdbell/sensor"
)

// daemon asks the running one how old its last sweep is. What it says is kept for the looks after it.
func (b *board) daemon(ctx context.Context) (Finding, *page.StateReport) {
	const about, log = "daemon", "see what it says: journalctl -u holdbell -n 50"
	ctx, cancel := context.WithTimeout(ctx, patience)
	defer cancel()
	raw, err := b.state(ctx, b.socket)
	var refused *page.RefusedError
	switch {
	case errors.Is(err, fs.ErrPermission):
		return Finding{Look, about, "this user may not ask it on " + b.socket, "run this check with sudo, or: sudo adduser NAME holdbell"}, nil
	case errors.Is(err, page.ErrUnreachable) && ctx.Err() != nil:
		return Finding{Wrong, about, fmt.Sprintf("does not answer within %v on %s", patience, b.socket), log}, nil
	case errors.Is(err, page.ErrUnreachable):
		return Finding{Look, about, "does not run here: nobody watches", "sudo systemctl enable --now holdbell"}, nil
	case errors.As(err, &refused):
		return Finding{Look, about, "runs: " + refused.Text, "ask again in a minute"}, nil
	case err != nil:
		return Finding{Wrong, about, err.Error(), log}, nil
	}
	st := new(page.StateReport)
	if err := json.Unmarshal(raw, st); err != nil {
		return Finding{Wrong, about, "its answer cannot be read: " + err.Error(), "install the same version of holdbell for the daemon and for this check"}, nil
	}
	silent := 0
	for _, p := range st.Probes {
		if p.Celsius == nil {
			silent++
		}
	}
	switch {
	case st.Age == nil:
		return Finding{Look, about, "runs, and cannot say how old its last sweep is", "ask again in a minute"}, st
	case st.Stale:
		return Finding{Wrong, about, fmt.Sprintf("runs, and its last sweep is %s old: it does not watch", seconds(*st.Age)), log}, st
	case silent > 0:
		return Finding{Wrong, about, fmt.Sprintf("watches; its last sweep is %s old; %d of %d probes give no reading", seconds(*st.Age), silent, len(st.Probes)),
			"see which and why: holdbell check --probes"}, st
	}
	return Finding{OK, about, fmt.Sprintf("watches %d probes; its last sweep is %s old", len(st.Probes), seconds(*st.Age)), ""}, st
}

// inForce holds the configuration against that of the running daemon.
func (b *board) inForce() {
	const about = "config"
	switch mine := b.config.Hash; {
	case b.running == nil || b.running.Config == "":
		b.ok(about, mine)
	case b.running.Config != mine:
		b.look(about, fmt.Sprintf("%s, and the daemon runs %s", mine, b.running.Config), "sudo systemctl reload holdbell, and see what it says: journalctl -u holdbell -n 50")
	default:
		b.ok(about, mine+", and the daemon runs it")
	}
}

func seconds(s float64) string { return fmt.Sprintf("%.1f s", s) }

// broker knocks at the port of each MQTT broker and says nothing to it.
func (b *board) broker(ctx context.Context) {
	const about = "broker"
	m := b.config.MQTT
	switch {
	case m == nil:
		b.ok(about, "none is configured")
		return
	case m.Inside():
		b.ownBroker(ctx, about, m.Listen)
		return
	}
	for _, broker := range m.Brokers {
		u, err := url.Parse(broker)
		if err != nil || u.Host == "" {
			b.wrong(about, "its address cannot be read", "write one such as tcp://127.0.0.1:1883")
			continue
		}
		if err := b.knock(ctx, u.Host); err != nil {
			b.wrong(about, fmt.Sprintf("%s does not answer: %s", u.Host, reason(err)), "start the broker, or mend broker: under mqtt")
			continue
		}
		b.ok(about, u.Host+" answers")
	}
}

// ownBroker looks at the broker inside the daemon.
func (b *board) ownBroker(ctx context.Context, about, at string) {
	err := b.knock(ctx, at)
	switch {
	case b.running == nil && err != nil:
		b.ok(about, fmt.Sprintf("the daemon will bring it, at %s", at))
	case b.running == nil:
		b.wrong(about, fmt.Sprintf("another program has %s, where the daemon's own is to listen", at), "stop that program, or write another listen: under mqtt")
	case err != nil:
		b.wrong(about, fmt.Sprintf("the daemon's own does not answer at %s: %s", at, reason(err)), "see what it says: journalctl -u holdbell -n 50")
	default:
		b.ok(about, at+" answers")
	}
}

// receiver knocks at the port of remote write's receiver and sends nothing to it.
func (b *board) receiver(ctx context.Context) {
	const about = "remote write"
	w := b.config.RemoteWrite
	if w == nil {
		return
	}
	u, err := url.Parse(w.URL)
	if err != nil || u.Hostname() == "" {
		b.wrong(about, "its address cannot be read", "write one such as https://metrics.example/api/v1/write")
		return
	}
	host := u.Host
	if u.Port() == "" {
		host = net.JoinHostPort(u.Hostname(), map[string]string{"http": "80", "https": "443"}[u.Scheme])
	}
	if err := b.knock(ctx, host); err != nil {
		b.wrong(about, fmt.Sprintf("%s does not answer: %s", host, reason(err)), "start the receiver, or mend url: under remote_write; nothing is lost meanwhile")
		return
	}
	b.ok(about, host+" answers; the page says whether it takes the readings")
}

func (b *board) knock(ctx context.Context, at string) error {
	ctx, cancel := context.WithTimeout(ctx, patience)
	defer cancel()
	conn, err := b.dial(ctx, "tcp", at)
	if err == nil {
		conn.Close()
	}
	return err
}

// reason is a dialling error without the address that its sentence names already.
func reason(err error) string {
	var op *net.OpError
	if errors.As(err, &op) {
		if op.Timeout() {
			return fmt.Sprintf("no answer within %v", patience)
		}
		err = op.Err
	}
	var sys *os.SyscallError
	if errors.As(err, &sys) {
		return sys.Err.Error()
	}
	return err.Error()
}

// phones looks at the file of each target: there, for the daemon's user to read and for nobody else in the house.
func (b *board) phones(ctx context.Context) {
	if len(b.config.Phones) == 0 {
		b.look("phone", "none is configured: an alarm rings nobody", "add publish: { phone: [ { url_file: …, from: warning } ] }")
	}
	for i := range b.config.Phones {
		p := &b.config.Phones[i]
		if b.phoneFile(p) && b.test {
			b.ringOnce(ctx, p)
		}
	}
}

// phoneFile reports whether it is worth the while to send to it.
func (b *board) phoneFile(p *configs.Phone) bool {
	const about = "phone"
	file := p.URLFile
	handed := strings.HasPrefix(file, "$")
	if handed {
		real, err := publish.SecretPath(file)
		if err != nil {
			b.ok(about, file+": the service manager hands it to the daemon, and not to this check")
			return false
		}
		file = real
	}
	info, err := os.Stat(b.path(file))
	switch {
	case errors.Is(err, fs.ErrNotExist):
		b.wrong(about, p.URLFile+" is not there", fmt.Sprintf("write the phone's address into it, one line, then: sudo chown %s %s; sudo chmod 0600 %s", b.user.name, p.URLFile, p.URLFile))
		return false
	case err != nil:
		b.look(about, fmt.Sprintf("%s cannot be looked at: %s", p.URLFile, why(err)), "run this check with sudo")
		return false
	}
	if !info.Mode().IsRegular() { // a pipe would hold us for ever
		b.wrong(about, p.URLFile+" is no file", "write the phone's address into a file of one line, and name that")
		return false
	}
	is := fmt.Sprintf("%s: %s", p.URLFile, b.owned(info))
	mend := fmt.Sprintf("sudo chown %s %s; sudo chmod 0600 %s", b.user.name, p.URLFile, p.URLFile)
	switch {
	case !handed && !b.may(info, 4):
		b.wrong(about, fmt.Sprintf("%s: %s may not read it", is, b.user.name), mend)
		return true
	case info.Mode().Perm()&0o004 != 0:
		b.wrong(about, is+": everybody on this board may read the secret in it", mend)
		return true
	}
	if err := phone.CheckFile(b.path(file)); errors.Is(err, fs.ErrPermission) {
		b.look(about, is+": this user may not read it", "run this check with sudo")
		return false
	} else if err != nil {
		b.wrong(about, fmt.Sprintf("%s: %v", p.URLFile, err), "sudoedit "+p.URLFile)
		return false
	}
	b.ok(about, fmt.Sprintf("%s, rings from %s", is, p.From))
	return true
}

// ringOnce sends a test message and says what came of it.
func (b *board) ringOnce(ctx context.Context, p *configs.Phone) {
	const about = "phone test"
	if err := b.send(ctx, p); err != nil {
		b.wrong(about, fmt.Sprintf("%s: %v", p.URLFile, err), "mend the address in the file, or the network; a test can be sent again at any time")
		return
	}
	b.ok(about, p.URLFile+" took the message: see that the phone rang")
}

// ring sends through the daemon's own way to a phone.
func (b *board) ring(ctx context.Context, p *configs.Phone) error {
	file := p.URLFile
	if !strings.HasPrefix(file, "$") {
		file = b.path(file)
	}
	target, err := phone.New(phone.Options{
		Name: "test", URLFile: file, From: p.From, Site: b.config.Site, Page: b.config.HTTP.Address,
		Now: func() sensor.Instant { return sensor.Instant{Wall: time.Now(), Believed: true} },
		Log: slog.New(slog.DiscardHandler),
	})
	if err != nil {
		return err
	}
	return target.Test(ctx)
}

package phone

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"mime"
	"net/http"
	"strconv"
	"strings"
	"sync"
	"time"

	"github.com/nicholas-fedor/shoutrrr/pkg/router"
	"github.com/nicholas-fedor/shoutrrr/pkg/services/chat/discord"
	"github.com/nicholas-fedor/shoutrrr/pkg/services/chat/mattermost"
	"github.com/nicholas-fedor/shoutrrr/pkg/services/chat/rocketchat"
	"github.com/nicholas-fedor/shoutrrr/pkg/services/chat/telegram"
	"github.com/nicholas-fedor/shoutrrr/pkg/services/incident/pagerduty"
	"github.com/nicholas-fedor/shoutrrr/pkg/services/push/ntfy"
	"github.com/nicholas-fedor/shoutrrr/pkg/services/push/pushover"
	"github.com/nicholas-fedor/shoutrrr/pkg/types"
	"github.com/nicholas-fedor/shoutrrr/pkg/util/jsonclient"

	"holdbell/publish"
	"holdbell/rules"
)

// Some services of the library have no deadline and heed no context. A message of theirs that hangs keeps
// its target from ringing until it is given up, and so few may hang at once.
const (
	giveUp  = 10 * time.Minute
	maxHung = 4
)

// slot lets a target's messages through the library one at a time.
type slot struct {
	mu      sync.Mutex
	running int
	begun   time.Time
}

func (s *slot) enter() bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.running > 0 && (s.running >= maxHung || time.Since(s.begun) < giveUp) {
		return false
	}
	s.running++
	s.begun = time.Now()
	return true
}

func (s *slot) leave() {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.running--
}

// serve hands m to the service that t names, and waits for it no longer than ctx.
func (p *Phone) serve(ctx context.Context, t target, m message) error {
	if !p.service.enter() {
		return errors.New("an earlier message still hangs in its service")
	}
	done := make(chan error, 1)
	go func() {
		defer p.service.leave()
		done <- p.ring(ctx, t, m)
	}()
	select {
	case err := <-done:
		return err
	case <-ctx.Done():
		return cause(ctx.Err())
	}
}

// ring is one message through the library. Nothing of the library's errors goes on: they name addresses.
func (p *Phone) ring(ctx context.Context, t target, m message) (err error) {
	defer func() {
		switch {
		case recover() == nil:
		case t.scheme == "zulip": // its code fails so whenever its host cannot be reached
			err = errors.New("the service cannot be reached, or its code failed on the message")
		default:
			err = publish.Permanent(errors.New("the service's code failed on the message"))
		}
	}()
	sender, err := new(router.ServiceRouter).Locate(t.raw)
	if err != nil {
		return errors.New("the service does not take the phone's address; compare it with the service's documentation")
	}
	if s, ok := sender.(*telegram.Service); ok {
		return p.telegram(ctx, s.GetConfig(), m)
	}
	p.refit(ctx, sender)
	params := types.Params{}
	body := m.body
	switch {
	case t.scheme == "smtp":
		// A header is ASCII; RFC 2047 carries the rest.
		params.SetTitle(mime.QEncoding.Encode("utf-8", m.title))
	case titled(t):
		params.SetTitle(m.title)
	default:
		body = m.title + "\n" + body
	}
	if key, value := highest(t.scheme, m); key != "" {
		params[key] = value
	}
	err = sender.Send(body, &params)
	var answer jsonclient.Error
	var said *answered
	switch {
	case err == nil:
		return nil
	case errors.As(err, &said):
		return said.err
	case errors.As(err, &answer) && answer.StatusCode >= 300:
		return refusal(answer.StatusCode)
	}
	return errors.New("the service did not take the message")
}

// refit gives a service our own client where the library lets us: its answers are judged as those of a plain push,
// no redirect swallows the message, and it ends with its deadline. Discord's would else try for half a minute by itself.
func (p *Phone) refit(ctx context.Context, sender types.Service) {
	client := &http.Client{Transport: &judged{ctx, p}}
	switch s := sender.(type) {
	case *discord.Service:
		s.HTTPClient = client
	case *mattermost.Service:
		*s.GetHTTPClient() = *client
	case *rocketchat.Service:
		s.Client = client
	case *ntfy.Service:
		if !s.Config.DisableTLSVerification {
			s.SetHTTPClient(client)
		}
	case *pagerduty.Service:
		s.SetHTTPClient(client)
		if s.Config.Port == 0 { // the library's own default for an address without a port is lost on the way
			s.Config.Port = 443
		}
	case *pushover.Service:
		s.Client = client
	}
}

// judged is a round trip of a service's that ends with ctx and whose answer is judged.
type judged struct {
	ctx context.Context
	p   *Phone
}

// answered is what was made of an answer, on its way through the library.
type answered struct{ err error }

func (a *answered) Error() string { return a.err.Error() }

// RoundTrip implements http.RoundTripper.
func (j *judged) RoundTrip(r *http.Request) (*http.Response, error) {
	trip := j.p.client.Transport
	if trip == nil {
		trip = http.DefaultTransport
	}
	res, err := trip.RoundTrip(r.WithContext(j.ctx))
	if err != nil {
		return nil, &answered{cause(err)}
	}
	if err := j.p.judge(res); err != nil {
		_ = res.Body.Close()
		return nil, &answered{err}
	}
	return res, nil
}

// telegram sends m to each chat of an address. The library takes a network that is down for a message that was sent,
// so the request is ours: https://core.telegram.org/bots/api#sendmessage.
func (p *Phone) telegram(ctx context.Context, c *telegram.Config, m message) error {
	for _, chat := range c.Chats {
		id, thread, _ := strings.Cut(chat, ":")
		said := map[string]any{"chat_id": id, "text": m.title + "\n" + m.body,
			"disable_notification": !c.Notification, "link_preview_options": map[string]bool{"is_disabled": !c.Preview}}
		if n, err := strconv.Atoi(thread); err == nil {
			said["message_thread_id"] = n
		}
		body, err := json.Marshal(said)
		if err != nil {
			return publish.Permanent(fmt.Errorf("the message cannot be written: %w", err))
		}
		req, err := http.NewRequestWithContext(ctx, http.MethodPost, "https://api.telegram.org/bot"+c.Token+"/sendMessage", bytes.NewReader(body))
		if err != nil {
			return errors.New("no request can be made of the phone's address; write it anew")
		}
		req.Header.Set("Content-Type", "application/json")
		if err := p.exchange(req); err != nil {
			return err
		}
	}
	return nil
}

// titled reports whether a service brings a title along. To some others a title is an error; matrix, mattermost and
// ifttt take it and do not send it, nor does generic without a template.
func titled(t target) bool {
	switch t.scheme {
	case "generic":
		return strings.Contains(t.raw, "template=")
	case "bark", "discord", "gotify", "join", "lark", "ntfy",
		"opsgenie", "pushbullet", "pushover", "slack", "smtp", "teams":
		return true
	}
	return false
}

// highest gives the setting by which a service rings its loudest, for what is critical. Others ring as
// their address says.
func highest(scheme string, m message) (key, value string) {
	if m.over || m.loud != rules.Critical {
		return "", ""
	}
	switch scheme {
	case "ntfy":
		return "priority", "5"
	case "gotify":
		return "priority", "10"
	case "pushover":
		// 2 would repeat until acknowledged, but this version of the library does not send it.
		return "priority", "1"
	case "opsgenie":
		return "priority", "P1"
	case "pagerduty":
		return "severity", "critical"
	}
	return "", ""
}

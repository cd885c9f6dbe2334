package phone

import (
	"context"
	"errors"
	"sync"
	"time"

	"github.com/nicholas-fedor/shoutrrr/pkg/router"
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

// send hands m to the service that t names, and waits for it no longer than ctx.
func (s *slot) send(ctx context.Context, t target, m message) error {
	if !s.enter() {
		return errors.New("an earlier message still hangs in its service")
	}
	done := make(chan error, 1)
	go func() {
		defer s.leave()
		done <- ring(t, m)
	}()
	select {
	case err := <-done:
		return err
	case <-ctx.Done():
		return cause(ctx.Err())
	}
}

// ring is one message through the library. Nothing of the library's errors goes on: they name addresses.
func ring(t target, m message) (err error) {
	defer func() {
		if recover() != nil {
			err = publish.Permanent(errors.New("the service's code failed on the message"))
		}
	}()
	sender, err := new(router.ServiceRouter).Locate(t.raw)
	if err != nil {
		return errors.New("the service does not take the phone's address; compare it with the service's documentation")
	}
	params := types.Params{}
	body := m.body
	if titled(t.scheme) {
		params.SetTitle(m.title)
	} else {
		body = m.title + "\n" + body
	}
	if key, value := highest(t.scheme, m); key != "" {
		params[key] = value
	}
	err = sender.Send(body, &params)
	var answer jsonclient.Error
	switch {
	case err == nil:
		return nil
	case errors.As(err, &answer) && answer.StatusCode >= 300:
		return refusal(answer.StatusCode)
	}
	return errors.New("the service did not take the message")
}

// titled reports whether a service knows a title. To another, a title is an error.
func titled(scheme string) bool {
	switch scheme {
	case "bark", "discord", "generic", "gotify", "ifttt", "join", "lark", "matrix", "mattermost", "ntfy",
		"opsgenie", "pushbullet", "pushover", "slack", "smtp", "teams", "telegram":
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
	}
	return "", ""
}

package phone

import (
	"context"
	"encoding/json"
	"errors"
	"net/http"
	"net/http/httptest"
	"reflect"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/nicholas-fedor/shoutrrr/pkg/format"
	"github.com/nicholas-fedor/shoutrrr/pkg/router"
	"github.com/nicholas-fedor/shoutrrr/pkg/types"

	"holdbell/publish"
	"holdbell/rules"
)

func TestAServiceGetsTitleAndPriority(t *testing.T) {
	var got struct {
		Message, Title string
		Priority       int
	}
	host := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if err := json.NewDecoder(r.Body).Decode(&got); err != nil {
			t.Error(err)
		}
		w.Write([]byte("{}"))
	}))
	defer host.Close()
	p := phoneTo(t, "gotify://"+host.Listener.Addr().String()+"/Aabcdefghijklmn?disabletls=yes", nil, nil)
	ev := event(p, 1, rules.AlarmRaised, rules.Critical)
	if err := p.Deliver(within(t), "led", ev); err != nil {
		t.Fatal(err)
	}
	if got.Title != "warmer: critical" || got.Priority != 10 || got.Message != ev.Text+" Kitchen: demo-kitchen." {
		t.Errorf("the service gets %+v", got)
	}
	ev = event(p, 2, rules.AlarmCleared, rules.Critical)
	if err := p.Deliver(within(t), "led", ev); err != nil || got.Priority == 10 {
		t.Errorf("an end rings as loud as its alarm: %+v (%v)", got, err)
	}
}

// TestServicesKnowOurSettings asks the library whether it knows the names of what we set: to most of its
// services an unknown one is an error, and the phone would stay silent.
func TestServicesKnowOurSettings(t *testing.T) {
	asked := 0
	for _, scheme := range new(router.ServiceRouter).ListServices() {
		s, err := new(router.ServiceRouter).NewService(scheme)
		if err != nil {
			t.Fatal(err)
		}
		field := reflect.ValueOf(s).Elem().FieldByName("Config")
		if !field.IsValid() {
			t.Logf("%s has no settings that can be asked for", scheme)
			continue
		}
		config, ok := reflect.New(field.Type().Elem()).Interface().(types.ServiceConfig)
		if !ok {
			t.Fatalf("%s has settings of another kind", scheme)
		}
		resolver := format.NewPropKeyResolver(config)
		for _, over := range []bool{false, true} {
			if key, value := highest(scheme, message{loud: rules.Critical, over: over}); key != "" {
				if err := resolver.Set(key, value); err != nil || over {
					t.Errorf("%s, over %v: %s=%s: %v", scheme, over, key, value, err)
				}
				asked++
			}
		}
		if titled(target{scheme: scheme, raw: "template="}) {
			if err := resolver.Set("title", "warmer: critical"); err != nil {
				t.Errorf("%s knows no title: %v", scheme, err)
			}
			asked++
		}
	}
	if asked < 15 {
		t.Errorf("only %d settings were asked for", asked)
	}
}

func TestServicesThatHang(t *testing.T) {
	release := make(chan struct{})
	calls := make(chan struct{}, 100)
	host := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		calls <- struct{}{}
		<-release
	}))
	defer host.Close()
	p := phoneTo(t, "generic://"+host.Listener.Addr().String()+"/?disabletls=yes", nil, nil)
	ev := event(p, 1, rules.AlarmRaised, rules.Critical)
	ctx, cancel := context.WithCancel(t.Context())
	go func() { <-calls; cancel() }()
	if err := p.Deliver(ctx, "led", ev); !errors.Is(err, context.Canceled) {
		t.Errorf("the end of the context gives %v", err)
	}
	for range 5 {
		err := p.Deliver(within(t), "led", ev)
		if err == nil || publish.IsPermanent(err) || !strings.Contains(err.Error(), "still hangs") {
			t.Errorf("beside a message that hangs: %v", err)
		}
	}
	if n := len(calls); n != 0 {
		t.Errorf("%d more messages were stacked", n)
	}
	close(release)
	for p.Deliver(within(t), "led", ev) != nil {
		if t.Context().Err() != nil {
			t.Fatal("the target does not come back")
		}
	}
}

func TestTheSlotGivesUpWhatHangs(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var s slot
		for i := range maxHung {
			if !s.enter() {
				t.Fatalf("message %d does not get in", i+1)
			}
			time.Sleep(giveUp - time.Second)
			if s.enter() {
				t.Fatalf("message %d is given up too early", i+1)
			}
			time.Sleep(time.Second)
		}
		if s.enter() {
			t.Errorf("more than %d hang at once", maxHung)
		}
		s.leave()
		if !s.enter() {
			t.Error("one that came back makes no room")
		}
	})
}

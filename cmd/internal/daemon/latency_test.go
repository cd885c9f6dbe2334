package daemon

import (
	"context"
	"encoding/json"
	"log/slog"
	"net"
	"path/filepath"
	"slices"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"

	"holdbell/configs"
	"holdbell/sensor"
)

// BenchmarkCrossingToSubscriber is the way of a fact: from the sweep that crosses the limit through the
// rules, one durable commit and the courier to a subscriber of the broker inside the daemon. The verdict
// has no raise delay, so the commit is all that stands between.
func BenchmarkCrossingToSubscriber(b *testing.B) {
	cfg, err := configs.Parse("bench.yaml", []byte(onPort("127.0.0.1:0")+"  mqtt: { broker: embedded, listen: \"127.0.0.1:0\" }\n"))
	if err != nil {
		b.Fatal(err)
	}
	l := newLine(noon(), 2, true)
	at := make(chan net.Addr, 4)
	d, err := New(cfg, Options{
		Open: func(*configs.Config, sensor.Instant) (*Feed, error) {
			return &Feed{Source: l, Now: l.now, Script: l.script}, nil
		},
		Ledger: filepath.Join(b.TempDir(), "l.db"), Log: slog.New(slog.DiscardHandler),
		Listening: func(what string, a net.Addr) {
			if what != "page" {
				at <- a
			}
		},
	})
	if err != nil {
		b.Fatal(err)
	}
	ctx, stop := context.WithCancel(b.Context())
	ended := make(chan error, 1)
	go func() { ended <- d.Run(ctx) }()
	verdicts := make(chan struct{}, 16)
	client := paho.NewClient(paho.NewClientOptions().AddBroker("tcp://" + (<-at).String()).SetClientID("subscriber"))
	if t := client.Connect(); !t.WaitTimeout(10*time.Second) || t.Error() != nil {
		b.Fatal("no connection to the broker", t.Error())
	}
	client.Subscribe("holdbell/+/event", 1, func(_ paho.Client, m paho.Message) {
		var ev struct{ Kind string }
		if json.Unmarshal(m.Payload(), &ev) == nil && ev.Kind == "verdict" {
			verdicts <- struct{}{}
		}
	}).WaitTimeout(10 * time.Second)
	hear := func() {
		select {
		case <-verdicts:
		case <-time.After(20 * time.Second):
			b.Fatal("no verdict came")
		}
	}
	// Food that falls by more than 9 °F in a second would be taken for a loose probe: each way has a step.
	l.play(400, 150).play(1, 142).play(1, 134) // armed, and the first fall
	hear()
	var took []time.Duration
	for b.Loop() {
		l.play(1, 142).play(70, 150) // back and settled: act, but for another reason
		hear()
		l.play(1, 142)
		begun := time.Now()
		l.play(1, 134)
		hear()
		took = append(took, time.Since(begun))
	}
	slices.Sort(took)
	b.ReportMetric(float64(took[len(took)/2].Microseconds())/1000, "p50-ms")
	b.ReportMetric(float64(took[len(took)*99/100].Microseconds())/1000, "p99-ms")
	client.Disconnect(100)
	stop()
	<-ended
}

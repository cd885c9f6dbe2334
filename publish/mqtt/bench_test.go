package mqtt

import (
	"slices"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"

	"holdbell/publish/publishtest"
	"holdbell/rules"
	"holdbell/sensor"
)

// measured reports p50 and p99 of what f takes.
func measured(b *testing.B, f func(i int)) {
	var took []time.Duration
	for i := 0; b.Loop(); i++ {
		begun := time.Now()
		f(i)
		took = append(took, time.Since(begun))
	}
	slices.Sort(took)
	b.ReportMetric(float64(took[len(took)/2].Microseconds()), "p50-µs")
	b.ReportMetric(float64(took[len(took)*99/100].Microseconds()), "p99-µs")
}

func benchBrokers(b *testing.B, f func(b *testing.B, h *host)) {
	b.Run("mosquitto", func(b *testing.B) { f(b, mosquitto(b, "allow_anonymous true\n")) })
	b.Run("embedded", func(b *testing.B) { f(b, embedded(b, BrokerOptions{})) })
}

// subscriber counts what comes for one topic.
func subscriber(b *testing.B, h *host, topic string) chan struct{} {
	mc := rawClient(b, paho.NewClientOptions().AddBroker("tcp://"+h.addr))
	came := make(chan struct{}, 1<<16)
	done(b, mc.Subscribe(topic, 1, func(paho.Client, paho.Message) { came <- struct{}{} }))
	return came
}

// BenchmarkDeliver is from Deliver to the acknowledgement.
func BenchmarkDeliver(b *testing.B) {
	benchBrokers(b, func(b *testing.B, h *host) {
		c, _ := run(b, h.own(options()))
		_, err := c.connected(b.Context())
		must(b, err)
		ev := publishtest.Events(1)[0]
		measured(b, func(int) { must(b, c.Deliver(b.Context(), "l", ev)) })
	})
}

// BenchmarkDeliverToSubscriber is from Deliver to a subscriber's handler.
func BenchmarkDeliverToSubscriber(b *testing.B) {
	benchBrokers(b, func(b *testing.B, h *host) {
		came := subscriber(b, h, site+"event")
		c, _ := run(b, h.own(options()))
		_, err := c.connected(b.Context())
		must(b, err)
		ev := publishtest.Events(1)[0]
		measured(b, func(int) {
			must(b, c.Deliver(b.Context(), "l", ev))
			<-came
		})
	})
}

// BenchmarkShowToSubscriber is from a sweep of eight probes and lots, with the alarm changed, to the alarm at a
// subscriber's handler.
func BenchmarkShowToSubscriber(b *testing.B) {
	benchBrokers(b, func(b *testing.B, h *host) {
		came := subscriber(b, h, alarmTopic)
		c, _ := run(b, h.own(options()))
		_, err := c.connected(b.Context())
		must(b, err)
		measured(b, func(i int) {
			c.Show(busy(i))
			<-came
		})
	})
}

// BenchmarkItems is the work of one sweep in which only figures run.
func BenchmarkItems(b *testing.B) {
	o := options()
	o.Brokers = []string{"tcp://127.0.0.1:1883"}
	c, err := New(o)
	must(b, err)
	st := busy(1)
	b.ReportAllocs()
	for b.Loop() {
		c.items(st)
	}
}

// busy is a state of eight probes and lots and one alarm, in which all differs from that of i-1.
func busy(i int) *rules.State {
	st := shift(uint64(i))
	st.Alarms[0].Seq = uint64(i)
	for n := range 7 {
		p, l := st.Probes[0], st.Lots[0]
		p.Name, l.Lot = p.Name+string(rune('a'+n)), l.Lot+string(rune('a'+n))
		st.Probes, st.Lots = append(st.Probes, p), append(st.Lots, l)
	}
	for n := range st.Probes {
		st.Probes[n].Reading.Temp += sensor.Temp(i % 1000)
	}
	return st
}

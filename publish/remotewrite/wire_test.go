package remotewrite

import (
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"net/http"
	"net/http/httptest"
	"sync"
	"testing"

	"holdbell/sensor"
)

// TestEveryBodyIsWhatWasSent: over 1,000 requests by several senders at once, through one client and its connections,
// every body decodes to the samples that were given, bit for bit.
func TestEveryBodyIsWhatWasSent(t *testing.T) {
	const calls, senders = 1000, 4
	for _, protocol := range []Protocol{V1, V2} {
		t.Run(string(protocol), func(t *testing.T) {
			var mu sync.Mutex
			bodies := map[string]map[got]int{} // by the value of the label sender
			far := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
				body, err := io.ReadAll(r.Body)
				if err != nil {
					t.Error(err)
				}
				samples, err := decode(r.Header, body)
				if err != nil {
					t.Error(err)
					return
				}
				w.Header().Set("X-Prometheus-Remote-Write-Samples-Written", fmt.Sprint(len(samples)))
				mu.Lock()
				defer mu.Unlock()
				all := map[got]int{}
				for _, g := range samples {
					all[keyed(g)]++
				}
				bodies[r.URL.Query().Get("n")] = all
			}))
			defer far.Close()
			b := newBoard(t)
			var wg sync.WaitGroup
			for k := range senders {
				wg.Go(func() {
					chance := rand.New(rand.NewPCG(7, uint64(k)))
					w, err := New(Options{URL: far.URL, Site: "s", Version: "1", Record: b.shelf, Newest: b.shelf.newest, Recent: b.recent, Gather: noFamilies, Now: b.now})
					if err != nil {
						t.Error(err)
						return
					}
					for i := range calls / senders {
						n := fmt.Sprint(k, "-", i)
						w.o.URL = far.URL + "/?n=" + n
						samples := someSamples(chance)
						if a := w.post(t.Context(), protocol, samples); a.verdict != taken {
							t.Errorf("%+v", a)
						}
						mu.Lock()
						have := bodies[n]
						delete(bodies, n)
						mu.Unlock()
						for _, s := range samples {
							name, err := named(pairs(s.series.labels))
							if err != nil {
								t.Error(err)
							}
							have[keyed(got{name, s.at, s.value})]--
						}
						for g, left := range have {
							if left != 0 {
								t.Errorf("call %s: %+v is there %d times too often", n, g, left)
							}
						}
						if len(have) != len(samples) {
							t.Errorf("call %s: %d samples of %d", n, len(have), len(samples))
						}
					}
				})
			}
			wg.Wait()
		})
	}
}

// keyed makes a sample comparable: NaNs are no keys of a map.
func keyed(g got) got {
	if math.IsNaN(g.value) {
		g.series += fmt.Sprintf("%x", math.Float64bits(g.value))
		g.value = 0
	}
	return g
}

func pairs(labels []label) (all [][2]string) {
	for _, l := range labels {
		all = append(all, [2]string{l.name, l.value})
	}
	return all
}

// someSamples are of a few series, at increasing times, with labels and values of all kinds.
func someSamples(chance *rand.Rand) []sample {
	var kinds []*series
	for i := range 1 + chance.IntN(12) {
		name := label{"probe", fmt.Sprintf("ä\x00%d", i)}
		kinds = append(kinds, newSeries(label{"__name__", Up}, name, label{"station", ""}, label{"role", "food"}))
	}
	var all []sample
	at := int64(chance.Uint64N(1 << 42))
	for range 1 + chance.IntN(20) {
		at += 1 + chance.Int64N(5000)
		for _, s := range kinds {
			value := math.Float64frombits(chance.Uint64())
			if chance.IntN(8) == 0 {
				value = staleMarker()
			}
			all = append(all, sample{s, at, value})
		}
	}
	return all
}

// The bytes of a small request, worked out by hand from the published messages.
func TestGoldenBytes(t *testing.T) {
	a := newSeries(label{"site", "k"}, label{"__name__", "up"}, label{"empty", ""})
	samples := []sample{{a, 1, 1}, {a, 300, staleMarker()}}
	one := "\x12\x0b\x09\x00\x00\x00\x00\x00\x00\xf0\x3f\x10\x01" + "\x12\x0c\x09\x02\x00\x00\x00\x00\x00\xf0\x7f\x10\xac\x02"
	v1 := "\x0a\x36" + "\x0a\x0e\x0a\x08__name__\x12\x02up" + "\x0a\x09\x0a\x04site\x12\x01k" + one
	if got := string(encodeV1(nil, samples)); got != v1 {
		t.Errorf("1.0 gives\n%q want\n%q", got, v1)
	}
	v2 := "\x22\x00\x22\x08__name__\x22\x02up\x22\x04site\x22\x01k" + "\x2a\x21\x0a\x04\x01\x02\x03\x04" + one
	if got := string(encodeV2(nil, samples)); got != v2 {
		t.Errorf("2.0 gives\n%q want\n%q", got, v2)
	}
	if math.Float64bits(staleMarker()) != 0x7ff0000000000002 {
		t.Errorf("the stale marker is %x", math.Float64bits(staleMarker()))
	}
}

func TestRowsFollowALayout(t *testing.T) {
	same := func(r sensor.Reading) sensor.Reading { return r }
	p := &probe{newSeries(label{"__name__", "t"}), newSeries(label{"__name__", "u"}), same}
	r := rows{probes: map[string]*probe{"b": p}}
	s := &sensor.Sweep{Readings: []sensor.Reading{{Temp: 1000}, {Temp: 2000}}}
	all, gone := r.samples(nil, []string{"a", "b"}, s)
	if len(all) != 2 || all[0].value != 2 || gone != 1 {
		t.Errorf("%+v, %d gone", all, gone)
	}
	s.Readings = s.Readings[:1]
	if all, gone = r.samples(nil, []string{"b"}, s); len(all) != 2 || all[0].value != 1 || gone != 0 {
		t.Errorf("%+v, %d gone", all, gone)
	}
}

package condition_test

import (
	"errors"
	"io"
	"os"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"holdbell/sensor"
	"holdbell/sensor/condition"
	"holdbell/sensor/recording"
)

// channel is one column of a recording with what the filter made of it.
type channel struct {
	name     string
	celsius  []float64
	rejected []bool
	count    int
}

// conditioned runs a recording of testdata through one filter a column.
func conditioned(t *testing.T, file string, s condition.Settings) []channel {
	t.Helper()
	in, err := os.Open(filepath.Join("testdata", file))
	if err != nil {
		t.Fatal(err)
	}
	defer in.Close()
	rec, err := recording.Open(in, file, nil)
	if err != nil {
		t.Fatal(err)
	}
	out := make([]channel, len(rec.Probes()))
	filters := make([]condition.Filter, len(out))
	for i, name := range rec.Probes() {
		out[i].name = name
	}
	for {
		sweep, err := rec.Next(t.Context())
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
		for i, r := range sweep.Readings {
			if !r.Valid() {
				t.Fatalf("%s at %v: %v in a recording that has no fault", out[i].name, sweep.At.Mono, r.Fault)
			}
			got := filters[i].Pass(&s, sweep.At.Mono, r)
			reject := got.Fault == sensor.Spike
			if !reject && got != r {
				t.Fatalf("%s at %v: %+v became %+v", out[i].name, sweep.At.Mono, r, got)
			}
			if reject {
				out[i].count++
			}
			out[i].celsius = append(out[i].celsius, r.Temp.Celsius())
			out[i].rejected = append(out[i].rejected, reject)
		}
	}
	return out
}

// TestTrueSwingsPass: in three recordings without a drop-out no reading is rejected, whatever kind the probe is
// said to be of. The rows of two lie so far apart that nothing may be.
func TestTrueSwingsPass(t *testing.T) {
	for file, rows := range map[string]int{"carolfire_pt24.csv": 3767, "nist_e119_test3.csv": 362, "nab_ambient.csv": 7267} {
		for k := condition.OpenAir; k <= condition.FoodCore; k++ {
			s := condition.Default()
			s.MaxSlew = k.MaxSlew()
			for _, c := range conditioned(t, file, s) {
				if len(c.celsius) != rows {
					t.Errorf("%s: %d rows, want %d", file, len(c.celsius), rows)
				}
				if c.count != 0 {
					t.Errorf("%s: %d readings of %s rejected at %v a second", file, c.count, c.name, s.MaxSlew)
				}
			}
		}
	}
}

// envelope is the largest value within seven samples to either side: the drop-outs of the recording lead
// down alone, none lasts so long, and the true air changes by less than 2 °C meanwhile. A running median would
// not do: in the second half most samples are drop-outs.
func envelope(v []float64) []float64 {
	out := make([]float64, len(v))
	for i := range v {
		out[i] = slices.Max(v[max(0, i-7):min(len(v), i+8)])
	}
	return out
}

// score is how many drop-outs of more than depth there are, and how well the rejections match them: the
// share of them that was rejected, and the share of the rejections that are some.
func score(c channel, depth float64) (dropouts int, recall, precision float64) {
	truth := envelope(c.celsius)
	hit := 0
	for i, v := range c.celsius {
		if truth[i]-v > depth {
			dropouts++
			if c.rejected[i] {
				hit++
			}
		}
	}
	return dropouts, float64(hit) / float64(dropouts), float64(hit) / float64(c.count)
}

// runs counts the runs of drop-outs, and the samples of the longest.
func runs(c channel, depth float64) (n, longest int) {
	truth, length := envelope(c.celsius), 0
	for i, v := range c.celsius {
		if truth[i]-v <= depth {
			length = 0
			continue
		}
		if length++; length == 1 {
			n++
		}
		longest = max(longest, length)
	}
	return n, longest
}

func TestDropoutsAreRejected(t *testing.T) {
	for _, c := range conditioned(t, "carolfire_pt23.csv", condition.Default()) {
		if c.name != "air" {
			if c.count != 0 {
				t.Errorf("%d readings of %s rejected, which is clean", c.count, c.name)
			}
			continue
		}
		if first := slices.Index(c.rejected, true); first < 1178 {
			t.Errorf("row %d is rejected, before the first drop-out", first)
		}
		// Deeper than 50 °C: all but a handful. From 25 °C on, which the limit lets pass within a second or
		// so: nearly all, and hardly anything else.
		if n, recall, _ := score(c, 50); n < 1600 || recall < 0.99 {
			t.Errorf("of %d drop-outs over 50 °C, %.1f %% were rejected", n, 100*recall)
		}
		n, recall, precision := score(c, 25)
		if n < 1700 || recall < 0.95 || precision < 0.98 {
			t.Errorf("of %d drop-outs over 25 °C, %.1f %% were rejected; %.1f %% of the rejections are such", n, 100*recall, 100*precision)
		}
	}
}

// TestLimitIsNoEdge: the default stands in the middle of limits that do as well, not at an edge; so do the kinds'.
func TestLimitIsNoEdge(t *testing.T) {
	for _, slew := range []sensor.Temp{condition.FoodCore.MaxSlew(), condition.CabinetAir.MaxSlew(), 15_000, 18_000, 20_000, 22_000, 25_000} {
		air := conditioned(t, "carolfire_pt23.csv", condition.Settings{MaxSlew: slew, Bridge: 5 * time.Second})[0]
		// A lower limit must not miss what the default finds, and may only find more that is deeper than itself.
		depth := min(25, slew.Celsius())
		n, recall, _ := score(air, 25)
		_, _, precision := score(air, depth)
		bad, longest := runs(air, 25)
		t.Logf("%v a second: %d drop-outs over 25 °C in %d runs of up to %d, recall %.3f; %d rejected, of which over %.0f °C %.3f", slew, n, bad, longest, recall, air.count, depth, precision)
		if longest < 3 {
			t.Errorf("the longest run of drop-outs has %d samples: the recording is not what it was", longest)
		}
		// The kinds' own lower limits suit other places: here, between drop-outs, they doubt a true reading in twenty.
		if recall < 0.95 || precision < 0.98 && slew >= 15_000 || precision < 0.94 {
			t.Errorf("at %v a second recall is %.3f and precision %.3f", slew, recall, precision)
		}
	}
}

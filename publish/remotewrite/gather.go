package remotewrite

import (
	"maps"
	"slices"
	"strconv"
	"strings"

	dto "github.com/prometheus/client_model/go"
)

// gathered are the samples of the families of ours, all at one time, but for the two that go out with every sweep.
func gathered(families []*dto.MetricFamily, site string, at int64) []sample {
	var all []sample
	for _, f := range families {
		name := f.GetName()
		if !strings.HasPrefix(name, "holdbell_") || name == Temperature || name == Up {
			continue
		}
		for _, m := range f.GetMetric() {
			give := func(suffix string, value float64, more ...label) {
				labels := append(outside(site), label{nameLabel, name + suffix})
				for _, l := range m.GetLabel() {
					labels = append(labels, label{l.GetName(), l.GetValue()})
				}
				all = append(all, sample{newSeries(append(labels, more...)...), at, value})
			}
			flatten(m, give)
		}
	}
	return all
}

// flatten gives a metric's samples as a scrape would name them. We have no summaries.
func flatten(m *dto.Metric, give func(suffix string, value float64, more ...label)) {
	switch {
	case m.Gauge != nil:
		give("", m.GetGauge().GetValue())
	case m.Counter != nil:
		give("", m.GetCounter().GetValue())
	case m.Histogram != nil:
		h := m.GetHistogram()
		for _, b := range h.GetBucket() {
			give("_bucket", float64(b.GetCumulativeCount()), label{"le", strconv.FormatFloat(b.GetUpperBound(), 'g', -1, 64)})
		}
		give("_bucket", float64(h.GetSampleCount()), label{"le", "+Inf"})
		give("_sum", h.GetSampleSum())
		give("_count", float64(h.GetSampleCount()))
	}
}

// standingSeries are the gathered series that the receiver has, by key.
type standingSeries map[string]*series

// with appends a stale marker for each series that now does not give any more, and gives what stands then.
func (s standingSeries) with(now []sample, at int64) ([]sample, standingSeries) {
	next := make(standingSeries, len(now))
	for _, smp := range now {
		next[smp.series.key()] = smp.series
	}
	for _, key := range slices.Sorted(maps.Keys(s)) {
		if _, ok := next[key]; !ok {
			now = append(now, sample{s[key], at, staleMarker()})
		}
	}
	return now, next
}

package remotewrite

import (
	"math"

	"google.golang.org/protobuf/encoding/protowire"
)

// Protocol is a version of remote write.
type Protocol string

// The protocols. Auto tries 2.0 once, and goes on with 1.0 where the receiver does not say what it wrote: one that
// knows 1.0 alone may answer 204 to a 2.0 request and keep nothing of it.
const (
	V1   Protocol = "1.0"
	V2   Protocol = "2.0"
	Auto Protocol = "auto"
)

// grouped gives the places of the samples of each series, in the order in which the series first appear. Samples keep
// their order.
func grouped(samples []sample) (order []*series, of map[*series][]int) {
	of = make(map[*series][]int)
	for i := range samples {
		s := samples[i].series
		if _, ok := of[s]; !ok {
			order = append(order, s)
		}
		of[s] = append(of[s], i)
	}
	return order, of
}

// encodeV1 appends a prometheus.WriteRequest (Prometheus Remote-Write 1.0 specification, "Protocol"): timeseries = 1
// of labels = 1 (name = 1, value = 2) and samples = 2 (value = 1, timestamp = 2).
func encodeV1(b []byte, samples []sample) []byte {
	order, of := grouped(samples)
	var one, part []byte
	for _, s := range order {
		one = one[:0]
		for _, l := range s.labels {
			part = protowire.AppendTag(part[:0], 1, protowire.BytesType)
			part = protowire.AppendString(part, l.name)
			part = protowire.AppendTag(part, 2, protowire.BytesType)
			part = protowire.AppendString(part, l.value)
			one = protowire.AppendTag(one, 1, protowire.BytesType)
			one = protowire.AppendBytes(one, part)
		}
		one, part = appendSamples(one, part, samples, of[s])
		b = protowire.AppendTag(b, 1, protowire.BytesType)
		b = protowire.AppendBytes(b, one)
	}
	return b
}

// encodeV2 appends an io.prometheus.write.v2.Request (Prometheus Remote-Write 2.0 specification, 2.0-rc.4, "Protobuf
// Message"): symbols = 4, of which the first is empty, and timeseries = 5 of labels_refs = 1 and samples = 2.
func encodeV2(b []byte, samples []sample) []byte {
	order, of := grouped(samples)
	symbols, refs := []string{""}, map[string]uint64{"": 0}
	ref := func(s string) uint64 {
		n, ok := refs[s]
		if !ok {
			n = uint64(len(symbols))
			symbols, refs[s] = append(symbols, s), n
		}
		return n
	}
	var all, one, part []byte
	for _, s := range order {
		part = part[:0]
		for _, l := range s.labels {
			part = protowire.AppendVarint(part, ref(l.name))
			part = protowire.AppendVarint(part, ref(l.value))
		}
		one = protowire.AppendTag(one[:0], 1, protowire.BytesType)
		one = protowire.AppendBytes(one, part)
		one, part = appendSamples(one, part, samples, of[s])
		all = protowire.AppendTag(all, 5, protowire.BytesType)
		all = protowire.AppendBytes(all, one)
	}
	for _, s := range symbols {
		b = protowire.AppendTag(b, 4, protowire.BytesType)
		b = protowire.AppendString(b, s)
	}
	return append(b, all...)
}

// appendSamples appends field 2 of a series, alike in both versions. part is room to work in.
func appendSamples(b, part []byte, samples []sample, places []int) (all, room []byte) {
	for _, i := range places {
		part = protowire.AppendTag(part[:0], 1, protowire.Fixed64Type)
		part = protowire.AppendFixed64(part, math.Float64bits(samples[i].value))
		part = protowire.AppendTag(part, 2, protowire.VarintType)
		part = protowire.AppendVarint(part, uint64(samples[i].at))
		b = protowire.AppendTag(b, 2, protowire.BytesType)
		b = protowire.AppendBytes(b, part)
	}
	return b, part
}

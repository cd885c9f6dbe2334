package ledger

import (
	"bufio"
	"bytes"
	"cmp"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"slices"
)

// Kept says how a record stands to heads that a second party wrote down over the time, such as those of the MQTT topic
// head. Whoever rewrote the past of a record would have to know which of its heads were kept.
type Kept struct {
	Heads  int    // of this record, each once
	Others int    // of other records, such as other kitchens'
	Lost   []Head // what the chain does not hold: its end was cut off, or it was written anew
}

// longestHeadLine is how much of a line ReadHeads takes: a topic and a message of some 200 bytes.
const longestHeadLine = 64 << 10

// ReadHeads takes heads from lines in each of which a JSON object stands with "ledger", "links" and "hash", as the MQTT
// topic head carries it; what stands before it, such as the time and the topic, is passed over, and so is a line
// without one. None at all is an error.
func ReadHeads(r io.Reader) ([]Head, error) {
	lines := bufio.NewScanner(r)
	lines.Buffer(nil, longestHeadLine)
	var heads []Head
	n := 0
	for lines.Scan() {
		n++
		if h, ok := headIn(lines.Bytes()); ok {
			heads = append(heads, h)
		}
	}
	switch err := lines.Err(); {
	case errors.Is(err, bufio.ErrTooLong):
		return nil, fmt.Errorf("line %d is longer than %d bytes, which no line with a head is", n+1, longestHeadLine)
	case err != nil:
		return nil, err
	case len(heads) == 0:
		return nil, fmt.Errorf("none of its %d lines holds a head; write them with mosquitto_sub -t 'holdbell/+/head' -F '%%I %%t %%p'", n)
	}
	return heads, nil
}

func headIn(line []byte) (Head, bool) {
	at := bytes.IndexByte(line, '{')
	if at < 0 {
		return Head{}, false
	}
	var m struct {
		Ledger string `json:"ledger"`
		Links  uint64 `json:"links"`
		Hash   string `json:"hash"`
	}
	// A line that was cut short, as by a full disk, is no head.
	if json.Unmarshal(line[at:], &m) != nil {
		return Head{}, false
	}
	sum, err := hex.DecodeString(m.Hash)
	if err != nil || len(sum) != len(Hash{}) || m.Ledger == "" || m.Links == 0 {
		return Head{}, false
	}
	return Head{Ledger: m.Ledger, Links: m.Links, Hash: Hash(sum)}, true
}

// keep sorts out which of the heads that were kept are this record's. They wait to be met on the chain.
func (w *walk) keep() {
	if w.o.Kept == nil {
		return
	}
	w.v.Kept = new(Kept)
	w.kept = map[uint64][]Hash{}
	for _, h := range w.o.Kept {
		switch {
		case h.Ledger != w.v.Ledger:
			w.v.Kept.Others++
		case !slices.Contains(w.kept[h.Links], h.Hash):
			w.kept[h.Links] = append(w.kept[h.Links], h.Hash)
			w.v.Kept.Heads++
		}
	}
}

// meet takes a link off the heads that were kept.
func (w *walk) meet(n uint64, link Hash) {
	if left := w.kept[n]; left != nil {
		w.kept[n] = slices.DeleteFunc(left, func(h Hash) bool { return h == link })
	}
}

// lose tells which heads were not met, in order. After a break only what lies before it can be told.
func (w *walk) lose() {
	for n, left := range w.kept {
		if w.v.Break != nil && n > w.v.Head.Links {
			continue
		}
		for _, h := range left {
			w.v.Kept.Lost = append(w.v.Kept.Lost, Head{Ledger: w.v.Ledger, Links: n, Hash: h})
		}
	}
	if w.v.Kept != nil {
		slices.SortFunc(w.v.Kept.Lost, func(a, b Head) int {
			return cmp.Or(cmp.Compare(a.Links, b.Links), bytes.Compare(a.Hash[:], b.Hash[:]))
		})
	}
}

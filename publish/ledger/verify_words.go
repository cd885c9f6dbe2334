package ledger

import (
	"encoding/json"
	"fmt"
	"strings"
	"time"

	"holdbell/rules"
)

// subject names what a link covers, as far as it can still be read.
func (r *row) subject() string {
	switch r.kind {
	case linkBegin:
		return "the beginning of the record"
	case linkEvent:
		s := fmt.Sprintf("event %d", r.a)
		if r.present() {
			for _, i := range []int{2, 3, 5} { // kind, alarm, lot
				if word, _ := r.fields[i].(string); word != "" {
					s += " " + word
				}
			}
		}
		return s
	case linkMark:
		s := fmt.Sprintf("a mark with sweep %d", r.a)
		var m rules.Mark
		if r.present() && decodeText(r.fields[3], &m) {
			s = strings.TrimSpace(fmt.Sprintf("the mark %s %s", m.Kind, m.Lot)) + fmt.Sprintf(" with sweep %d", r.a)
		}
		return s
	case linkNotice:
		return fmt.Sprintf("a notice with sweep %d", r.a)
	case linkBlock:
		return fmt.Sprintf("the readings from sweep %d on", r.a)
	case linkLate:
		return fmt.Sprintf("that event %d was told before it was recorded", r.a)
	case linkThinned:
		return "that readings were thinned by age"
	}
	return ""
}

// at is when that was, by its own row; zero where it has no time.
func (r *row) at() time.Time {
	if !r.present() {
		return time.Time{}
	}
	column := -1
	switch r.kind {
	case linkBegin:
		column = 2
	case linkEvent, linkThinned:
		column = 1
	case linkBlock:
		column = 3 // its last sweep
	case linkMark:
		var m rules.Mark
		if decodeText(r.fields[3], &m) {
			return m.At.Wall
		}
	case linkNotice:
		var n rules.Notice
		if decodeText(r.fields[2], &n) {
			return n.At.Wall
		}
	}
	if column < 0 {
		return time.Time{}
	}
	wall, ok := r.fields[column].(int64)
	if !ok {
		return time.Time{}
	}
	return time.UnixMilli(wall).UTC()
}

// decodeText reads a column of JSON, which may have been altered.
func decodeText(v any, into any) bool {
	s, ok := v.(string)
	return ok && json.Unmarshal([]byte(s), into) == nil
}

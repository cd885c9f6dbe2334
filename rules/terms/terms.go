// Package terms is the one place of the short words that holdbell says to people: on the page, on phones, at the
// cabinet, on paper and on the command line. Sentences are made where what they tell is known, mostly in rules.
package terms

import (
	"strings"

	"holdbell/rules"
	"holdbell/sensor"
)

// Word is a word that belongs to no list of the rules: of a lot's clocks, its limits and its proofs.
type Word string

// Term is a word with its meaning.
type Term struct {
	Key   string // as it stands in the record, in topics and in metrics
	Label string // as people read it
	Means string // what it tells, without a full stop
}

// Group is a list of terms of one kind.
type Group struct {
	Title string
	From  string // where the words are from
	Terms []Term
}

// Key is what can be looked up.
type Key interface {
	Word | rules.Purpose | rules.Verdict | rules.Priority | rules.AlarmName | rules.AlarmStatus | rules.MarkKind | rules.EventKind | sensor.Fault
}

// Of looks a word up. A record of a later version may hold one that is not known here: its key is its label then.
func Of[K Key](k K) Term {
	for _, g := range glossary {
		for _, e := range g.entries {
			if e.key == any(k) {
				return e.term()
			}
		}
	}
	key := text(k)
	label := strings.ReplaceAll(key, "-", " ")
	if label != "" {
		label = strings.ToUpper(label[:1]) + label[1:]
	}
	return Term{Key: key, Label: label}
}

// Label is a word as it stands by itself.
func Label[K Key](k K) string { return Of(k).Label }

// Lower is a word as it stands within a sentence.
func Lower[K Key](k K) string {
	s := Label(k)
	if len(s) > 1 && s[1] >= 'a' && s[1] <= 'z' {
		s = strings.ToLower(s[:1]) + s[1:]
	}
	return s
}

// Glossary is every term, in the order in which a reader meets them.
func Glossary() []Group {
	all := make([]Group, len(glossary))
	for i, g := range glossary {
		all[i] = Group{Title: g.title, From: g.from}
		for _, e := range g.entries {
			all[i].Terms = append(all[i].Terms, e.term())
		}
	}
	return all
}

func (e entry) term() Term { return Term{text(e.key), e.label, e.means} }

func text(k any) string {
	switch k := k.(type) {
	case Word:
		return string(k)
	case rules.Purpose:
		return string(k)
	case rules.Verdict:
		return string(k)
	case rules.Priority:
		return string(k)
	case rules.AlarmName:
		return string(k)
	case rules.AlarmStatus:
		return string(k)
	case rules.MarkKind:
		return string(k)
	case rules.EventKind:
		return string(k)
	case sensor.Fault:
		return k.String()
	}
	return ""
}

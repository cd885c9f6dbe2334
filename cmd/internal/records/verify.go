package records

import (
	"bufio"
	"fmt"
	"io"
	"time"

	"holdbell/publish/ledger"
)

// WriteVerification tells in words what a look through a record's chain found. remembered is the copy of the
// state that lay beside the record, the zero value for none.
func WriteVerification(w io.Writer, v *ledger.Verification, remembered ledger.Copy, zone *time.Location) error {
	out := bufio.NewWriter(w)
	when := func(t time.Time) string { return t.In(zone).Format("2006-01-02 15:04:05 MST") }
	say := func(format string, args ...any) { fmt.Fprintf(out, format+"\n", args...) }

	say("Record %s", v.Ledger)
	if !v.Begun.IsZero() {
		say("The chain begins on %s.", when(v.Begun))
	}
	if b := v.Before; b.Ledger != "" && b.Ledger != v.Ledger {
		if b.Links > 0 {
			say("It was carried on from the record %s, whose head was link %d, %s.", b.Ledger, b.Links, b.Hash)
		} else {
			say("It was carried on from the record %s, of which no head was known.", b.Ledger)
		}
	}
	if v.OlderSweeps > 0 {
		say("Readings up to sweep %d are older than the chain, which does not cover them; events and marks of that time it\ncovers as they were found when it began.", v.OlderSweeps)
	}
	if v.Thinned > 0 {
		say("%d blocks of readings were thinned by age, the last on %s: their own readings cannot be looked at.", v.Thinned, when(v.ThinnedAt))
	}
	say("Looked at: %d events, %d marks, %d notices, %d blocks of readings.", v.Rows["event"], v.Rows["mark"], v.Rows["notice"], v.Rows["block"])

	if b := v.Break; b != nil {
		say("BROKEN %s", broken(b, when))
	} else {
		say("SOUND: every link fits.")
	}
	switch c := remembered; {
	case c.Ledger == "":
		say("No copy of the state lies beside it: a cut at its end shows only by a head that somebody else holds.")
	case c.Ledger != v.Ledger || c.Links == 0:
		say("The copy of the state beside it knows no head of this record: a cut at its end shows only by a head that\nsomebody else holds.")
	case v.Break == nil:
		say("The copy of the state beside it remembers link %d, which is on the chain.", c.Links)
	}
	switch h := v.Held; {
	case h == nil:
	case h.Found:
		say("The head that you hold is link %d; %d came after it.", h.Link, h.After)
	case v.Break != nil:
		say("The head that you hold was not met before that.")
	default:
		say("BROKEN: the head that you hold is not on the chain: what it stood for was cut off or written anew, or it is of\nanother record, or from before the links that went by age.")
	}
	if k := v.Kept; k != nil {
		say("%s", kept(k, v.Break != nil))
	}
	name := "head"
	if v.Break != nil {
		name = "the last link that fits:"
	}
	say("%s %d  %s\n%s", name, v.Head.Links, v.Head.Hash.Short(), v.Head.Hash)
	return out.Flush()
}

// kept is a sentence about the heads that a second party wrote down.
func kept(k *ledger.Kept, broken bool) string {
	all := fmt.Sprintf("heads that were kept: %d of this record, %d of others", k.Heads, k.Others)
	switch {
	case k.Heads == 0:
		return "BROKEN: " + all + ": nobody can tell by them."
	case len(k.Lost) > 0:
		return fmt.Sprintf("BROKEN: %s; %d not on the chain, the first at link %d: what they stood for was cut off or\nwritten anew.", all, len(k.Lost), k.Lost[0].Links)
	case broken:
		return "Of " + all + "; those before that place are on the chain."
	}
	return "Of " + all + "; this record's are all on the chain."
}

// broken is a sentence about the first place that does not fit.
func broken(b *ledger.Break, when func(time.Time) string) string {
	where := fmt.Sprintf("at link %d", b.Link)
	switch {
	case b.Link == 0:
		where = "beside the chain"
	case b.To > b.Link:
		where = fmt.Sprintf("at links %d to %d", b.Link, b.To)
	}
	s := where + ": "
	if b.Subject == "" {
		s += "it "
	} else {
		s += b.Subject + " "
		if !b.At.IsZero() {
			s += "of " + when(b.At) + " "
		}
	}
	s += string(b.Problem) + "."
	if !b.After.IsZero() {
		s += "\nWhat the links before it cover fits, up to " + when(b.After) + "."
	}
	return s
}

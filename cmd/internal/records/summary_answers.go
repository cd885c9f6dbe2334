package records

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	"holdbell/rules"
	"holdbell/rules/terms"
)

// item is something that somebody has to answer for.
type item struct {
	entry
	sort sort
}

// sort tells the items apart. Where not all fit on paper, those of a lower sort stay.
type sort int

const (
	discarded sort = iota
	acted
	unanswered
	failedProbe
	off
	doubted
	overdueProbe
	unchecks
	refused
	unsigned
	sorts
)

// plural is how a sort is counted.
func (s sort) plural() string {
	return [sorts]string{"lots to discard", "lots to act on", "critical alarms not answered in time", "probes that failed a calibration", "gaps",
		"doubts about the clock", "calibrations overdue", "days with lots that nobody checked by hand", "marks refused", "days with unsigned marks"}[s]
}

// answerWithin is how soon somebody ought to acknowledge a critical alarm: common practice.
const answerWithin = 15 * time.Minute

// answers are what somebody has to answer for, in order of time.
func (s *Summary) answers(zone *time.Location) []item {
	t := words{newTimes(zone, s.r.From, s.r.To), s.r}
	all := slices.Concat(s.verdicts(&t), s.alarms(&t), s.gaps(&t), s.clock(), s.unchecked(&t), s.marks(&t), s.probes(&t))
	slices.SortStableFunc(all, func(a, b item) int { return a.at.Compare(b.at) })
	return all
}

// none names the sorts of which there is nothing, in the words of plural; empty when there is something of each.
func (s *Summary) none() string {
	var parts []string
	for k := range sorts {
		if k == overdueProbe && s.r.setup == nil {
			continue // nobody knows
		}
		if !slices.ContainsFunc(s.items, func(x item) bool { return x.sort == k }) {
			parts = append(parts, k.plural())
		}
	}
	switch {
	case len(parts) == 0:
		return ""
	case len(s.items) == 0:
		return "Nothing: no " + strings.Join(parts, ", no ") + "."
	}
	return "Nothing of these: " + strings.Join(parts, "; ") + "."
}

// said is what of a lot's verdicts asked for something: in the span, or before it and not taken back as it began.
func (s *Summary) said(l *Life) []rules.Event {
	var said []rules.Event
	standing := -1
	for i := range l.Verdicts {
		switch ev := &l.Verdicts[i]; {
		case ev.At.Wall.After(s.r.To):
		case ev.At.Wall.Before(s.r.From):
			standing = -1
			if ev.Verdict != rules.OK {
				standing = i
			}
		case ev.Verdict != rules.OK:
			said = append(said, *ev)
		}
	}
	if standing >= 0 {
		said = slices.Insert(said, 0, l.Verdicts[standing])
	}
	if l.Final == "" || l.Final == rules.OK || !s.r.within(l.Ended) || len(said) > 0 && l.Verdicts[len(l.Verdicts)-1].Verdict == l.Final {
		return said
	}
	for i := range s.r.Events { // it ended worse than was said before
		if ev := &s.r.Events[i]; ev.Kind == rules.LotEnded && ev.Lot == l.Lot && ev.At == l.Ended {
			return append(said, *ev)
		}
	}
	return said
}

// verdicts are the lots that were ever to be acted on or discarded: what was said, and what was done.
func (s *Summary) verdicts(t *words) (all []item) {
	for _, l := range s.r.Lots {
		said := s.said(l)
		if len(said) == 0 {
			continue
		}
		x := item{entry{head: terms.Label(rules.Act), at: said[0].At.Wall}, acted}
		var parts []string
		told := map[rules.Verdict]int{}
		for i := range said {
			ev := &said[i]
			if told[ev.Verdict]++; told[ev.Verdict] > 1 {
				continue
			}
			part := strings.TrimSuffix(ev.Text, unchecked)
			if i > 0 {
				part = t.short(ev.At.Wall, x.at) + " " + terms.Lower(ev.Verdict) + ": " + part
			}
			if ev.Basis != "" {
				part += " [" + ev.Basis + "]"
			}
			if parts = append(parts, part); ev.Verdict == rules.Discard {
				x.head, x.sort = terms.Label(rules.Discard), discarded
			}
		}
		if n := told[rules.Act]; n > 1 {
			parts = append(parts, fmt.Sprintf("Act was said %d times.", n))
		}
		x.what = strings.Join(parts, " ")
		if !strings.Contains(x.what, l.Lot) {
			x.what = l.Lot + ": " + x.what
		}
		x.then = s.done(t, l, &said[0], x.at)
		all = append(all, x)
	}
	return all
}

// done is what people did about a lot after the first verdict that asked for it, how it ended, and which of its bells
// nobody answered in time.
func (s *Summary) done(t *words, l *Life, first *rules.Event, day time.Time) string {
	type deed struct {
		at   time.Time
		what string
	}
	var deeds []deed
	from := first.At.Wall
	if !first.Since.IsZero() {
		from = earlier(from, first.Since.Wall)
	}
	for i := range l.Proofs {
		if at := l.Proofs[i].At.Wall; !at.Before(from) {
			deeds = append(deeds, deed{at, "reheated, proven " + t.short(at, day)})
		}
	}
	for _, m := range l.Marks {
		if m.Refused || m.Seq == 0 || m.At.Wall.Before(from) && m.Kind != rules.MarkDiscard {
			continue
		}
		what := ""
		switch {
		case m.Kind == rules.MarkCorrective:
			what = terms.Lower(m.Kind)
			if note := m.FreeText(); note != "" {
				what += " “" + note + "”"
			}
		case m.Kind == rules.MarkDiscard:
			what = "discarded"
		case m.Kind == rules.MarkUndo:
			what = terms.Lower(m.Kind)
		case m.isCheck():
			what = terms.Lower(terms.HandCheck)
			if m.Temp != nil {
				what += " " + t.r.Units.Format(*m.Temp)
			}
		default:
			continue
		}
		deeds = append(deeds, deed{m.At.Wall, what + " " + t.short(m.At.Wall, day) + " " + m.signedBy()})
	}
	slices.SortStableFunc(deeds, func(a, b deed) int { return a.at.Compare(b.at) })
	parts := []string{"nothing recorded"}
	if len(deeds) > 0 {
		parts = nil
	}
	for _, d := range deeds {
		parts = append(parts, d.what)
	}
	switch {
	case l.Open() || l.Ended.Wall.After(s.r.To):
		parts = append(parts, "still watched at the end of the span")
	default:
		parts = append(parts, "ended "+t.short(l.Ended.Wall, day)+" as "+terms.Lower(l.Verdict()))
	}
	for _, a := range l.Alarms {
		if s.late(a) {
			parts = append(parts, "bell "+terms.Lower(a.Raised.Alarm)+" "+t.short(a.Raised.At.Wall, day)+" "+t.answered(a, day))
		}
	}
	return "Done: " + strings.Join(parts, "; ") + "."
}

// signedBy is Signed at the end of a sentence.
func (m *Mark) signedBy() string {
	if m.By == "" {
		return "unsigned"
	}
	return "by " + m.By
}

// late reports whether a critical alarm of the span, or one that still rang as it began, had no answer in time.
func (s *Summary) late(a *Alarm) bool {
	rang := s.r.within(a.Raised.At) || a.Raised.At.Wall.Before(s.r.From) && !a.asked.IsZero() && (a.Cleared.IsZero() || !a.Cleared.Wall.Before(s.r.From))
	return rang && a.priority == rules.Critical && (!a.asked.IsZero() || a.wait > answerWithin)
}

// answered is how long an alarm waited.
func (t *words) answered(a *Alarm, day time.Time) string {
	switch {
	case a.asked.IsZero():
		by := a.By
		if by == "" {
			by = "somebody who did not sign"
		}
		return "acknowledged only after " + rules.Words(a.wait) + " by " + by
	case !a.Acknowledged.IsZero():
		return "acknowledged, but not when it rang again " + t.short(a.asked.Wall, day)
	}
	return "not acknowledged"
}

// alarms are the critical ones without an answer in time, apart from those of a lot that has an item of its own.
func (s *Summary) alarms(t *words) (all []item) {
	own := map[*Alarm]bool{}
	for _, l := range s.r.Lots {
		if len(s.said(l)) > 0 {
			for _, a := range l.Alarms {
				own[a] = true
			}
		}
	}
	for _, a := range s.r.book.Alarms {
		if own[a] || !s.late(a) {
			continue
		}
		ev := &a.Raised
		x := item{entry{head: terms.Label(rules.Critical), at: ev.At.Wall, what: terms.Lower(ev.Alarm) + ": " + ev.Text}, unanswered}
		then := t.answered(a, x.at)
		if !a.Cleared.IsZero() {
			then += "; over " + t.short(a.Cleared.Wall, x.at)
		}
		x.then = strings.ToUpper(then[:1]) + then[1:] + "."
		all = append(all, x)
	}
	return all
}

// clock is where the board did not know what time it was.
func (s *Summary) clock() (all []item) {
	for i := range s.r.Clocks {
		all = append(all, item{entry{head: "Clock", at: s.r.Clocks[i].At.Wall, what: s.r.Clocks[i].Text}, doubted})
	}
	for _, a := range s.r.book.Alarms {
		if a.Raised.Alarm == rules.ClockDoubt && s.r.within(a.Raised.At) && a.priority != rules.Critical {
			all = append(all, item{entry{head: "Clock", at: a.Raised.At.Wall, what: a.Raised.Text}, doubted})
		}
	}
	return all
}

// unchecked are the lots that ended without any hand check, an item a day.
func (s *Summary) unchecked(t *words) []item {
	return s.daily(unchecks, terms.Label(terms.HandCheck), "None was made of: ", func(add func(at time.Time, what string)) {
		for _, l := range s.r.Lots {
			if l.Open() || s.takenOver(l) || slices.ContainsFunc(l.Marks, func(m *Mark) bool { return m.isCheck() && !m.Refused && m.Seq != 0 }) {
				continue
			}
			what := l.named() + ", ended " + t.clock(l.Ended.Wall)
			if l.Late {
				what += ", not gone through from its beginning"
			}
			add(l.Ended.Wall, what)
		}
	})
}

// takenOver reports whether a station's own watch ended because a lot came into it: that is no food's end.
func (s *Summary) takenOver(l *Life) bool {
	return l.standing() && slices.ContainsFunc(s.r.book.Lives, func(o *Life) bool {
		return !o.standing() && slices.ContainsFunc(o.Moves, func(m Move) bool {
			d := l.Ended.Wall.Sub(m.At.Wall)
			return m.Station == l.Lot && d >= 0 && d <= time.Minute
		})
	})
}

// marks are those that ought to be signed, and were not, or were refused.
func (s *Summary) marks(t *words) (all []item) {
	name := func(m *Mark) string {
		about := cmp.Or(m.Lot, m.Station, m.Probe)
		if about != "" {
			about = " " + about
		}
		return terms.Lower(m.Kind) + about
	}
	for _, m := range s.r.book.Marks {
		if m.WantsBy() && m.Refused && s.r.within(m.At) {
			what := name(m)
			if m.Note != "" {
				what += " “" + m.Note + "”"
			}
			all = append(all, item{entry{head: "Refused", at: m.At.Wall, what: what, signed: m.Signed(), after: ". " + m.Answer}, refused})
		}
	}
	return append(all, s.daily(unsigned, "Unsigned", "", func(add func(at time.Time, what string)) {
		for _, m := range s.r.book.Marks {
			if m.WantsBy() && !m.Refused && m.Seq != 0 && m.By == "" {
				add(m.At.Wall, name(m)+" "+t.clock(m.At.Wall))
			}
		}
	})...)
}

// daily makes an item a day of what each calls add with.
func (s *Summary) daily(of sort, head, lead string, each func(add func(at time.Time, what string))) (all []item) {
	parts := make([][]string, len(s.days))
	firsts := make([]time.Time, len(s.days))
	each(func(at time.Time, what string) {
		for i := range s.days {
			if s.days[i].has(at) {
				if len(parts[i]) == 0 || at.Before(firsts[i]) {
					firsts[i] = at
				}
				parts[i] = append(parts[i], what)
			}
		}
	})
	for i := range parts {
		if len(parts[i]) > 0 {
			all = append(all, item{entry{head: head, at: firsts[i], what: lead + strings.Join(parts[i], "; ") + "."}, of})
		}
	}
	return all
}

// probes are those whose calibration is overdue at the end of the span, or failed in it or before it.
func (s *Summary) probes(t *words) (all []item) {
	last := map[string]rules.Mark{}
	for _, m := range s.r.Calibrations {
		last[m.Probe] = m // the newest comes last
	}
	limit := rules.CalibrationTolerance(s.r.Units)
	set := map[string]rules.ProbeSetup{}
	if s.r.setup != nil {
		for _, p := range s.r.setup.Probes {
			set[p.Name] = p
		}
	}
	for i := range s.r.Calibrations {
		m := &s.r.Calibrations[i]
		if off := *m.Read - *m.True; off <= limit && off >= -limit || set[m.Probe].Calibrated.After(m.At.Wall) && m.At.Wall.Before(s.r.From) {
			continue
		}
		row := checkRow(m, s.r.Units, t.zone)
		x := item{entry{head: "Calibration", at: m.At.Wall, what: fmt.Sprintf("Probe %s failed: it read %s where %s is true (%s)", m.Probe, row[4], row[3], row[2]), signed: (&Mark{Mark: *m}).Signed()}, failedProbe}
		switch newest := last[m.Probe]; {
		case newest.At == m.At && set[m.Probe].Calibrated.After(m.At.Wall):
			x.then = "Calibrated anew by the configuration, dated " + set[m.Probe].Calibrated.Format(dateLayout) + "."
		case newest.At == m.At:
			x.then = "No later check of it is in the record."
		default:
			x.then = fmt.Sprintf("Its latest check, %s, %s.", t.at(newest.At.Wall), strings.ToLower(checkRow(&newest, s.r.Units, t.zone)[6]))
		}
		all = append(all, x)
	}
	if s.r.setup == nil {
		return all
	}
	for _, p := range s.r.setup.Probes {
		from, what := s.first, "it was never calibrated in this record"
		if m, known := last[p.Name]; known && m.At.Wall.After(p.Calibrated) {
			from, what = m.At.Wall, "the last check is of "+m.At.Wall.In(t.zone).Format(dateLayout)
		} else if !p.Calibrated.IsZero() {
			from, what = p.Calibrated, "the last one is of "+p.Calibrated.Format(dateLayout)
		}
		if due := from.Add(p.CalibrateEvery); p.CalibrateEvery > 0 && !due.After(s.r.To) {
			all = append(all, item{entry{head: "Calibration", at: due, what: "Probe " + p.Name + " is overdue since then: " + what + "."}, overdueProbe})
		}
	}
	return all
}

// uncalibrated are the configured probes of which neither the record nor the configuration tells a calibration.
func (s *Summary) uncalibrated() (names []string) {
	if s.r.setup == nil {
		return nil
	}
	for _, p := range s.r.setup.Probes {
		if p.Calibrated.IsZero() && !slices.ContainsFunc(s.r.Calibrations, func(m rules.Mark) bool { return m.Probe == p.Name }) {
			names = append(names, p.Name)
		}
	}
	return names
}

// clock is a moment of a day that is told beside it.
func (t *words) clock(at time.Time) string {
	if t.full {
		return t.at(at)
	}
	return at.In(t.zone).Format("15:04")
}

// short is a moment beside another: without its day where that is the same.
func (t *words) short(at, beside time.Time) string {
	if at.In(t.zone).Format(dateLayout) == beside.In(t.zone).Format(dateLayout) {
		return t.clock(at)
	}
	return t.at(at)
}

package records

import (
	"fmt"
	"strings"
	"time"

	"holdbell/rules"
	"holdbell/rules/terms"
	"holdbell/sensor"
)

// caution stands under every record.
const caution = "A verdict is advice with its citation, never permission; local code and the health department decide."

// missing is what an inspector may ask for and a ledger does not hold: 21 CFR 117.190 and 117.165, 9 CFR 417.3
// and 417.5 as of 2024 ask for it in writing.
const missing = "Not in this record, because nobody tells the ledger: a supplier's lot code, the cause of a deviation and what prevents the next one" +
	" (unless a corrective note says so), and who reviewed it. A calibration is in it as far as it was told as a mark. Names are as people typed them."

// markHead heads a mark that is neither a hand check nor a correction.
func markHead() string { return terms.Label(terms.Mark) }

const (
	noLot = "No lot was watched in this span."
	onAir = "* no probe in the food for some of it: the station's air."
	noGap = "none: the readings are without a gap longer than the allowance."
)

// entry is one statement of a record, for a terminal and for paper alike.
type entry struct {
	head   string // empty: of the entry before
	at     time.Time
	what   string
	signed string // who answers for it, "unsigned" for nobody; empty where nobody has to
	after  string // what follows the signature
	then   string // what became of it
	mark   *Mark  // that it tells of
}

// words says what a record holds. Every form of it speaks through these.
type words struct {
	times
	r *Record
}

func (t *words) title() string {
	if t.r.Site != "" {
		return "Record of " + t.r.Site
	}
	return "Record"
}

func (t *words) code() string {
	return fmt.Sprintf("%s. Temperatures in °%s.", t.r.Code, strings.ToUpper(string(t.r.Units[:1])))
}

func (t *words) source() string {
	return fmt.Sprintf("%s; %d sweeps of readings in the span. Verdicts and alarms stand as they were said then.", t.r.Ledger, t.r.Sweeps)
}

// chain is what to note down of the record; empty where it has no chain.
func (t *words) chain() string {
	h := t.r.Head
	if h.Links == 0 {
		return ""
	}
	return fmt.Sprintf("The head of this record is link %d, %s: whoever notes that down can tell later, with holdbell records verify --head, whether it still stands.", h.Links, h.Hash.Short())
}

// links is the chain's head in full.
func (t *words) links() string {
	h := t.r.Head
	if h.Links == 0 {
		return "none: this record is from before there was one."
	}
	return fmt.Sprintf("%d links, head %s (%s)", h.Links, h.Hash.Short(), h.Hash)
}

// named is a lot with its food.
func (l *Life) named() string {
	if l.Food != "" {
		return l.Lot + " (" + l.Food + ")"
	}
	return l.Lot
}

func (t *words) span(l *Life) string {
	begun, who := t.at(l.Begun.Wall), ""
	if len(l.Moves) > 0 && l.Moves[0].By != "" {
		who = " by " + l.Moves[0].By
	}
	if l.Late {
		begun = "before this record, the latest " + begun
	}
	if l.Open() {
		return fmt.Sprintf("from %s%s, still open", begun, who)
	}
	return fmt.Sprintf("from %s%s to %s, %s", begun, who, t.at(l.Ended.Wall), rules.Words(l.Ended.Wall.Sub(l.Begun.Wall)))
}

func (t *words) temp(v *sensor.Temp) string {
	if v == nil {
		return "-"
	}
	return strings.Fields(t.r.Units.Format(*v))[0]
}

// stayColumns are the columns of a stay.
var stayColumns = [...]string{"Stages from", terms.Lower(terms.Station), terms.Lower(terms.Stage), "for", "lowest", "highest"}

// stay is a row under stayColumns; a star after it says that the air spoke for some of it.
func (t *words) stay(s *rules.StayState) (row [len(stayColumns)]string, star string) {
	if s.OnAir {
		star = "*"
	}
	return [...]string{t.at(s.From.Wall), s.Station, terms.Lower(s.Stage), rules.Words(s.Length), t.temp(s.Low), t.temp(s.High)}, star
}

// stays are the rules' figures of where the lot was, nil where they were not asked.
func (l *Life) stays() []rules.StayState {
	if l.State == nil {
		return nil
	}
	return l.State.Stays
}

// moves are where the lot was, as recorded.
func (t *words) moves(l *Life) (all []entry) {
	for _, m := range l.Moves {
		all = append(all, entry{head: terms.Label(terms.Station), at: m.At.Wall, what: m.Station})
	}
	return all
}

func (t *words) clocks(l *Life) []entry {
	s := l.State
	if s == nil {
		return nil
	}
	parts := []string{terms.Lower(terms.DangerZone) + " " + rules.Words(s.DangerZone), fmt.Sprintf("%s %s of %s", terms.Lower(terms.Charged), rules.Words(s.Charged), rules.Words(s.DangerLimit)),
		terms.Lower(terms.BelowLimit) + " " + rules.Words(s.BelowHotLimit), terms.Lower(terms.ComeUp) + " " + rules.Words(s.ComeUp),
		terms.Lower(terms.Unknown) + " " + rules.Words(s.Unknown)}
	all := []entry{{head: terms.Label(terms.Clocks), what: strings.Join(parts, "; ") + "."}}
	if s.UnknownLength {
		all = append(all, entry{what: "A power-off of unknown length lies in it."})
	}
	if c := s.Cook; c != nil && s.CookSeen {
		all = append(all, entry{head: terms.Label(rules.Cooking), what: fmt.Sprintf("%s %s %.0f min.", c.Text, terms.Label(terms.CookValue), s.CookValue)})
	}
	x := s.Lethality
	if x == nil {
		return append(all, entry{head: terms.Label(rules.Cooking), what: "not seen here."})
	}
	met := "not met"
	if x.TableMet {
		met = "met"
	}
	log := fmt.Sprintf("%.1f", x.Salmonella)
	if x.Salmonella > certain {
		log = fmt.Sprintf("more than %d", certain)
	}
	return append(all, entry{what: fmt.Sprintf("Time-temperature table (%s) %s; Salmonella %s log10 by the integral, as advice.", x.Table, met, log)})
}

// certain is the reduction in log10 beyond which more says nothing: no food holds so many.
const certain = 12

// runs are what was reheated, and the latest cooling and reheating.
func (t *words) runs(l *Life) (all []entry) {
	for i := range l.Proofs {
		all = append(all, entry{head: terms.Label(rules.Reheating), at: l.Proofs[i].At.Wall, what: l.Proofs[i].Text})
	}
	if l.State == nil {
		return all
	}
	if c := l.State.Cooling; c != nil {
		all = append(all, entry{head: terms.Label(rules.Cooling), what: fmt.Sprintf("from %s: first limit after %s, last limit after %s: %s", t.at(c.Started.Wall), reached(c.Stage1), reached(c.Stage2), c.Result)})
	}
	if h := l.State.Reheating; h != nil {
		all = append(all, entry{head: terms.Label(rules.Reheating), what: fmt.Sprintf("from %s: target after %s: %s", t.at(h.Started.Wall), reached(h.Reached), h.Result)})
	}
	return all
}

func reached(d time.Duration) string {
	if d < 0 {
		return "- (not reached)"
	}
	return rules.Words(d)
}

func (t *words) verdicts(l *Life) (all []entry) {
	for i := range l.Verdicts {
		ev := &l.Verdicts[i]
		basis := ""
		if ev.Basis != "" {
			basis = " [" + ev.Basis + "]"
		}
		all = append(all, entry{head: terms.Label(terms.Verdict), at: ev.At.Wall, what: fmt.Sprintf("%s: %s%s", terms.Lower(ev.Verdict), ev.Text, basis)})
	}
	if len(all) == 0 {
		return []entry{{head: terms.Label(terms.Verdict), what: terms.Label(rules.OK) + " throughout."}}
	}
	return all
}

// alarms are each alarm with what became of it; an advice that came again is told once, with its times.
func (t *words) alarms(of []*Alarm) (all []entry) {
	told := map[alarmKey]bool{}
	for i, a := range of {
		ev := &a.Raised
		if k := keyOf(ev); ev.Priority == rules.Advice {
			if !told[k] {
				told[k] = true
				all = append(all, entry{head: terms.Label(rules.Advice), at: ev.At.Wall, what: fmt.Sprintf("%s: %s%s", terms.Lower(ev.Alarm), ev.Text, t.cameAgain(of[i+1:], k))})
			}
			continue
		}
		all = append(all, entry{head: terms.Label(terms.Alarm), at: ev.At.Wall, what: fmt.Sprintf("%s, %s: %s", terms.Lower(ev.Priority), terms.Lower(ev.Alarm), ev.Text), then: t.became(a)})
	}
	return all
}

// became is what an alarm came to, from its bell to its end.
func (t *words) became(a *Alarm) string {
	var then []string
	if a.Worst != nil && t.r.Units != "" {
		then = append(then, "worst "+t.r.Units.Format(*a.Worst))
	}
	if a.Rang > 0 {
		then = append(then, again(a.Rang))
	}
	switch {
	case a.Acknowledged.IsZero():
		then = append(then, "not acknowledged")
	case a.By == "":
		then = append(then, "acknowledged "+t.at(a.Acknowledged.Wall)+", unsigned")
	default:
		then = append(then, "acknowledged "+t.at(a.Acknowledged.Wall)+" by "+a.By)
	}
	if a.Cleared.IsZero() {
		then = append(then, "not cleared")
	} else {
		then = append(then, "cleared "+t.at(a.Cleared.Wall))
	}
	return strings.Join(then, "; ") + "."
}

// cameAgain is when else the same advice was given.
func (t *words) cameAgain(later []*Alarm, k alarmKey) string {
	var times []string
	for _, a := range later {
		if keyOf(&a.Raised) == k && a.Raised.Priority == rules.Advice {
			times = append(times, t.at(a.Raised.At.Wall))
		}
	}
	if len(times) == 0 {
		return ""
	}
	return " Again " + strings.Join(times, ", ") + "."
}

// isCheck reports whether a mark tells what a hand thermometer read.
func (m *Mark) isCheck() bool {
	return m.Kind == rules.MarkCheck || m.Temp != nil && m.Kind != rules.MarkCorrective
}

// marks are what people did: hand checks and corrective actions under their own headings, and that there
// were none.
func (t *words) marks(l *Life) (all []entry) {
	groups := []struct {
		head, none string
		of         func(m *Mark) bool
	}{
		{terms.Label(terms.HandCheck), "none.", (*Mark).isCheck},
		{terms.Label(rules.MarkCorrective), "no action recorded.", func(m *Mark) bool { return m.Kind == rules.MarkCorrective }},
	}
	listed := map[*Mark]bool{}
	for _, g := range groups {
		n := 0
		for _, m := range l.Marks {
			if g.of(m) && !listed[m] {
				listed[m] = true
				n++
				all = append(all, t.mark(g.head, m))
			}
		}
		if n == 0 {
			all = append(all, entry{head: g.head, what: g.none})
		}
	}
	for _, m := range l.Marks {
		if !listed[m] {
			all = append(all, t.mark(markHead(), m))
		}
	}
	return all
}

// mark is one mark: when, what, the note in the person's own words, and who signed.
func (t *words) mark(head string, m *Mark) entry {
	what := terms.Lower(m.Kind)
	if head != markHead() && m.Temp != nil && t.r.Units != "" {
		what = t.r.Units.Format(*m.Temp)
		if m.Kind != rules.MarkCheck {
			what += " (" + terms.Lower(m.Kind) + ")"
		}
	}
	if m.Station != "" && m.Kind != rules.MarkCheck {
		what += " " + m.Station
	}
	if m.Note != "" {
		what += " “" + m.Note + "”"
	}
	e := entry{head: head, at: m.At.Wall, what: what, signed: m.Signed(), mark: m}
	switch {
	case m.Refused:
		e.after = ". Refused: " + m.Answer
	case m.Seq == 0:
		e.after = ". Told before; it counted once."
	}
	return e
}

// watch is what is about no lot.
func (t *words) watch() (all []entry) {
	r := t.r
	for i := range r.Gaps {
		all = append(all, entry{head: terms.Label(terms.Gap), what: fmt.Sprintf("%s to %s  %s", t.at(r.Gaps[i].Since.Wall), t.at(r.Gaps[i].At.Wall), r.Gaps[i].Text)})
	}
	if len(all) == 0 {
		all = append(all, entry{head: "Gaps", what: noGap})
	}
	for i := range r.Clocks {
		all = append(all, entry{head: "Clock", at: r.Clocks[i].At.Wall, what: r.Clocks[i].Text})
	}
	all = append(all, t.alarms(r.Alarms)...)
	for _, m := range r.Marks {
		if m.Kind != rules.MarkCalibrate || m.Refused || m.Seq == 0 {
			all = append(all, t.mark(markHead(), m))
		}
	}
	return all
}

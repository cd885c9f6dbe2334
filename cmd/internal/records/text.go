package records

import (
	"fmt"
	"io"
	"strings"
	"time"

	"holdbell/rules"
	"holdbell/sensor"
)

// caution stands under every record.
const caution = "A verdict is advice with its citation, never permission; local code and the health department decide."

// missing is what an inspector may ask for and a ledger does not hold: 21 CFR 117.190 and 117.165, 9 CFR 417.3
// and 417.5 as of 2024 ask for it in writing.
const missing = "Not in this record, because nobody tells the ledger: a supplier's lot code, the cause of a deviation and what prevents the next one" +
	" (unless a corrective note says so), and who reviewed it. A calibration is in it as far as it was told as a mark. Names are as people typed them."

// Text writes the record for people and inspectors, for a terminal of 80 characters.
func (r *Record) Text(w io.Writer, zone *time.Location) error {
	p := newPage(w, zone, r.From, r.To)
	t := text{page: p, r: r}
	t.head()
	for _, l := range r.Lots {
		p.blank()
		t.lot(l)
	}
	if len(r.Lots) == 0 {
		p.blank()
		p.line(0, "", "No lot was watched in this span.")
	}
	t.watch()
	if err := t.calibrations(); err != nil {
		return err
	}
	t.foot()
	return p.flush()
}

type text struct {
	*page
	r *Record
}

func (t *text) head() {
	r := t.r
	name := "Record"
	if r.Site != "" {
		name += " of " + r.Site
	}
	t.line(0, "", name)
	t.linef(0, "", "%s to %s, local time %s", t.at(r.From), t.at(r.To), zoneName(t.zone, r.From, r.To))
	if r.Code != "" {
		t.linef(0, "", "Food code: %s. Temperatures in °%s.", r.Code, strings.ToUpper(string(r.Units[:1])))
	}
	t.linef(0, "", "Ledger %s; %d sweeps of readings in the span. Verdicts and alarms stand as they were said then.", r.Ledger, r.Sweeps)
	for _, d := range r.Doubts {
		t.line(0, "Note: ", d)
	}
}

const indent = 2

// label pads a heading of a lot's line.
func label(s string) string { return fmt.Sprintf("%-13s", s) }

func (t *text) lot(l *Life) {
	head := l.Lot
	if l.Food != "" {
		head += " (" + l.Food + ")"
	}
	t.linef(0, "", "LOT %s: %s", head, strings.ToUpper(string(l.Verdict())))
	t.span(l)
	t.stays(l)
	t.clocks(l)
	t.runs(l)
	t.verdicts(l)
	t.alarms(l.Alarms)
	t.marks(l)
}

func (t *text) span(l *Life) {
	begun, who := t.at(l.Begun.Wall), ""
	if len(l.Moves) > 0 && l.Moves[0].By != "" {
		who = " by " + l.Moves[0].By
	}
	if l.Late {
		begun = "before this record, the latest " + begun
	}
	if l.Open() {
		t.linef(indent, label("Watched"), "from %s%s, still open", begun, who)
		return
	}
	t.linef(indent, label("Watched"), "from %s%s to %s, %s", begun, who, t.at(l.Ended.Wall), rules.Words(l.Ended.Wall.Sub(l.Begun.Wall)))
}

func (t *text) temp(v *sensor.Temp) string {
	if v == nil {
		return "-"
	}
	return strings.Fields(t.r.Units.Format(*v))[0]
}

// stays writes where the lot was: with the rules' figures, else as recorded.
func (t *text) stays(l *Life) {
	if l.State == nil || len(l.State.Stays) == 0 {
		for _, m := range l.Moves {
			t.linef(indent, label("Station"), "%s  %s", t.at(m.At.Wall), m.Station)
		}
		return
	}
	t.write(fmt.Sprintf("  %-16s  %-12s  %-13s  %10s  %6s  %7s", "Stages from", "station", "stage", "for", "lowest", "highest"))
	onAir := false
	for i := range l.State.Stays {
		s := &l.State.Stays[i]
		star := ""
		if s.OnAir {
			star, onAir = "*", true
		}
		t.write(fmt.Sprintf("  %-16s  %-12s  %-13s  %10s  %6s  %7s%s", t.at(s.From.Wall), s.Station, s.Stage, rules.Words(s.Length), t.temp(s.Low), t.temp(s.High), star))
	}
	if onAir {
		t.line(indent, "", "* no probe in the food for some of it: the station's air.")
	}
}

func (t *text) clocks(l *Life) {
	s := l.State
	if s == nil {
		return
	}
	parts := []string{"danger zone " + rules.Words(s.DangerZone), fmt.Sprintf("counted against it %s of %s", rules.Words(s.Charged), rules.Words(s.DangerLimit)),
		"below the hot limit " + rules.Words(s.BelowHotLimit), "come-up " + rules.Words(s.ComeUp), "unknown " + rules.Words(s.Unknown)}
	t.line(indent, label("Clocks"), strings.Join(parts, "; ")+".")
	if s.UnknownLength {
		t.line(indent, label(""), "A power-off of unknown length lies in it.")
	}
	if c := s.Cook; c != nil && s.CookSeen {
		t.linef(indent, label("Cooking"), "%s Cook value C100 %.0f min.", c.Text, s.CookValue)
	}
	if x := s.Lethality; x != nil {
		met := "not met"
		if x.TableMet {
			met = "met"
		}
		log := fmt.Sprintf("%.1f", x.Salmonella)
		if x.Salmonella > certain {
			log = fmt.Sprintf("more than %d", certain)
		}
		t.linef(indent, label(""), "Time-temperature table (%s) %s; Salmonella %s log10 by the integral, as advice.", x.Table, met, log)
	} else {
		t.line(indent, label("Cooking"), "not seen here.")
	}
}

// certain is the reduction in log10 beyond which more says nothing: no food holds so many.
const certain = 12

// runs writes the latest cooling and reheating.
func (t *text) runs(l *Life) {
	for i := range l.Proofs {
		t.linef(indent, label("Reheating"), "%s  %s", t.at(l.Proofs[i].At.Wall), l.Proofs[i].Text)
	}
	if l.State == nil {
		return
	}
	if c := l.State.Cooling; c != nil {
		t.linef(indent, label("Cooling"), "from %s: first limit after %s, last limit after %s: %s", t.at(c.Started.Wall), reached(c.Stage1), reached(c.Stage2), c.Result)
	}
	if h := l.State.Reheating; h != nil {
		t.linef(indent, label("Reheating"), "from %s: target after %s: %s", t.at(h.Started.Wall), reached(h.Reached), h.Result)
	}
}

func reached(d time.Duration) string {
	if d < 0 {
		return "- (not reached)"
	}
	return rules.Words(d)
}

func (t *text) verdicts(l *Life) {
	for i := range l.Verdicts {
		ev := &l.Verdicts[i]
		basis := ""
		if ev.Basis != "" {
			basis = " [" + ev.Basis + "]"
		}
		t.linef(indent, label("Verdict"), "%s  %s: %s%s", t.at(ev.At.Wall), ev.Verdict, ev.Text, basis)
	}
	if len(l.Verdicts) == 0 {
		t.line(indent, label("Verdict"), "ok throughout.")
	}
}

// alarms writes each alarm with what became of it; an advice that came again is told once, with its times.
func (t *text) alarms(all []*Alarm) {
	told := map[alarmKey]bool{}
	for i, a := range all {
		ev := &a.Raised
		if k := keyOf(ev); ev.Priority == rules.Advice {
			if !told[k] {
				told[k] = true
				t.linef(indent, label("Advice"), "%s  %s: %s%s", t.at(ev.At.Wall), ev.Alarm, ev.Text, t.cameAgain(all[i+1:], k))
			}
			continue
		}
		t.linef(indent, label("Alarm"), "%s  %s %s: %s", t.at(ev.At.Wall), ev.Priority, ev.Alarm, ev.Text)
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
		t.line(indent, label(""), strings.Join(then, "; ")+".")
	}
}

// cameAgain is when else the same advice was given.
func (t *text) cameAgain(later []*Alarm, k alarmKey) string {
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

// marks writes what people did: hand checks and corrective actions under their own headings, and that there
// were none.
func (t *text) marks(l *Life) {
	groups := []struct {
		head, none string
		of         func(m *Mark) bool
	}{
		{"Hand check", "none.", func(m *Mark) bool {
			return m.Kind == rules.MarkCheck || m.Temp != nil && m.Kind != rules.MarkCorrective
		}},
		{"Corrective", "no action recorded.", func(m *Mark) bool { return m.Kind == rules.MarkCorrective }},
	}
	listed := map[*Mark]bool{}
	for _, g := range groups {
		n := 0
		for _, m := range l.Marks {
			if g.of(m) && !listed[m] {
				listed[m] = true
				n++
				t.mark(g.head, m)
			}
		}
		if n == 0 {
			t.line(indent, label(g.head), g.none)
		}
	}
	for _, m := range l.Marks {
		if !listed[m] {
			t.mark("Mark", m)
		}
	}
}

// mark writes one mark: when, what, the note in the person's own words, and who signed.
func (t *text) mark(head string, m *Mark) {
	what := string(m.Kind)
	if head != "Mark" && m.Temp != nil && t.r.Units != "" {
		what = t.r.Units.Format(*m.Temp)
		if m.Kind != rules.MarkCheck {
			what += " (" + string(m.Kind) + ")"
		}
	}
	if m.Station != "" && m.Kind != rules.MarkCheck {
		what += " " + m.Station
	}
	if m.Note != "" {
		what += " “" + m.Note + "”"
	}
	what += ", " + m.Signed()
	switch {
	case m.Refused:
		what += ". Refused: " + m.Answer
	case m.Seq == 0:
		what += ". Told before; it counted once."
	}
	t.linef(indent, label(head), "%s  %s", t.at(m.At.Wall), what)
}

// watch writes what is about no lot.
func (t *text) watch() {
	r := t.r
	t.blank()
	t.line(0, "", "THE WATCH")
	for i := range r.Gaps {
		t.linef(indent, label("Gap"), "%s to %s  %s", t.at(r.Gaps[i].Since.Wall), t.at(r.Gaps[i].At.Wall), r.Gaps[i].Text)
	}
	if len(r.Gaps) == 0 {
		t.line(indent, label("Gaps"), "none: the readings are without a gap longer than the allowance.")
	}
	for i := range r.Clocks {
		t.linef(indent, label("Clock"), "%s  %s", t.at(r.Clocks[i].At.Wall), r.Clocks[i].Text)
	}
	t.alarms(r.Alarms)
	for _, m := range r.Marks {
		if m.Kind != rules.MarkCalibrate || m.Refused || m.Seq == 0 {
			t.mark("Mark", m)
		}
	}
}

// calibrations writes how far the probes could be trusted.
func (t *text) calibrations() error {
	if !t.r.whole {
		return nil
	}
	t.blank()
	t.line(0, "", "CALIBRATIONS: those in the span, and each probe's last before it")
	if len(t.r.Calibrations) == 0 {
		t.line(indent, "", noCalibration)
		return nil
	}
	var rows strings.Builder
	if err := table(&rows, t.r.Calibrations, t.r.Units, t.zone); err != nil {
		return err
	}
	for row := range strings.Lines(rows.String()) {
		t.write(strings.Repeat(" ", indent) + strings.TrimRight(row, " \n"))
	}
	return nil
}

func (t *text) foot() {
	t.blank()
	t.line(0, "", missing)
	t.line(0, "", caution)
	if h := t.r.Head; h.Links > 0 {
		t.linef(0, "", "The head of this record is link %d, %s: whoever notes that down can tell later, with holdbell records verify --head, whether it still stands.", h.Links, h.Hash.Short())
	}
	t.blank()
	t.line(0, "", "Reviewed by ______________________________  on ____________________")
}

package page

import (
	"fmt"
	"strings"
	"time"
	"unicode/utf8"

	"holdbell/publish"
	"holdbell/rules"
	"holdbell/rules/microbe"
	"holdbell/rules/terms"
	"holdbell/sensor"
)

// ticket is one lot in words.
type ticket struct {
	ID                     string
	Href                   string // of the page about it; empty on that page
	Stale                  bool
	Marks                  bool
	CheckHref, StationHref string
	Lot                    string
	Long                   bool // the name wants smaller letters
	Station                string
	Standing               bool
	Ended                  bool
	Food                   string
	Stage                  string
	Verdict                rules.Verdict
	Word                   string
	Temp                   *temp
	Probe                  string
	Do                     string
	Why                    string
	Proposal               string // a stage that the readings speak of, with the mark to make
	Basis                  string
	Left                   left
	Facts                  []fact
}

type fact struct{ Name, Value string }

// temp is a temperature to be shown large.
type temp struct{ Value, Unit string }

func tempOf(t *sensor.Temp, u rules.Units) *temp {
	if t == nil {
		return nil
	}
	value, unit, _ := strings.Cut(u.Format(*t), " ")
	return &temp{value, unit}
}

// left is the time that a lot has left, of how much.
type left struct {
	publish.Left
	Words   string
	Of      string
	Bar     bool
	Percent int
}

// longName is how many characters a name may have to stand large on a ticket.
const longName = 24

// ticketOf is one lot; unseen is how long nobody has looked, while the state is stale.
func ticketOf(l *rules.LotState, u rules.Units, c clock, unseen time.Duration) ticket {
	t := ticket{Lot: l.Lot, Long: utf8.RuneCountInString(l.Lot) > longName, Station: l.Station, Standing: l.Standing, Ended: l.Ended, Food: l.Food, Stage: terms.Label(l.Stage),
		Verdict: l.Verdict, Word: terms.Label(l.Verdict), Temp: tempOf(l.Temp, u), Probe: l.Probe, Do: l.Action, Proposal: l.Proposal, Basis: l.Basis, Left: leftOf(l, c, unseen)}
	// The verdict's sentence holds the action, which stands above it already.
	t.Why = l.Text
	if l.Action != "" {
		t.Why = strings.Replace(l.Text, " "+l.Action, "", 1)
	}
	add := func(name, value string) { t.Facts = append(t.Facts, fact{name, value}) }
	if !l.UnknownSince.IsZero() {
		add(terms.Label(terms.UnknownSince), c.both(l.UnknownSince))
	}
	if l.UnknownLength {
		add(terms.Label(terms.PowerCut), "of unknown length")
	}
	if l.Begun.IsZero() {
		add(terms.Label(terms.Begun), "at a time not known")
	} else {
		add(terms.Label(terms.Begun), c.both(l.Begun))
	}
	if l.DangerZone > 0 {
		add(terms.Label(terms.DangerZone), rules.Words(l.DangerZone))
	}
	if l.Charged != l.DangerZone {
		add(terms.Label(terms.Charged), rules.Words(l.Charged))
	}
	if l.BelowHotLimit > 0 {
		add(terms.Label(terms.BelowLimit), rules.Words(l.BelowHotLimit))
	}
	if l.ComeUp > 0 {
		add(terms.Label(terms.ComeUp), rules.Words(l.ComeUp))
	}
	if l.Unknown > 0 {
		add(terms.Label(terms.Unknown), rules.Words(l.Unknown))
	}
	if l.Cook != nil {
		add(terms.Label(rules.Cooking), l.Cook.Text)
	}
	if g := l.Growth; g != nil && max(g.CPerfringens, g.BCereus) >= leastGrowth {
		add(terms.Label(terms.Growth), growthWords(g))
	}
	if l.Cooling != nil {
		add(terms.Label(rules.Cooling), runWords(l.Cooling.Result, l.Cooling.Late, l.Cooling.Finish, c))
	}
	if l.Reheating != nil {
		add(terms.Label(rules.Reheating), runWords(l.Reheating.Result, l.Reheating.Late, l.Reheating.Finish, c))
	}
	if l.LastCheck.IsZero() {
		add(terms.Label(terms.HandCheck), "none since it was loaded")
	} else {
		add(terms.Label(terms.HandCheck), c.both(l.LastCheck))
	}
	if len(l.Probes) > 1 {
		add("Probes", strings.Join(l.Probes, ", "))
	}
	return t
}

// runWords says how a cooling or a reheating stands, and when it is expected to be over.
func runWords(result rules.RunResult, late bool, finish *rules.LegState, c clock) string {
	text := string(result)
	if finish != nil && finish.Forecast != nil {
		if d, known := finish.Forecast.At.Sub(c.now); known {
			text += ", expected to be done in " + rules.Words(max(0, d))
		}
	}
	if late {
		text += ", too late at this rate"
	}
	return text
}

// leftOf is the time that a lot has left, in words, with a bar where it counts down.
func leftOf(l *rules.LotState, c clock, unseen time.Duration) left {
	v := left{Left: publish.LeftOf(l, c.now, unseen)}
	v.Words = v.Left.Words()
	switch {
	case v.How == publish.LeftNone:
		v.Bar = true
	case v.How != publish.LeftTime:
	case l.Deadline.IsZero():
		v.fill(l.DangerLimit)
		v.Of = "of " + rules.Words(l.DangerLimit) + " in the danger zone"
	default:
		whole, of := spanOf(l)
		v.fill(max(whole, v.Time))
		if v.Of = of; c.at(l.Deadline) != "" {
			v.Of += ", until " + c.at(l.Deadline)
		}
	}
	return v
}

// fill draws the bar of a time of which whole was given.
func (l *left) fill(whole time.Duration) {
	if whole > 0 {
		l.Bar, l.Percent = true, int(100*l.Time/whole)
	}
}

// spanOf is the whole time that a lot's deadline was given, and what it is for.
func spanOf(l *rules.LotState) (time.Duration, string) {
	switch {
	case !l.TimeControlEnds.IsZero():
		return l.DangerLimit, "of its time control"
	case l.Cooling != nil && l.Cooling.Result == rules.Running &&
		(l.Stage == rules.Cooling || l.Cooling.Leg != nil && l.Deadline == l.Cooling.Leg.Deadline):
		d, _ := l.Deadline.Sub(l.Cooling.Started)
		return d, "to cool it"
	case l.Reheating != nil && l.Reheating.Result == rules.Running:
		d, _ := l.Deadline.Sub(l.Reheating.Started)
		return d, "to reheat it"
	}
	return l.DangerLimit, "of " + rules.Words(l.DangerLimit) + " in the danger zone"
}

// leastGrowth is the predicted growth, in powers of ten, that is worth a line: what lies under it is nothing
// against its uncertainty.
const leastGrowth = 0.05

// growthWords tells what the models predict, and how little sure that is.
func growthWords(g *rules.GrowthState) string {
	perfringens := fmt.Sprintf("%.1f", g.CPerfringens)
	if low := fmt.Sprintf("%.1f", g.CPerfringensLow); low != perfringens {
		perfringens = low + " to " + perfringens
	}
	return fmt.Sprintf("C. perfringens %s, B. cereus %.1f powers of ten, give or take %.1f at best", perfringens, g.BCereus, microbe.Uncertainty)
}

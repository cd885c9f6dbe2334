package panel

import (
	"math"
	"slices"
	"strings"
	"time"

	"holdbell/publish"
	"holdbell/rules"
	"holdbell/rules/terms"
	"holdbell/sensor"
)

// view is what a display shows, before it is fitted to one. Each field of several texts says the same, the longest
// first: a display takes the first that it has room for.
type view struct {
	head   string   // a lot's name, or what there is to say in place of one
	temp   string   // of the lot, such as "151.3°F"; empty without one
	coarse string   // the same without its tenth, never better than it is
	line   []string // verdict and time left, or the rest of head
	bell   []string // the alarm that waits to be acknowledged; nil without one
	where  []string // its stage and station
	more   string   // what to do, a whole sentence; empty when nothing is
	foot   []string // how many there are of each
}

// turnEvery is for how long a display that has room for one of two things shows either.
const turnEvery = 3 * time.Second

// compose says what there is to show of st at now. stale is the age from which a state is no longer the present.
func compose(st *rules.State, now sensor.Instant, stale time.Duration) view {
	if st == nil {
		return view{head: "holdbell", line: []string{"No sweep yet"}}
	}
	age, known := now.Sub(st.At)
	switch {
	case !known:
		return view{head: "Stale", line: []string{"Check by hand"}, more: publish.StaleDo}
	case age > stale:
		return view{head: "Stale", temp: short(age), coarse: short(age), line: []string{"Check by hand"}, more: publish.StaleDo}
	}
	v := view{bell: bell(st), foot: counts(st)}
	l, left := first(st, now)
	if l == nil {
		v.head, v.line = "No lots", []string{""}
		if v.bell != nil {
			v.line = v.bell
		}
		return v
	}
	v.head = readable(l.Lot, l.Station)
	v.temp, v.coarse = temperature(l, st.Units)
	v.line, v.more = verdict(l, left), l.Action
	if v.more == "" {
		v.more = l.Proposal
	}
	v.more = strings.ReplaceAll(plain(v.more), " °", "°") // which a line is not to end before
	at := plain(l.Station)
	v.where = []string{terms.Label(l.Stage) + " in " + at, at}
	return v
}

// first is the lot that needs a hand first, in the page's order.
func first(st *rules.State, now sensor.Instant) (lot *rules.LotState, left publish.Left) {
	for i := range st.Lots {
		l := &st.Lots[i]
		if !publish.WantsHand(l) {
			continue
		}
		if t := publish.LeftOf(l, now, 0); lot == nil || publish.CompareUrgency(l.Verdict, t, lot.Verdict, left) < 0 {
			lot, left = l, t
		}
	}
	return lot, left
}

// temperature is a lot's, and the same in whole degrees: rounded down where food is to be hot and up where it is to
// be cold, so that none reads better than it is.
func temperature(l *rules.LotState, u rules.Units) (fine, coarse string) {
	if l.Temp == nil {
		return terms.Label(terms.NoReading), "?"
	}
	t := *l.Temp
	fine = strings.ReplaceAll(u.Format(t), " ", "")
	whole := t.Celsius()
	if u == rules.Fahrenheit {
		whole = t.Fahrenheit()
	}
	unit := fine[strings.Index(fine, "°"):]
	// By the tenth that is shown: 135 °F in thousandths of a degree Celsius is a hair under.
	whole = math.Round(whole*10) / 10
	if l.Stage == rules.ColdHolding || l.Stage == rules.Cooling {
		whole = math.Ceil(whole)
	} else {
		whole = math.Floor(whole)
	}
	return fine, itoa(int(whole)) + unit
}

// verdict is the page's word for it in capitals, with the time left.
func verdict(l *rules.LotState, left publish.Left) []string {
	word := strings.ToUpper(terms.Label(l.Verdict))
	switch left.How {
	case publish.LeftTime:
		if left.Time > 0 {
			return []string{word + " " + left.Words(), word + " " + short(left.Time) + " left", word + " " + short(left.Time)}
		}
		return []string{word + " " + left.Words(), word}
	case publish.LeftUnknown:
		return []string{word + " " + left.Words(), word + " Not known"}
	case publish.LeftNone:
		return []string{word + " " + left.Words(), word}
	}
	return []string{word + " " + terms.Label(l.Stage), word}
}

// bell is the alarm that waits to be acknowledged: the one of the highest priority, the oldest of several.
func bell(st *rules.State) []string {
	var worst *rules.AlarmState
	for i := range st.Alarms {
		if a := &st.Alarms[i]; publish.WaitsForHand(a) && (worst == nil || a.Priority.Rank() > worst.Priority.Rank()) {
			worst = a
		}
	}
	if worst == nil {
		return nil
	}
	name := terms.Label(worst.Alarm)
	of := worst.Subject()
	if of == "-" {
		of = worst.Station
	}
	return []string{name + ", " + readable(of, worst.Station), name}
}

// counts says how many lots there are of each verdict, and how many alarms wait, in the page's words.
func counts(st *rules.State) []string {
	var n [3]int
	lots, waiting := 0, 0
	for i := range st.Lots {
		if l := &st.Lots[i]; publish.WantsHand(l) {
			n[publish.Urgency(l.Verdict)]++
			lots++
		}
	}
	for i := range st.Alarms {
		if publish.WaitsForHand(&st.Alarms[i]) {
			waiting++
		}
	}
	var long, tight []string
	for _, c := range [...]struct {
		n           int
		long, tight string
	}{{n[2], terms.Lower(rules.Discard), "disc"}, {n[1], terms.Lower(rules.Act), "act"}, {waiting, terms.Lower(rules.Unacknowledged), "unack"}, {n[0], terms.Label(rules.OK), terms.Label(rules.OK)}} {
		if c.n > 0 {
			long, tight = append(long, itoa(c.n)+" "+c.long), append(tight, itoa(c.n)+" "+c.tight)
		}
	}
	switch {
	case lots == 0 && waiting == 0:
		return nil
	case n[0] == lots && waiting == 0:
		return []string{"All lots OK"}
	}
	return []string{strings.Join(long, ", "), strings.Join(tight, " ")}
}

// stopped is the last thing shown.
func stopped(now sensor.Instant, zone *time.Location) view {
	v := view{head: "holdbell stopped", line: []string{"Not watched"}}
	if now.Believed {
		at := now.Wall.In(zone).Format("15:04")
		v.line = []string{at + " Not watched", at}
	}
	return v
}

// rows fits v to a display of characters. beat is the last character of the last row: it moves with the sweeps, by
// which a display that has frozen is told from a quiet one. turn counts turnEvery.
func (v view) rows(columns, rows, turn int, beat rune) []string {
	out := make([]string, rows)
	out[0] = v.header(columns)
	last := columns - 1
	if rows == 2 {
		out[1] = fit(last, v.turned(turn))
	} else {
		out[1] = fit(columns, v.line)
		text := v.more
		if v.bell != nil && !slices.Equal(v.bell, v.line) {
			text = strings.TrimSpace(v.bell[0] + ". " + v.more)
		}
		lines := wrap(text, last)
		room := rows - 2
		pages := (len(lines) + room - 1) / room
		switch {
		case pages == 0:
			out[rows-2] = fit(columns, v.where)
			out[rows-1] = fit(last, v.foot)
		default:
			copy(out[2:], lines[turn%pages*room:])
			// One line is no more than half of what there is room for.
			if room > 1 && len(lines) == 1 {
				out[rows-1] = fit(last, v.foot)
			}
		}
	}
	for i := range out {
		out[i] = pad(out[i], columns)
	}
	end := []rune(out[rows-1])
	end[columns-1] = beat
	out[rows-1] = string(end)
	return out
}

// turned is the line of a display that has room for one: the verdict, and in its turn the alarm that waits.
func (v view) turned(turn int) []string {
	if v.bell != nil && turn%2 == 1 {
		return v.bell
	}
	return v.line
}

// header is the name and the temperature in one row.
func (v view) header(columns int) string {
	if v.temp == "" {
		return shorten(v.head, columns)
	}
	for _, t := range []string{v.temp, v.coarse} {
		if width(v.head)+1+width(t) <= columns {
			return pad(v.head, columns-width(t)) + t
		}
	}
	room := columns - width(v.coarse)
	return pad(shorten(v.head, room-1), room) + v.coarse
}

package rules

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	"holdbell/sensor"
)

// Reminder is something that a station wants done at intervals: while the station is armed, it falls due
// Every after the last mark of the kind After there, or after arming.
type Reminder struct {
	Say   string // what to do, as an order: "turn the racks"
	Every time.Duration
	After MarkKind
	// Word, when set, is what the mark's note must hold: one note is not another.
	Word string
}

// ReminderMarks lists the kinds of mark that a reminder may wait for.
func ReminderMarks() []MarkKind {
	return []MarkKind{MarkCheck, MarkCorrective, MarkLoad, MarkMove, MarkNote, MarkRotate, MarkServe, MarkWrap}
}

// Shift is when people work, by the clock on the wall: from and to are times since midnight in the zone. A
// shift may run over midnight.
type Shift struct {
	From, To time.Duration
	Zone     *time.Location
}

// On reports whether the shift is on. A wall clock that is not believed tells nobody to sleep.
func (s *Shift) On(at sensor.Instant) bool {
	if s == nil || !at.Believed {
		return true
	}
	w := at.Wall.In(s.Zone)
	t := time.Duration(w.Hour())*time.Hour + time.Duration(w.Minute())*time.Minute + time.Duration(w.Second())*time.Second
	if s.From <= s.To {
		return t >= s.From && t < s.To
	}
	return t >= s.From || t < s.To
}

// dueClock is how one reminder stands.
type dueClock struct {
	Say  string        // which one, when the configuration has changed
	From time.Duration // runs since then; never while it does not
}

// setReminders gives a station's clocks the form of its configuration, and keeps what it still has.
func (e *Engine) setReminders() {
	for i := range e.set.Stations {
		st, want := &e.mem.Stations[i], e.set.Stations[i].Reminders
		had := st.Due
		st.Due = nil
		for _, r := range want {
			c := dueClock{r.Say, never}
			if j := slices.IndexFunc(had, func(c dueClock) bool { return c.Say == r.Say }); j >= 0 {
				c = had[j]
			}
			st.Due = append(st.Due, c)
		}
	}
}

// remind lets the reminders begin anew that waited for a mark.
func (e *Engine) remind(m *Mark, at time.Duration) {
	i := e.stationIndex(m.Station)
	if l := e.lotNamed(m.Lot); l != nil {
		i = l.Station
	}
	if i < 0 {
		return
	}
	for j := range e.mem.Stations[i].Due {
		r := &e.set.Stations[i].Reminders[j]
		if r.After == m.Kind && (r.Word == "" || strings.Contains(strings.ToLower(m.Note), strings.ToLower(r.Word))) {
			e.mem.Stations[i].Due[j].From = at
		}
	}
}

// over is how long a reminder has been due; below zero while it is not, and never while it does not run.
func (e *Engine) over(i, j int) time.Duration {
	if c := &e.mem.Stations[i].Due[j]; c.From != never {
		return e.mem.Now - c.From - e.set.Stations[i].Reminders[j].Every
	}
	return never
}

// watchDue judges check-due: one alarm a station, which names all that is due. It rings anew when one more
// thing falls due, or the same once more; off shift it only shows.
func (e *Engine) watchDue(i int) {
	st, s := &e.mem.Stations[i], &e.set.Stations[i]
	if len(st.Due) == 0 {
		if st.AlarmDue.Status != "" { // the configuration no longer has any
			e.judge(&st.AlarmDue, subjectOf{aDue, i, nil, -1}, finding{since: never, left: never, delay: never})
		}
		return
	}
	runs, times := st.Armed && !st.OutOfService, 0
	for j := range st.Due {
		c := &st.Due[j]
		switch {
		case !runs:
			c.From = never
		case c.From == never:
			c.From = e.mem.Now
		default:
			times += int((e.mem.Now - c.From) / s.Reminders[j].Every)
		}
	}
	f := finding{since: never, left: never, delay: never}
	awake := e.set.Shift.On(e.mem.At)
	if times > 0 && (awake || st.AlarmDue.Active) {
		f.level, f.mute = bad, !awake
	}
	if times > st.DueTimes {
		st.DueRank += times - st.DueTimes
	}
	changed := times != st.DueTimes
	st.DueTimes, f.rank = times, st.DueRank
	if times == 0 {
		st.DueRank = 0
	}
	if changed && times > 0 && st.AlarmDue.Active {
		st.AlarmDue.Text = e.dueText(i)
	}
	e.judge(&st.AlarmDue, subjectOf{aDue, i, nil, -1}, f)
}

// dueText names what is due, the longest first, and the marks that end it.
func (e *Engine) dueText(i int) string {
	s := &e.set.Stations[i]
	var due []int
	for j := range s.Reminders {
		if e.mem.Stations[i].Due[j].From != never && e.over(i, j) >= 0 {
			due = append(due, j)
		}
	}
	slices.SortStableFunc(due, func(a, b int) int { return cmp.Compare(e.over(i, b), e.over(i, a)) })
	var what, marks []string
	for _, j := range due {
		r := &s.Reminders[j]
		late := ""
		if over := e.over(i, j); over >= time.Minute {
			late = ", " + words(over) + " late"
		}
		what = append(what, fmt.Sprintf("%s (every %s%s)", r.Say, words(r.Every), late))
		mark := string(r.After)
		if r.Word != "" {
			mark += " with the word " + r.Word
		}
		if !slices.Contains(marks, mark) {
			marks = append(marks, mark)
		}
	}
	return fmt.Sprintf("Time at %s to %s. When it is done, mark it: %s.", s.Name, strings.Join(what, ", and to "), strings.Join(marks, ", "))
}

// dueClearText is the end of check-due.
func (e *Engine) dueClearText(i int, where string) string {
	if i >= 0 && e.mem.Stations[i].Armed {
		return "What was due at " + where + " is done."
	}
	return where + " is not watched any more; its reminders rest."
}

// ReminderState is how one reminder stands.
type ReminderState struct {
	Say   string
	Every time.Duration
	After MarkKind
	Word  string
	Next  sensor.Instant // when it is due, or has been since; zero while it does not run
	Due   bool
}

func (e *Engine) reminderStates(i int) []ReminderState {
	var out []ReminderState
	for j := range e.mem.Stations[i].Due {
		r := &e.set.Stations[i].Reminders[j]
		v := ReminderState{Say: r.Say, Every: r.Every, After: r.After, Word: r.Word}
		if c := &e.mem.Stations[i].Due[j]; c.From != never {
			v.Next, v.Due = e.instant(c.From+r.Every), e.over(i, j) >= 0
		}
		out = append(out, v)
	}
	return out
}

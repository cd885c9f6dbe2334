package records

import (
	"context"
	"encoding/csv"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"holdbell/publish/ledger"
	"holdbell/publish/publishtest/chromium"
	"holdbell/rules"
	"holdbell/sensor"
)

// mountain is a zone in which the simulated days begin at five in the morning.
var mountain = time.FixedZone("MST", -7*3600)

// sunday is the local midnight before the first of them.
var sunday = time.Date(2026, 3, 1, 0, 0, 0, 0, mountain)

// next lets another day begin.
func (s *shift) next() *shift {
	s.begun += 24 * time.Hour
	return s
}

// quiet is a day on which one brisket is cooked, held, checked and sold, and everything is signed.
func (s *shift) quiet() *shift {
	s.until(5, 30)
	s.temps[lead1] = 40
	s.put(1, 240, 110)
	s.say("load,brisket,pit-1,pit hand,,food=beef probe=lead-1 lb=12.1")
	s.until(13, 0)
	s.hand("brisket", "pit-1", "pit hand", 1, "flat")
	s.say("move,brisket,warmer-1,pit hand,,")
	s.put(1, 155, 120)
	s.until(18, 0)
	s.hand("brisket", "warmer-1", "line cook", 1, "flat")
	s.say("close,brisket,warmer-1,line cook,,sold out")
	s.until(24, 0)
	return s
}

// mixedWeek is a busy day, a quiet one, one without the board, a quiet one, a busy one and two quiet ones.
func mixedWeek(t testing.TB) *shift {
	s := newShift(t).busy()
	s.say("close,shoulder,walkin,shift lead,,sold cold")
	s.next().quiet()
	s.next().next()
	s.off(24 * time.Hour)
	s.quiet()
	s.next().busy()
	s.say("close,shoulder,walkin,shift lead,,sold cold")
	s.next().quiet().next().quiet()
	return s
}

// busyWeek is seven busy days.
func busyWeek(t testing.TB) *shift {
	s := newShift(t)
	for i := range 7 {
		if i > 0 {
			s.say("close,shoulder,walkin,shift lead,,sold cold")
			s.next()
		}
		s.busy()
	}
	return s
}

func (k *kitchen) summary(o Options) *Summary {
	k.t.Helper()
	l, err := ledger.OpenReader(k.path)
	if err != nil {
		k.t.Fatal(err)
	}
	defer l.Close()
	s, err := Summarize(context.Background(), l, o, mountain)
	if err != nil {
		k.t.Fatal(err)
	}
	s.r.Ledger, s.r.Head = strings.Repeat("0", 32), ledger.Head{Links: s.r.Head.Links, Hash: ledger.Hash{0xab, 0xcd}}
	return s
}

// week is the summary of the seven days from the first.
func (k *kitchen) week() *Summary {
	return k.summary(Options{From: sunday, To: sunday.AddDate(0, 0, 7).Add(-time.Millisecond), Setup: eight(k.t)})
}

func (s *Summary) in(t testing.TB, format string) string {
	t.Helper()
	var b strings.Builder
	if err := s.Write(&b, format, mountain); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

// A week as a person reads it, in all its forms.
func TestSummaryOfAWeek(t *testing.T) {
	k := mixedWeek(t)
	s := k.week()
	k.counted(s)
	for _, of := range []struct{ format, path string }{{"text", "testdata/week.txt"}, {"html", "testdata/week.html"}, {"csv", "testdata/week.csv"}} {
		got := s.in(t, of.format)
		if *update {
			if err := os.WriteFile(of.path, []byte(got), 0o644); err != nil {
				t.Fatal(err)
			}
		}
		want, err := os.ReadFile(of.path)
		if err != nil {
			t.Fatal(err)
		}
		if got != string(want) {
			t.Errorf("%s reads otherwise; -update writes it anew. Now:\n%s", of.path, got)
		}
	}
	text := s.in(t, "text")
	for i, line := range strings.Split(text, "\n") {
		if utf8.RuneCountInString(line) > width {
			t.Errorf("line %d is wider than a terminal: %s", i+1, line)
		}
	}
	rows, err := csv.NewReader(strings.NewReader(s.in(t, "csv"))).ReadAll()
	if err != nil || len(rows) != 1+7+1+len(s.items) || len(s.items) < 10 {
		t.Errorf("%d rows of %d answers: %v", len(rows), len(s.items), err)
	}
	html := s.in(t, "html")
	for _, want := range []string{"Site", "FDA Food Code 2022", "MST (-07:00)", "links, head abcd-0000-0000-0000", "no record", "1 of 7 days have no record",
		"“breaker had tripped;", "reheated, proven 15:", "Reviewed by", "117.165(a)(4)", "417.5(c)", caution, "common practice"} {
		if !strings.Contains(html, want) {
			t.Errorf("the sheet lacks %q", want)
		}
	}
}

// counted holds each day's line against the ledger's own events.
func (k *kitchen) counted(s *Summary) {
	t := k.t
	t.Helper()
	if len(s.days) != 7 {
		t.Fatalf("%d days", len(s.days))
	}
	l, err := ledger.OpenReader(k.path)
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	seen := 0
	for i := range s.days {
		d := &s.days[i]
		begun, ended, critical, warned := 0, map[rules.Verdict]int{}, 0, 0
		events, err := l.EventsWithin(context.Background(), d.from, d.to.Add(-time.Millisecond))
		if err != nil {
			t.Fatal(err)
		}
		for _, ev := range events {
			seen++
			switch {
			case ev.Kind == rules.LotBegun && d.has(ev.Since.Wall):
				begun++
			case ev.Kind == rules.LotEnded:
				ended[ev.Verdict]++
			case ev.Kind == rules.AlarmRaised && ev.Priority == rules.Critical:
				critical++
			case ev.Kind == rules.AlarmRaised && ev.Priority == rules.Warning:
				warned++
			}
		}
		if d.begun != begun || d.ok != ended[rules.OK] || d.act != ended[rules.Act] || d.discard != ended[rules.Discard] || d.critical+d.warning != critical+warned || d.critical < critical {
			t.Errorf("day %d: %+v; the events: %d begun, ended %v, %d critical, %d warnings", i+1, *d, begun, ended, critical, warned)
		}
	}
	if seen < 100 {
		t.Fatalf("%d events", seen)
	}
	busy, quiet, away := s.days[0], s.days[1], s.days[3-1]
	if busy.checks != 4 || busy.corrective != 1 || busy.calibrated != 3 || quiet.checks != 2 || quiet.corrective+quiet.calibrated != 0 {
		t.Errorf("marks: %+v, %+v", busy, quiet)
	}
	if away.recorded || away.unread != 24*time.Hour || !busy.recorded {
		t.Errorf("the day without the board: %+v", away)
	}
	// Twelve minutes without power, and the night before the ledger began.
	if want := 5*time.Hour + time.Minute + 13*time.Minute; busy.unread != want {
		t.Errorf("without readings %v, want %v", busy.unread, want)
	}
	if rows := strings.Split(s.in(t, "text"), "\n"); !slices.Contains(rows, "Tue 03-03 no record") {
		t.Error("a day without a record has figures")
	}
	total, missing := s.total()
	begun := 0
	for i := range s.days {
		begun += s.days[i].begun
	}
	if missing != 1 || total.begun != begun || total.unread >= 24*time.Hour {
		t.Errorf("in all: %+v, %d days missing", total, missing)
	}
}

// A busy week is at most two sheets of either paper; so is one in which nothing fits, and it says what it left out.
func TestSummarySheets(t *testing.T) {
	tab := chromium.Tab(t, chromium.Start(t))
	week := busyWeek(t).week()
	whole := week.in(t, "html")
	for i := range 300 {
		x := week.items[i%len(week.items)]
		x.sort, x.what = unsigned, fmt.Sprintf("%s %d", strings.Repeat("check brisket 20:45; ", 1+i%9), i)
		week.items = append(week.items, x)
	}
	over := week.in(t, "html")
	for i := range week.items { // as wide and long as a note may be
		if week.items[i].sort == unsigned {
			week.items[i].sort, week.items[i].what = discarded, strings.Repeat("W", 1000)
		}
	}
	broad := week.in(t, "html")
	for _, on := range papers() {
		if n := onPaper(t, tab, "week", whole, on); n > 2 {
			t.Errorf("the week takes %d sheets of %s", n, on.name)
		}
		if n := onPaper(t, tab, "over", over, on); n != 2 {
			t.Errorf("the overfull week takes %d sheets of %s", n, on.name)
		}
		if n := onPaper(t, tab, "broad", broad, on); n > 2 {
			t.Errorf("broad notes take %d sheets of %s", n, on.name)
		}
	}
	if text := chromium.Text(t, tab); !strings.Contains(text, "Left out, to keep to two sheets: ") || !strings.Contains(text, "holdbell records --summary --from 2026-03-01 --to 2026-03-07") {
		t.Error("the sheet hides that it was cut")
	}
	chromium.Size(t, tab, 800, 900, "light")
	if by := chromium.Get[float64](t, tab, wide); by > 0.5 {
		t.Errorf("the page is %.1f wider than the window", by)
	}
}

// What does not fit is counted by its sort, and what weighs most stays.
func TestSummaryFit(t *testing.T) {
	s := &Summary{}
	for i := range 60 {
		x := item{entry{head: "x", at: noon.Add(time.Duration(i) * time.Hour), what: strings.Repeat("w", across-1)}, unsigned}
		if i%6 == 5 {
			x.sort = discarded
		}
		s.items = append(s.items, x)
	}
	shown, left := s.fit(20)
	if len(shown) != 20 || !strings.Contains(left, "40 of 60 entries (40 of days with unsigned marks)") || !slices.IsSortedFunc(shown, func(a, b entry) int { return a.at.Compare(b.at) }) {
		t.Errorf("%d are shown; %s", len(shown), left)
	}
	if shown, left := s.fit(60); len(shown) != 60 || left != "" {
		t.Errorf("%d are shown; %s", len(shown), left)
	}
	if shown, left := s.fit(4); len(shown) != 4 || !strings.Contains(left, "(6 of lots to discard, 50 of days with unsigned marks)") {
		t.Errorf("%d are shown; %s", len(shown), left)
	}
}

// The last seven whole days are told in the kitchen's zone, over a change of its clocks too.
func TestLastDays(t *testing.T) {
	place, err := time.LoadLocation("America/Chicago")
	if err != nil {
		t.Fatal(err)
	}
	day := func(d, h, m int) time.Time { return time.Date(2026, 3, d, h, m, 0, 0, place) }
	for _, c := range []struct {
		from, to, last   time.Time
		wantFrom, wantTo time.Time
	}{
		{time.Time{}, time.Time{}, day(9, 6, 0), day(2, 0, 0), day(9, 0, 0)},
		{time.Time{}, time.Time{}, day(8, 23, 58), day(2, 0, 0), day(9, 0, 0)},
		{time.Time{}, time.Time{}, day(8, 23, 50), day(1, 0, 0), day(8, 0, 0)},
		{day(7, 0, 0), time.Time{}, day(9, 6, 0), day(7, 0, 0), day(9, 6, 0).Add(time.Millisecond)},
		{time.Time{}, day(9, 0, 0).Add(-time.Millisecond), day(20, 6, 0), day(2, 0, 0), day(9, 0, 0)},
	} {
		if from, to := lastDays(c.from, c.to, c.last, nil, place); !from.Equal(c.wantFrom) || !to.Add(time.Millisecond).Equal(c.wantTo) {
			t.Errorf("%v: from %v to %v", c.last, from, to)
		}
	}
}

// A week in which all was well says so; one that is not recorded never does.
func TestSummaryOfNothing(t *testing.T) {
	k := newKitchen(t)
	k.now = 12 * time.Hour // five in the afternoon
	k.toward(60, 31*time.Hour)
	s := k.summary(Options{Setup: setup(t, "us-fda-2022")})
	if len(s.days) != 7 || !s.days[6].recorded || !s.days[5].recorded || s.days[4].recorded || s.days[6].unread > time.Minute {
		t.Fatalf("%+v", s.days)
	}
	monday := Options{From: sunday.AddDate(0, 0, 1), To: sunday.AddDate(0, 0, 2).Add(-time.Millisecond), Setup: setup(t, "us-fda-2022")}
	if text := k.summary(monday).in(t, "html"); !strings.Contains(text, "Nothing: no lots to discard, no lots to act on,") || strings.Contains(text, "<td class=\"none\"") {
		t.Errorf("a day on which all was well: %s", text)
	}
	later := Options{From: sunday.AddDate(0, 0, 20), To: sunday.AddDate(0, 0, 22).Add(-time.Millisecond), Setup: setup(t, "us-fda-2022")}
	text := strings.Join(strings.Fields(k.summary(later).in(t, "text")), " ")
	if strings.Count(text, "Sat 03-21 no record")+strings.Count(text, "Sun 03-22 no record") != 2 || strings.Contains(text, "Nothing: no") || !strings.Contains(text, "No reading is in the record for 2 d") {
		t.Errorf("days after the record: %s", text)
	}
	l, err := ledger.OpenReader(k.path)
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	if _, err := Summarize(context.Background(), l, Options{From: sunday, To: sunday.Add(-time.Hour)}, mountain); err == nil {
		t.Error("a span that ends before it begins is taken")
	}
	if _, err := Summarize(context.Background(), l, Options{From: sunday, To: sunday.AddDate(1, 0, 0)}, mountain); err == nil || !strings.Contains(err.Error(), "at most 32 days") {
		t.Errorf("a year: %v", err)
	}
}

// An alarm that rang before midnight and was acknowledged after it was acknowledged; one that rang again waits anew;
// what is unsigned, refused, failed or overdue is named.
func TestSummaryAnswers(t *testing.T) {
	k := newKitchen(t)
	set := setup(t, "us-fda-2022")
	set.Probes[0].CalibrateEvery = 24 * time.Hour
	k.now = 17 * time.Hour // ten in the evening
	k.say("calibrate,,,,,probe=lead ref=ice true=32F read=36F").toward(190, 10*time.Minute)
	k.say("load,ribs,warmer,pit hand,,food=pork probe=lead").say("discard,nobody,warmer,,,").toward(150, 30*time.Minute)
	k.toward(120, 40*time.Minute).toward(120, time.Hour)
	k.say("acknowledge,,warmer,shift lead,,").toward(120, 10*time.Minute)
	k.say("close,ribs,warmer,,,").toward(120, 30*time.Hour)
	day := k.summary(Options{From: sunday, To: sunday.AddDate(0, 0, 1).Add(-time.Millisecond), Setup: set})
	text := strings.Join(strings.Fields(day.in(t, "text")), " ")
	for _, want := range []string{
		"Act 2026-03-01 23:01 ribs in warmer at 134.3 °F", "Done: nothing recorded; still watched at the end of the span; bell below hot limit 23:01 acknowledged only after 1 h 20 min by shift lead.",
		"Probe lead failed: it read 36 °F where 32 °F is true (ice), unsigned", "No later check of it is in the record.",
		"Refused 2026-03-01 22:10 discard nobody, unsigned. ", "Unsigned 2026-03-01 22:00 calibrate lead 22:00.",
		"Nothing of these:", "No calibration is known of: pit-air, warmer-air.",
	} {
		if !strings.Contains(text, want) {
			t.Errorf("the day lacks %q:\n%s", want, text)
		}
	}
	if d := day.days[0]; d.critical != 1 || d.slowest < 80*time.Minute {
		t.Errorf("the alarms of the day: %+v", d)
	}
	both := strings.Join(strings.Fields(k.summary(Options{From: sunday, To: sunday.AddDate(0, 0, 2), Setup: set}).in(t, "text")), " ")
	for _, want := range []string{"Hand check 2026-03-02 00:31 None was made of: ribs (pork), ended 00:31", "Probe pit-air is overdue since then: it was never calibrated in this record."} {
		if !strings.Contains(both, want) {
			t.Errorf("the two days lack %q:\n%s", want, both)
		}
	}
	after := k.summary(Options{From: sunday.AddDate(0, 0, 1), To: sunday.AddDate(0, 0, 2).Add(-time.Millisecond), Setup: set})
	if text := strings.Join(strings.Fields(after.in(t, "text")), " "); !strings.Contains(text, "Act 2026-03-01 23:01 ribs in warmer") || !strings.Contains(text, "ended 2026-03-02 00:31 as act") {
		t.Errorf("the day after tells nothing of what stood as it began:\n%s", text)
	}
	if strings.Contains(text, "overdue since") {
		t.Error("a calibration is overdue before its day")
	}
}

// A power-off of unknown length has no length, in no form of the sheet.
func TestSummaryOfAnUnknownLength(t *testing.T) {
	before := sensor.Instant{Wall: sunday.Add(10 * time.Hour), Mono: time.Hour, Boot: sensor.BootID{1}, Believed: true}
	after := sensor.Instant{Wall: sunday.Add(10*time.Hour + time.Minute), Mono: time.Minute, Boot: sensor.BootID{2}}
	r := &Record{From: sunday, To: sunday.AddDate(0, 0, 1).Add(-time.Millisecond), Units: rules.Celsius, book: NewBook()}
	r.paused(before, after)
	r.Gaps = []rules.Event{{Kind: rules.Restarted, At: after, Since: before, Text: "The watch was off for an unknown time."}}
	s := &Summary{r: r, first: r.From, last: r.To}
	s.split(mountain)
	s.items = s.answers(mountain)
	if text := s.in(t, "text"); !regexp.MustCompile(`(?m)^Sun 03-01 .* unknown +0$`).MatchString(text) || !regexp.MustCompile(`Its length is\s+unknown`).MatchString(text) || strings.Count(text, "Gap ") != 1 {
		t.Errorf("a power-off of unknown length: %s", text)
	}
	r.Gaps = nil
	if s.items = s.answers(mountain); len(s.items) != 1 || !strings.Contains(s.items[0].what, "for an unknown time") {
		t.Errorf("without its event: %+v", s.items)
	}
	if rows, err := csv.NewReader(strings.NewReader(s.in(t, "csv"))).ReadAll(); err != nil || rows[1][slices.Index(summaryColumns, "without_readings_seconds")] != "" || rows[1][5] != "yes" {
		t.Errorf("in the rows: %q, %v", rows, err)
	}
}

// An alarm waits from its bell to an answer, and anew when it rings after one.
func TestAlarmWaits(t *testing.T) {
	at := func(m int) sensor.Instant {
		return sensor.Instant{Wall: noon.Add(time.Duration(m) * time.Minute), Mono: time.Duration(m) * time.Minute, Believed: true}
	}
	a := &Alarm{}
	tell := func(m int, k rules.EventKind, p rules.Priority, st rules.AlarmStatus) {
		a.heard(&rules.Event{Kind: k, At: at(m), Priority: p, State: st})
	}
	tell(0, rules.AlarmRaised, rules.Warning, rules.Unacknowledged)
	tell(10, rules.AlarmRepeated, rules.Critical, rules.Unacknowledged)
	tell(20, rules.AlarmAcknowledged, rules.Critical, rules.Acknowledged)
	if !a.asked.IsZero() || a.wait != 20*time.Minute || a.priority != rules.Critical {
		t.Errorf("%+v", a)
	}
	tell(60, rules.AlarmRepeated, rules.Critical, rules.Unacknowledged)
	tell(65, rules.AlarmCleared, rules.Critical, rules.Returned)
	if a.asked != at(60) {
		t.Errorf("it rang again: %+v", a)
	}
	tell(100, rules.AlarmAcknowledged, rules.Critical, rules.Normal)
	if !a.asked.IsZero() || a.wait != 40*time.Minute {
		t.Errorf("%+v", a)
	}
	b := &Alarm{}
	b.heard(&rules.Event{Kind: rules.AlarmRaised, At: at(0), Priority: rules.Critical, State: rules.Shelved})
	if !b.asked.IsZero() {
		t.Error("a shelved alarm waits for an answer")
	}
}

// BenchmarkSummaryWeek makes the summary of eight probes read each second for a week, from a ledger as a daemon
// writes it. With -artifacts that ledger is kept.
func BenchmarkSummaryWeek(b *testing.B) {
	set := eight(b)
	set.Probes, set.Stations[0].Food = set.Probes[:8], nil
	k := kitchenOf(b, set, 250, 280, 155, 150, 160, 36, 37, 350)
	k.every, k.now = time.Second, -5*time.Hour-time.Second/2 // midnight
	at := append([]float64{}, k.temps...)
	const week = 7 * 24 * 3600
	for i := range week {
		if i%(24*3600) == 6*3600 {
			k.say("load,ribs,warmer-1,line cook,,food=pork")
		}
		if hour := i % (24 * 3600) / 3600; i%3600 == 0 && hour > 6 && hour < 20 {
			k.say("check,ribs,warmer-1,line cook,,F=150")
		}
		if i%(24*3600) == 20*3600 {
			k.say("close,ribs,warmer-1,line cook,,")
		}
		for p := range k.temps {
			k.temps[p] = at[p] + 0.5*math.Sin(float64(i*(p+1))/300)
		}
		k.sweep()
		if i%60 == 59 {
			k.flush()
		}
	}
	if err := k.ledger.Close(); err != nil {
		b.Fatal(err)
	}
	whole, err := os.ReadFile(k.path)
	if err != nil {
		b.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(b.ArtifactDir(), "week.db"), whole, 0o644); err != nil {
		b.Fatal(err)
	}
	for b.Loop() {
		s := k.summary(Options{Setup: set})
		if s.r.Sweeps != week || len(s.in(b, "html")) < 5000 {
			b.Fatalf("%d sweeps", s.r.Sweeps)
		}
	}
}

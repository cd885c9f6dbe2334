package records

import (
	"cmp"
	"context"
	"encoding/csv"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"holdbell/publish/ledger"
	"holdbell/rules"
	"holdbell/rules/foodcode"
	"holdbell/sensor"
)

var noon = time.Date(2026, 3, 1, 12, 0, 0, 0, time.UTC)

func fahrenheit(v float64) sensor.Temp { t, _ := sensor.FromFahrenheit(v); return t }

// setup is a pit and a warmer, with a lead that goes along.
func setup(t testing.TB, code string) *rules.Setup {
	t.Helper()
	c, err := foodcode.Lookup(code)
	if err != nil {
		t.Fatal(err)
	}
	return &rules.Setup{Site: "test", Units: rules.Fahrenheit, GapAllowance: 5 * time.Minute, Code: c,
		Probes: []rules.ProbeSetup{{Name: "pit-air"}, {Name: "lead"}, {Name: "warmer-air"}},
		Stations: []rules.StationSetup{
			{Name: "pit", Purpose: rules.Cooking, Air: 0, Food: []int{1}},
			{Name: "warmer", Purpose: rules.HotHolding, Air: 2},
		}}
}

// kitchen writes a ledger as a daemon does, a sweep a minute.
type kitchen struct {
	t      testing.TB
	path   string
	ledger *ledger.Ledger
	engine *rules.Engine
	batch  ledger.Batch
	number uint64
	now    time.Duration
	layout []string
	temps  []float64    // °F
	dead   map[int]bool // probes that read nothing
	marks  []rules.Mark
	every  time.Duration // between two sweeps; 0 is a minute
}

func newKitchen(t testing.TB) *kitchen {
	t.Helper()
	return kitchenOf(t, setup(t, "us-fda-2022"), 275, 40, 150)
}

// kitchenOf is a kitchen whose probes begin with these temperatures.
func kitchenOf(t testing.TB, set *rules.Setup, temps ...float64) *kitchen {
	t.Helper()
	path := filepath.Join(t.TempDir(), "ledger.db")
	l, err := ledger.Open(path, ledger.Options{})
	if err != nil {
		t.Fatal(err)
	}
	e, err := rules.New(*set)
	if err != nil {
		t.Fatal(err)
	}
	k := &kitchen{t: t, path: path, ledger: l, engine: e, temps: temps, dead: map[int]bool{}}
	for _, p := range set.Probes {
		k.layout = append(k.layout, p.Name)
	}
	t.Cleanup(func() { _ = l.Close() })
	k.flush()
	return k
}

func (k *kitchen) at() sensor.Instant {
	return sensor.Instant{Wall: noon.Add(k.now), Mono: k.now, Believed: true}
}

func (k *kitchen) say(text string) *kitchen {
	k.t.Helper()
	f := strings.SplitN(text, ",", 6) // kind,lot,station,by,id,note
	m, err := rules.ParseMark(rules.MarkFields{Mark: f[0], Lot: f[1], Station: f[2], By: f[3], ID: f[4], Note: f[5]})
	if err != nil {
		k.t.Fatal(err)
	}
	m.At = k.at()
	k.marks = append(k.marks, m)
	return k
}

// toward sweeps each minute, with the lead going straight to a temperature.
func (k *kitchen) toward(lead float64, d time.Duration) *kitchen {
	k.t.Helper()
	from, n := k.temps[1], int(d/time.Minute)
	for i := range n {
		k.temps[1] = from + (lead-from)*float64(i+1)/float64(n)
		k.sweep()
	}
	k.flush()
	return k
}

// sweep reads all probes a minute later, or when the kitchen's next sweep is.
func (k *kitchen) sweep() {
	k.now += cmp.Or(k.every, time.Minute)
	s := sensor.Sweep{At: k.at()}
	for i, v := range k.temps {
		reading := sensor.Reading{Temp: fahrenheit(v)}
		if k.dead[i] {
			reading = sensor.Bad(sensor.Open)
		}
		s.Readings = append(s.Readings, reading)
	}
	k.number++
	k.batch.Sweeps = append(k.batch.Sweeps, s)
	for _, m := range k.marks {
		k.batch.Marks = append(k.batch.Marks, ledger.Marked{Sweep: k.number, Mark: m})
	}
	k.batch.Events = append(k.batch.Events, k.engine.Step(rules.Input{Sweep: s, Marks: k.marks})...)
	k.marks = nil
}

// off lets time pass that nobody watches.
func (k *kitchen) off(d time.Duration) *kitchen { k.now += d; return k }

func (k *kitchen) flush() {
	k.t.Helper()
	if len(k.batch.Sweeps) > 0 {
		if err := k.ledger.Commit(context.Background(), k.batch); err != nil {
			k.t.Fatal(err)
		}
	}
	k.batch = ledger.Batch{Layout: k.layout, FirstSweep: k.number + 1}
}

func (k *kitchen) read(o Options) *Record {
	k.t.Helper()
	l, err := ledger.OpenReader(k.path)
	if err != nil {
		k.t.Fatal(err)
	}
	defer l.Close()
	r, err := Read(context.Background(), l, o)
	if err != nil {
		k.t.Fatal(err)
	}
	return r
}

func (k *kitchen) compare(names ...string) (string, error) {
	k.t.Helper()
	l, err := ledger.OpenReader(k.path)
	if err != nil {
		k.t.Fatal(err)
	}
	defer l.Close()
	o := Options{Setup: setup(k.t, "us-fda-2022")}
	for _, n := range names {
		name, err := ParseName(n, time.UTC)
		if err != nil {
			return "", err
		}
		o.Lots = append(o.Lots, name)
	}
	c, err := Compare(context.Background(), l, o, time.UTC)
	if err != nil {
		return "", err
	}
	var b strings.Builder
	err = c.Text(&b, time.UTC)
	return b.String(), err
}

func oneLine(t testing.TB, r *Record) string {
	t.Helper()
	var b strings.Builder
	if err := r.Text(&b, time.UTC); err != nil {
		t.Fatal(err)
	}
	return strings.Join(strings.Fields(b.String()), " ") // as one line, so that a break hides nothing
}

// threeDays cooks and holds ribs on three days; on the last they fall cold.
func threeDays(t testing.TB) *kitchen {
	k := newKitchen(t)
	for day, long := range []time.Duration{4 * time.Hour, 5 * time.Hour, 6 * time.Hour} {
		id := string(rune('a' + day))
		k.temps[1] = 40
		k.toward(40, 10*time.Minute)
		k.say("load,ribs,pit,pit hand," + id + "1,food=pork probe=lead day " + id + " 2.5 kg")
		k.toward(180, long)
		k.say("wrap,ribs,pit,pit hand,"+id+"2,=SUM(A1) paper").toward(195, time.Hour)
		k.say("move,ribs,warmer,,"+id+"3,").toward(150, time.Hour)
		if day == 2 {
			k.toward(120, time.Hour)
			k.say("corrective,ribs,warmer,," + id + "4,cabinet was off").say("discard,ribs,warmer,shift lead," + id + "5,too long")
		} else {
			k.say("check,ribs,warmer,line cook," + id + "4,F=149 thick end").say("close,ribs,warmer,line cook," + id + "5,")
		}
		k.toward(60, 10*time.Minute)
		k.say("close,nothing,pit,line cook,"+id+"6,").toward(60, time.Minute)
		k.off(24*time.Hour - k.now%(24*time.Hour))
	}
	k.toward(60, 10*time.Minute)
	return k
}

func TestRecordSaysWhatWasSaid(t *testing.T) {
	k := threeDays(t)
	r := k.read(Options{From: noon.AddDate(0, 0, 2), Setup: setup(t, "us-fda-2022")})
	if len(r.Doubts) > 0 {
		t.Errorf("doubts: %q", r.Doubts)
	}
	said := oneLine(t, r)
	for _, want := range []string{
		"LOT ribs (pork): DISCARD", "by pit hand",
		"pit cooking 7 h", "warmer hot holding 2 h 120 194.3",
		"Corrective 2026-03-03 21:10 corrective warmer “cabinet was off”, unsigned",
		"discard warmer “too long”, shift lead",
		"critical, below hot limit: ribs", "not acknowledged", "Hand check none.",
		"[FDA Food Code 2022 3-501.16(A)(1)]",
		"Refused: No open lot is called nothing",
		"Gap 2026-03-02 ", "who reviewed it",
	} {
		if !strings.Contains(said, want) {
			t.Errorf("the record lacks %q:\n%s", want, said)
		}
	}
	for _, other := range []string{"day a", "day b"} {
		if strings.Contains(said, other) {
			t.Errorf("the record tells of another day: %q", other)
		}
	}
}

// What was said is what the record says, whatever the rules of today would; and it tells that they differ.
func TestRecordTellsWhereTheRulesDiffer(t *testing.T) {
	k := threeDays(t)
	o := Options{From: noon.AddDate(0, 0, 2), Setup: setup(t, "us-fda-2022")}
	before := k.read(o)
	o.Setup.Code.HotLimit = fahrenheit(100)
	o.Setup.Code.ColdLimit = fahrenheit(41)
	after := k.read(o)
	if len(after.Lots) == 0 || !strings.Contains(strings.Join(after.Doubts, " "), "Of ribs was said then: act. This program with this configuration would say: nothing.") {
		t.Fatalf("no doubt is told: %q", after.Doubts)
	}
	same := func(a, b []rules.Event) bool {
		return slices.EqualFunc(a, b, func(x, y rules.Event) bool { return x.Seq == y.Seq && x.Text == y.Text })
	}
	ribs := func(r *Record) []rules.Event {
		return r.Lots[slices.IndexFunc(r.Lots, func(l *Life) bool { return l.Lot == "ribs" })].Verdicts
	}
	if !same(ribs(before), ribs(after)) || len(ribs(before)) == 0 || !same(before.Events, after.Events) {
		t.Error("what was said changed with the configuration")
	}
}

// Without a configuration the record holds what was said, and says what it lacks.
func TestRecordWithoutConfiguration(t *testing.T) {
	r := threeDays(t).read(Options{})
	if said := oneLine(t, r); !strings.Contains(said, "--config FILE") || strings.Contains(said, "Clocks") || strings.Count(said, "LOT ribs") != 3 {
		t.Errorf("without a configuration: %s", said)
	}
}

func TestRecordOfOneLot(t *testing.T) {
	k := threeDays(t)
	name, err := ParseName("ribs@2026-03-02", time.UTC)
	if err != nil {
		t.Fatal(err)
	}
	r := k.read(Options{Lots: []Name{name}, Setup: setup(t, "us-fda-2022")})
	if len(r.Lots) != 1 || !strings.Contains(oneLine(t, r), "day b") || len(r.Alarms)+len(r.Marks) > 0 {
		t.Errorf("%d lots: %s", len(r.Lots), oneLine(t, r))
	}
	for _, ev := range r.Events {
		if ev.Lot != "" && ev.Lot != "ribs" || ev.At.Wall.Day() != 2 {
			t.Errorf("an event of another lot: %v %s", ev.At.Wall, ev.Text)
		}
	}
	l, err := ledger.OpenReader(k.path)
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	if _, err := Read(context.Background(), l, Options{Lots: []Name{{Lot: "rib"}}}); err == nil || !strings.Contains(err.Error(), "the lots in it: ribs") {
		t.Errorf("a wrong name: %v", err)
	}
}

// The record of a span has its checks of probes, and of each probe the last before it; that of a lot has none.
func TestCalibrationsInTheRecord(t *testing.T) {
	k := newKitchen(t)
	check := func(probe, ref, truth, read, by string) {
		k.say("calibrate,,,"+by+",,probe="+probe+" ref="+ref+" true="+truth+" read="+read).toward(40, 5*time.Minute)
	}
	k.toward(40, 5*time.Minute)
	check("lead", "ice", "32F", "36F", "day a")
	check("lead", "ice", "32F", "33F", "day a later")
	check("pit-air", "boiling", "212F", "211F", "")
	k.off(24 * time.Hour)
	k.say("load,ribs,pit,,,food=pork").toward(40, 5*time.Minute)
	check("lead", "ice", "32F", "34.5F", "day b")
	check("lead", "reference", "150F", "149F", "R. Oduya")
	k.off(24*time.Hour).toward(40, 5*time.Minute)
	check("lead", "ice", "32F", "32F", "day c")

	day := Options{From: noon.Add(12 * time.Hour), To: noon.Add(36 * time.Hour), Setup: setup(t, "us-fda-2022")}
	r := k.read(day)
	var b strings.Builder
	if err := r.Text(&b, time.UTC); err != nil {
		t.Fatal(err)
	}
	_, got, _ := strings.Cut(b.String(), "CALIBRATIONS")
	got, _, _ = strings.Cut(got, "\n\n")
	want := `: those in the span, and each probe's last before it
  probe    day         against    true    read     error    result  by
  lead     2026-03-01  ice        32 °F   33 °F    +1 °F    passes  day a later
  lead     2026-03-02  ice        32 °F   34.5 °F  +2.5 °F  FAILS   day b
  lead     2026-03-02  reference  150 °F  149 °F   -1 °F    passes  R. Oduya
  pit-air  2026-03-01  boiling    212 °F  211 °F   -1 °F    passes  unsigned`
	if got != want {
		t.Errorf("the record says%s\nwant%s", got, want)
	}
	if watch, _, _ := strings.Cut(b.String(), "CALIBRATIONS"); strings.Contains(watch, "ref=ice") {
		t.Errorf("a check is told twice:\n%s", watch)
	}
	b.Reset()
	if err := r.CSV(&b, time.UTC); err != nil {
		t.Fatal(err)
	}
	rows, err := csv.NewReader(strings.NewReader(b.String())).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	n := 0
	for _, row := range rows {
		at := func(column string) string { return row[slices.Index(columns, column)] }
		if at("what") != "calibrate" {
			continue
		}
		n++
		if at("kind") != "verification" || at("probe") != "lead" || at("value_celsius") != [...]string{"1.389", "65"}[n-1] || at("observer") == "" || !strings.Contains(at("text"), "4-203.11") {
			t.Errorf("%q", row)
		}
	}
	if n != 2 {
		t.Errorf("%d checks in the rows, not 2:\n%s", n, b.String())
	}
	if r := k.read(Options{Lots: []Name{{Lot: "ribs"}}, Setup: setup(t, "us-fda-2022")}); strings.Contains(oneLine(t, r), "CALIBRATIONS") {
		t.Error("the record of a lot tells of probes")
	}
	day.To, day.From = noon.Add(time.Minute), time.Time{}
	if r := k.read(day); !strings.Contains(oneLine(t, r), "No probe was calibrated in this record") {
		t.Errorf("before any check: %s", oneLine(t, r))
	}
}

func TestCSVIsReadBack(t *testing.T) {
	r := threeDays(t).read(Options{Setup: setup(t, "us-fda-2022")})
	var b strings.Builder
	zone := time.FixedZone("CST", -6*3600)
	if err := r.CSV(&b, zone); err != nil {
		t.Fatal(err)
	}
	rows, err := csv.NewReader(strings.NewReader(b.String())).ReadAll()
	if err != nil || len(rows) != len(r.Events)+1 || len(r.Events) < 30 {
		t.Fatalf("%d rows of %d events, %v", len(rows), len(r.Events), err)
	}
	at := func(row []string, column string) string { return row[slices.Index(columns, column)] }
	kinds := map[string]int{}
	for i, row := range rows[1:] {
		kinds[at(row, "kind")]++
		when, err := time.Parse(time.RFC3339, at(row, "time"))
		if err != nil || !when.Equal(r.Events[i].At.Wall.Truncate(time.Second)) || !strings.HasSuffix(at(row, "time"), "-06:00") {
			t.Errorf("row %d: time %q of %v, %v", i+2, at(row, "time"), r.Events[i].At.Wall, err)
		}
		for _, c := range row {
			if c != "" && strings.ContainsRune("=+@", rune(c[0])) {
				t.Errorf("row %d: a spreadsheet would run %q", i+2, c)
			}
		}
		if at(row, "what") == "corrective" && at(row, "observer") != "unsigned" {
			t.Errorf("row %d hides that nobody signed: %v", i+2, row)
		}
	}
	if kinds["verification"] != 2 || kinds["corrective"] != 2 {
		t.Errorf("kinds: %v", kinds)
	}
}

func TestCompareChoosesLots(t *testing.T) {
	k := threeDays(t)
	both, err := k.compare("ribs", "ribs")
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"2026-03-02 12:10            2026-03-03 12:10", "load to wrap            5 h                         6 h",
		"load to out of the pit  6 h 1 min", "lowest in hold          150 °F                      120 °F", "weight                  2.5 kg",
		"finish, out of the pit  195 °F", "wrap: =SUM(A1) paper (pit hand)"} {
		if !strings.Contains(both, want) {
			t.Errorf("the newest two lack %q:\n%s", want, both)
		}
	}
	days, err := k.compare("ribs@2026-03-03", "ribs@2026-03-01")
	if err != nil || !strings.Contains(days, "2026-03-03 12:10            2026-03-01 12:10") || strings.Contains(days, "Note:") {
		t.Errorf("by their days: %v\n%s", err, days)
	}
	mixed, err := k.compare("ribs@2026-03-01", "ribs")
	if err != nil || !strings.Contains(strings.Join(strings.Fields(mixed), " "), "ribs is the newest of 2 lots of that name; ribs@DATE takes another, such as ribs@2026-03-02") {
		t.Errorf("one by its day: %v\n%s", err, mixed)
	}
	for names, want := range map[string]string{
		"ribs pork":                       "ribs@2026-03-01",
		"ribs@2026-03-09 ribs":            "no lot ribs@2026-03-09 is recorded",
		"ribs@2026-03-01 ribs@2026-03-01": "no second lot",
		"ribs@March ribs":                 "NAME@DATE",
	} {
		if _, err := k.compare(strings.Fields(names)...); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %v", names, err)
		}
	}
}

// Two lots that were there together are read in one go, and say what each says that is read alone.
func TestTwoLotsTogetherSayWhatEachSaysAlone(t *testing.T) {
	k := newKitchen(t)
	k.toward(40, 10*time.Minute).say("load,ribs,pit,R,a,food=pork probe=lead").toward(180, 3*time.Hour)
	k.say("load,pan,warmer,R,b,").toward(195, time.Hour).say("move,ribs,warmer,,c,").toward(120, 2*time.Hour)
	k.say("check,ribs,warmer,R,d,F=121").say("close,ribs,warmer,R,e,").toward(60, 2*time.Hour).say("close,pan,warmer,R,f,").toward(60, 20*time.Minute)
	l, err := ledger.OpenReader(k.path)
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	o := Options{Setup: setup(t, "us-fda-2022"), Trace: true, Lots: []Name{{Lot: "ribs"}, {Lot: "pan"}}}
	c, err := Compare(t.Context(), l, o, time.UTC)
	if err != nil {
		t.Fatal(err)
	}
	if n := len(spans(c.Cooks, c.last)); n != 1 {
		t.Errorf("they are read in %d spans", n)
	}
	alone := *c
	for i, x := range c.Cooks {
		r, err := Read(t.Context(), l, Options{From: x.Begun.Wall, To: x.End(c.last), Setup: o.Setup, Trace: true, Lots: []Name{{Lot: x.Lot, seq: x.Seq}}})
		if err != nil {
			t.Fatal(err)
		}
		alone.Cooks[i] = r.Lots[0]
		if !slices.EqualFunc(x.trace, alone.Cooks[i].trace, func(p, q point) bool {
			return p.at.Wall.Equal(q.at.Wall) && (p.temp == nil) == (q.temp == nil) && (p.temp == nil || *p.temp == *q.temp)
		}) {
			t.Errorf("%s: the line has %d points, and %d alone", x.Lot, len(x.trace), len(alone.Cooks[i].trace))
		}
	}
	together, _ := c.Table(time.UTC)
	apart, _ := alone.Table(time.UTC)
	if len(apart) < 10 || !slices.Equal(together, apart) {
		t.Errorf("together\n%q\nalone\n%q", together, apart)
	}
}

func TestParseTime(t *testing.T) {
	zone := time.FixedZone("X", 2*3600)
	last := time.Date(2026, 5, 10, 8, 0, 0, 0, time.UTC)
	for in, want := range map[string]time.Time{
		"":                          {},
		"2026-05-02T18:30:00-05:00": time.Date(2026, 5, 2, 23, 30, 0, 0, time.UTC),
		"2026-05-02":                time.Date(2026, 5, 1, 22, 0, 0, 0, time.UTC),
		"-24h":                      last.Add(-24 * time.Hour),
		"-90m":                      last.Add(-90 * time.Minute),
		"-7d":                       last.AddDate(0, 0, -7),
	} {
		if got, err := ParseTime(in, last, zone, false); err != nil || !got.Equal(want) {
			t.Errorf("%q: %v, %v, want %v", in, got, err, want)
		}
	}
	if got, err := ParseTime("2026-05-02", last, zone, true); err != nil || !got.Equal(time.Date(2026, 5, 2, 21, 59, 59, 999e6, time.UTC)) {
		t.Errorf("the end of a day: %v, %v", got, err)
	}
	for _, in := range []string{"yesterday", "24h", "--24h", "-", "-7", "-d", "-1.5d", "2026-13-01", "18:30", "-7dd"} {
		if got, err := ParseTime(in, last, zone, false); err == nil || !strings.Contains(err.Error(), "-24h") {
			t.Errorf("%q: %v, %v", in, got, err)
		}
	}
}

// Times carry their own offset where the clocks were changed within the record.
func TestZoneChange(t *testing.T) {
	place, err := time.LoadLocation("America/Chicago")
	if err != nil {
		t.Fatal(err)
	}
	from, to := time.Date(2026, 3, 8, 6, 0, 0, 0, time.UTC), time.Date(2026, 3, 8, 12, 0, 0, 0, time.UTC)
	p := newPage(&strings.Builder{}, place, from, to)
	if a, b := p.at(from), p.at(to); a != "2026-03-08 00:00 -06:00" || b != "2026-03-08 07:00 -05:00" {
		t.Errorf("%s, %s", a, b)
	}
	if z := zoneName(place, from, to); z != "CST (-06:00) and CDT (-05:00)" {
		t.Error(z)
	}
}

// An alarm that warned before the limit came says how long before.
func TestTimelineTellsTheLead(t *testing.T) {
	at := func(m int) sensor.Instant {
		d := time.Duration(m) * time.Minute
		return sensor.Instant{Wall: noon.Add(d), Mono: d, Believed: true}
	}
	line := NewTimeline()
	line.Add(nil, []rules.Event{{Seq: 1, Kind: rules.AlarmRaised, At: at(10), Since: at(10), Alarm: rules.LimitAhead, Station: "warmer", Lot: "ribs",
		Priority: rules.Warning, Text: "ribs falls."}})
	line.Add(nil, []rules.Event{{Seq: 2, Kind: rules.AlarmRepeated, At: at(25), Since: at(10), Alarm: rules.LimitAhead, Station: "warmer", Lot: "ribs", Priority: rules.Warning}})
	line.Add(nil, []rules.Event{
		{Seq: 3, Kind: rules.VerdictChanged, At: at(40), Since: at(39), Lot: "ribs", Station: "warmer", Verdict: rules.Act, Basis: "3-501.16", Text: "ribs is cold."},
		{Seq: 4, Kind: rules.AlarmRaised, At: at(40), Since: at(39), Alarm: rules.BelowHotLimit, Station: "warmer", Lot: "ribs", Priority: rules.Critical, Text: "ribs is cold."}})
	line.Add(nil, []rules.Event{{Seq: 5, Kind: rules.AlarmCleared, At: at(45), Since: at(45), Alarm: rules.LimitAhead, Station: "warmer", Lot: "ribs", Priority: rules.Warning}})
	var b strings.Builder
	if err := line.Write(&b, &rules.State{At: at(50), Units: rules.Celsius}, time.UTC, false); err != nil {
		t.Fatal(err)
	}
	want := `Sunday 2026-03-01, local time UTC (+00:00)
12:10  BELL        warning, limit ahead: ribs falls. → rang 29 min ahead of it; rang once more; nobody
                   acknowledged; over 12:45.
12:40  ACT         ribs is cold. (since 12:39) [3-501.16] Bell: critical, below hot limit → nobody
                   acknowledged; it stands.
`
	if b.String() != want {
		t.Errorf("got\n%s\nwant\n%s", b.String(), want)
	}
}

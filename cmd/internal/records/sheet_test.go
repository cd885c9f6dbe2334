package records

import (
	"bytes"
	"context"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	cdp "github.com/chromedp/cdproto/page"
	"github.com/chromedp/chromedp"
	"pgregory.net/rapid"

	"holdbell/publish/ledger"
	"holdbell/publish/publishtest/chromium"
	"holdbell/rules"
	"holdbell/sensor"
)

func splitN(s string) []string { return strings.Split(s, ",") }

// paper is a size in inches.
type paper struct {
	name       string
	wide, high float64
}

func papers() []paper {
	return []paper{{"A4", 210 / 25.4, 297 / 25.4}, {"Letter", 8.5, 11}}
}

// onPaper prints a document and counts its sheets. The PDF is kept with go test -artifacts.
func onPaper(t *testing.T, tab context.Context, name, document string, on paper) int {
	t.Helper()
	path := filepath.Join(t.ArtifactDir(), name+".html")
	if err := os.WriteFile(path, []byte(document), 0o644); err != nil {
		t.Fatal(err)
	}
	chromium.Open(t, tab, "file://"+path)
	printed, err := chromedp.Call(tab, cdp.PrintToPDF, cdp.PrintToPDFParams{PaperWidth: on.wide, PaperHeight: on.high})
	if err != nil {
		t.Fatal(err)
	}
	chromium.Sound(t, tab)
	pdf := []byte(printed.Data)
	if !bytes.HasPrefix(pdf, []byte("%PDF")) {
		t.Fatalf("no PDF: %.20q", pdf)
	}
	if err := os.WriteFile(filepath.Join(t.ArtifactDir(), name+"-"+on.name+".pdf"), pdf, 0o644); err != nil {
		t.Fatal(err)
	}
	sheets := 0
	for _, m := range regexp.MustCompile(`/Type\s*/Pages\b[^>]*/Count (\d+)|/Count (\d+)[^>]*/Type\s*/Pages\b`).FindAllSubmatch(pdf, -1) {
		n, _ := strconv.Atoi(string(m[1]) + string(m[2]))
		sheets = max(sheets, n)
	}
	if sheets == 0 {
		t.Fatal("the PDF tells no number of pages")
	}
	return sheets
}

func html(t testing.TB, r *Record) string {
	t.Helper()
	var b strings.Builder
	if err := r.HTML(&b, time.UTC); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

// side is the comparison of two lots as a document.
func (k *kitchen) side(set *rules.Setup, names ...string) string {
	k.t.Helper()
	l, err := ledger.OpenReader(k.path)
	if err != nil {
		k.t.Fatal(err)
	}
	defer l.Close()
	c, err := Compare(context.Background(), l, Options{Setup: set, Trace: true, Lots: []Name{{Lot: names[0]}, {Lot: names[1]}}}, time.UTC)
	if err != nil {
		k.t.Fatal(err)
	}
	var b strings.Builder
	if err := c.HTML(&b, time.UTC); err != nil {
		k.t.Fatal(err)
	}
	return b.String()
}

// wide is how far a document's contents stand out of a window.
const wide = `Math.max(0, ...[...document.querySelectorAll("body *:not(defs *)")].map((e) => e.getBoundingClientRect().right)) - innerWidth`

// A day of eight stations is at most four sheets, of the one paper and of the other; two cooks are one; and what
// people may write does neither break out of its place nor run.
func TestSheets(t *testing.T) {
	tab := chromium.Tab(t, chromium.Start(t))
	s := eightStations(t)
	day := html(t, s.read(Options{Setup: eight(t), Trace: true}))
	both := s.side(eight(t), "brisket-1", "brisket-2")
	r := strange(t).read(Options{Setup: setup(t, "us-fda-2022"), Trace: true})
	longLot := strings.Repeat("🍖", 300) // longer than a mark may name it
	r.Lots[slices.IndexFunc(r.Lots, func(l *Life) bool { return l.Lot == emojiLot })].Lot = longLot
	odd := html(t, r)
	for _, on := range papers() {
		if n := onPaper(t, tab, "eight", day, on); n > 4 {
			t.Errorf("the day takes %d sheets of %s", n, on.name)
		}
		if n := onPaper(t, tab, "both", both, on); n != 1 {
			t.Errorf("two cooks take %d sheets of %s", n, on.name)
		}
		if n := onPaper(t, tab, "strange", odd, on); n > 4 {
			t.Errorf("strange names take %d sheets of %s", n, on.name)
		}
	}
	// On the screen: a phone's and a wall's, in both schemes, a checker of WCAG finds nothing.
	for _, d := range []struct{ name, document string }{{"eight", day}, {"both", both}, {"record", html(t, strange(t).read(Options{Setup: setup(t, "us-fda-2022")}))}, {"strange", odd}} {
		path := filepath.Join(t.ArtifactDir(), d.name+"-screen.html")
		if err := os.WriteFile(path, []byte(d.document), 0o644); err != nil {
			t.Fatal(err)
		}
		chromium.Open(t, tab, "file://"+path)
		for scheme, width := range map[string]int64{"light": 360, "dark": 1920} {
			chromium.Size(t, tab, width, 1080, scheme)
			chromium.Accessible(t, tab, fmt.Sprintf("%s at %d, %s", d.name, width, scheme))
			chromium.Picture(t, tab, fmt.Sprintf("paper-%s-%d-%s", d.name, width, scheme))
		}
	}
	// The last page open is the strange one, on the screen.
	chromium.Size(t, tab, 800, 900, "light")
	if by := chromium.Get[float64](t, tab, wide); by > 0.5 {
		t.Errorf("the page is %.1f wider than the window", by)
	}
	names := chromium.Get[[]string](t, tab, `[...document.querySelectorAll(".lot .name")].map((e) => e.textContent)`)
	for _, want := range []string{scriptLot + " (pork)", longLot} {
		if !slices.Contains(names, want) {
			t.Errorf("no lot is called %q: %q", want, names)
		}
	}
	if n := chromium.Get[int](t, tab, `document.scripts.length + document.querySelectorAll("img, iframe, link").length`); n > 0 {
		t.Errorf("%d scripts or things from elsewhere", n)
	}
	if text := chromium.Text(t, tab); !strings.Contains(text, longNote) {
		t.Error("the long note is not whole")
	}
}

const scriptLot = "<script>document.title='ran'</script>"

var (
	emojiLot = strings.Repeat("🍖", 64) // as long as a mark may name it
	longNote = strings.TrimSpace(strings.Repeat("the pan was turned & the lid \"stuck\" <again>; ", 12)) + strings.Repeat("W", 300)
)

// strange is a day with names and notes as people may write them.
func strange(t testing.TB) *kitchen {
	k := newKitchen(t)
	k.toward(40, 10*time.Minute)
	k.say("load," + scriptLot + ",pit,</td><b>hand,,food=pork probe=lead " + longNote)
	k.toward(180, 4*time.Hour)
	k.say("close,"+scriptLot+",pit,hand,,").toward(60, 10*time.Minute)
	k.say("load,"+emojiLot+",warmer,hand,,").toward(60, time.Hour)
	return k
}

// What people write stands in the document as text.
func TestSheetEscapes(t *testing.T) {
	k := strange(t)
	document := html(t, k.read(Options{Setup: setup(t, "us-fda-2022"), Trace: true}))
	for _, tag := range []string{"<script", "</td><b>", "<again>", "ZgotmplZ"} {
		if strings.Contains(document, tag) {
			t.Errorf("the document holds %s", tag)
		}
	}
	for _, want := range []string{"&lt;script&gt;document.title", emojiLot, "&lt;/td&gt;&lt;b&gt;hand"} {
		if !strings.Contains(document, want) {
			t.Errorf("the document lacks %.40s", want)
		}
	}
	if side := k.side(setup(t, "us-fda-2022"), scriptLot, emojiLot); strings.Contains(side, "<script") || !strings.Contains(side, "&lt;script&gt;document.title") {
		t.Error("the comparison does not show a name as it is")
	}
}

// A small day on paper, as a file that a person can open and read.
func TestSheetGolden(t *testing.T) {
	k := newKitchen(t)
	k.say("calibrate,,,shift lead,,probe=lead ref=ice true=32F read=33F").toward(40, 10*time.Minute)
	k.say("load,ribs,pit,pit hand,,food=pork probe=lead lb=5.5 dry rub").toward(150, 2*time.Hour)
	k.dead[1] = true
	k.toward(160, 20*time.Minute)
	k.dead[1] = false
	k.say("acknowledge,,pit,pit hand,,alarm=probe-fault plug had worked loose").toward(195, time.Hour)
	k.say("check,ribs,pit,pit hand,,F=196 between the bones").say("move,ribs,warmer,,,").toward(128, 2*time.Hour)
	k.say("corrective,ribs,warmer,shift lead,,cabinet was off; set on again").toward(150, 30*time.Minute)
	k.say("check,ribs,warmer,,,F=149").say("discard,ribs,warmer,shift lead,,too long under the limit").toward(70, 20*time.Minute)
	r := k.read(Options{Setup: setup(t, "us-fda-2022"), Trace: true})
	r.Ledger, r.Head = strings.Repeat("0", 32), ledger.Head{Links: r.Head.Links, Hash: ledger.Hash{0xab, 0xcd}}
	got := html(t, r)
	const path = "testdata/day.html"
	if *update {
		if err := os.WriteFile(path, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if got != string(want) {
		t.Errorf("%s reads otherwise; -update writes it anew. Now:\n%s", path, got)
	}
	for _, asked := range []string{ // record_fields: what an inspector asks for, by its kind
		"Site", "Local time", "UTC (&#43;00:00)", "FDA Food Code 2022 3-501.16(A)(1)", "hot limit 135 °F", // monitoring
		"cabinet was off", "Cause", "What prevents the next one", // corrective action
		"ice</td><td>32 °F</td><td>33 °F</td><td>&#43;1 °F</td><td>passes</td><td>shift lead", // verification
		"Prepared by", "Reviewed by", "117.165(a)(4)", // review
		"196 °F", "unsigned", "no reading", "acknowledged", "cleared", "head abcd-0000-0000-0000", caution,
	} {
		if !strings.Contains(got, asked) {
			t.Errorf("the sheet lacks %q", asked)
		}
	}
}

var update = flag.Bool("update", false, "write testdata/day.html anew")

// A chart's line keeps every turn that a print would show, breaks where nothing was read, and is the same whether
// a steady stretch has many points or two.
func TestTrace(t *testing.T) {
	a := &axes{units: rules.Celsius, from: noon, span: 100 * time.Minute, low: 0, high: 100, deep: 100, right: plotRight}
	at := func(minute int, celsius float64) point {
		v, _ := sensor.FromCelsius(celsius)
		return point{sensor.Instant{Wall: noon.Add(time.Duration(minute) * time.Minute)}, &v}
	}
	none := func(minute int) point { return point{at: at(minute, 0).at} }
	line, gaps := a.trace([]point{at(0, 50), at(10, 50), at(20, 50), at(21, 90), at(22, 50), none(23), none(30), at(33, 50), at(34, 50), at(80, 20), none(90)}, 50*time.Minute, "read")
	x := func(minute int) float64 { return tenth(a.x(noon.Add(time.Duration(minute) * time.Minute))) }
	want := fmt.Sprintf("M%v 50L%v 50L%v 10L%v 50M%v 50L%v 50L%v 80", x(0), x(20), x(21), x(22), x(33), x(34), x(80))
	if line.Path != want {
		t.Errorf("the line is\n%s, want\n%s", line.Path, want)
	}
	if len(gaps) != 2 || gaps[0].X != x(22) || gaps[1].X != x(80) || gaps[0].Text != "no reading" {
		t.Errorf("gaps: %+v", gaps)
	}
	if _, gaps := a.trace([]point{at(0, 50), at(10, 50)}, 5*time.Minute, "read"); len(gaps) != 1 {
		t.Errorf("missing sweeps: %+v", gaps)
	}
}

// Names beside a chart have room, stay in order and within it.
func TestSpread(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		at := rapid.SliceOfN(rapid.Float64Range(-50, 1100), 1, 60).Draw(t, "at")
		slices.Sort(at)
		out := spread(at, 12, 0, 1000)
		room := min(12, 1000/float64(max(1, len(at)-1)))
		for i, x := range out {
			if x < -1e-6 || x > 1000+1e-6 || i > 0 && x-out[i-1] < room-1e-6 {
				t.Fatalf("%v of %v", out, at)
			}
		}
	})
}

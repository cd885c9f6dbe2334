package page

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"testing"
	"time"

	"holdbell/rules"
)

// twoCooks is a record of two lots: one read for 3 h with half an hour missing, one for 1 h.
type twoCooks struct{ asked int }

func (c *twoCooks) Lots(context.Context) ([]string, error) {
	return []string{"ribs@2026-03-01", "ribs@2026-02-20"}, nil
}

func (c *twoCooks) Compare(_ context.Context, a, b string, u rules.Units) (*Sides, error) {
	c.asked++
	if a == "none" {
		return nil, errors.New("no lot none is recorded; the newest that are: ribs")
	}
	s := &Sides{Names: [2]string{a, b}, Hot: true, Notes: []string{"ribs is the newest of 2 lots of that name."},
		Rows: [][3]string{{"finish, out of the pit", u.Format(*at(203)), "-"}, {"<b>", "1", "2"}}}
	for i := range 181 {
		x := Point{Since: time.Duration(i) * time.Minute, Temp: at(60 + float64(i)/2)}
		if i >= 60 && i < 90 {
			x.Temp = nil
		}
		s.Lines[0] = append(s.Lines[0], x)
		if i <= 60 {
			s.Lines[1] = append(s.Lines[1], Point{x.Since, at(50)})
		}
	}
	return s, nil
}

func (c *twoCooks) PrintSides(_ context.Context, w io.Writer, a, b string) error {
	_, err := fmt.Fprintf(w, "<style>p{}</style><p>%s %s</p>", a, b)
	return err
}

func (c *twoCooks) PrintSpan(_ context.Context, w io.Writer, from, to time.Time) error {
	_, err := fmt.Fprintf(w, "%s %s", from.Format(time.RFC3339), to.Format(time.RFC3339))
	return err
}

func TestTwoLotsSideBySide(t *testing.T) {
	p := kitchen(t, rich(), noon, noMark)
	cooks := &twoCooks{}
	p.opt.Papers, p.opt.HotLimit = cooks, at(135)
	status, body := get(t, p, "/compare")
	if text := textOf(t, body); status != http.StatusOK || !strings.Contains(text, "Choose two lots.") || strings.Count(text, "ribs@2026-02-20") != 2 || cooks.asked != 0 {
		t.Errorf("%d, %d comparisons:\n%s", status, cooks.asked, text)
	}
	const two = "a=ribs%402026-03-01&b=ribs%402026-02-20"
	status, body = get(t, p, "/compare?"+two)
	for _, want := range []string{"203 °F", "ribs is the newest of 2", "A form to print", "<b>"} {
		if !strings.Contains(textOf(t, body), want) {
			t.Errorf("%d: it does not say %q", status, want)
		}
	}
	if !strings.Contains(body, `data-chart="/compare.json?`+strings.ReplaceAll(two, "&", "&amp;")+`"`) {
		t.Error("no chart of the two")
	}
	_, raw := get(t, p, "/compare.json?"+two+"&columns=60")
	var d chartData
	if err := json.Unmarshal([]byte(raw), &d); err != nil {
		t.Fatal(err)
	}
	if cooks.asked != 1 {
		t.Errorf("the record was gone through %d times for one page", cooks.asked)
	}
	long, short := d.Probes[0], d.Probes[1]
	if !d.Since || d.Span != 3*3600 || d.Width != 180 || len(d.At) != 61 || *d.Hot != 1350 || d.Cold != nil || d.Unit != "°F" {
		t.Fatalf("the chart is %+v", d)
	}
	for i := range d.At {
		missing := i >= 20 && i < 30
		if (long.Low[i] == nil) != missing || (short.Low[i] == nil) != (i > 20) {
			t.Errorf("column %d: %v and %v", i, long.Low[i], short.Low[i])
		}
	}
	if *long.Low[1] != 615 || *long.High[1] != 625 || long.Name != "A ribs@2026-03-01" || short.Name != "B ribs@2026-02-20" {
		t.Errorf("%s has %d to %d in its second column", long.Name, *long.Low[1], *long.High[1])
	}
	if status, body = get(t, p, "/compare?a=none&b=ribs"); status != http.StatusNotFound || !strings.Contains(textOf(t, body), "No lot none is recorded; the newest that are: ribs.") {
		t.Errorf("an unknown lot: %d", status)
	}
	// Another unit is another page.
	if _, body = get(t, p, "/compare?units=celsius&"+two); !strings.Contains(textOf(t, body), "95 °C") {
		t.Error("the figures are not in the unit that was asked for")
	}
}

func TestPaperIsSentWithItsOwnStyleAlone(t *testing.T) {
	p := kitchen(t, rich(), noon, noMark)
	p.opt.Papers = &twoCooks{}
	for path, want := range map[string]string{"/compare/print?a=x&b=y": "<p>x y</p>", "/record/print?day=2026-03-01": "2026-03-01T00:00:00Z 2026-03-01T23:59:59Z"} {
		r := fetch(p, path)
		if policy := r.Header().Get("Content-Security-Policy"); r.Code != http.StatusOK || !strings.Contains(r.Body.String(), want) || !strings.HasPrefix(policy, "default-src 'none'; style-src 'unsafe-inline';") {
			t.Errorf("%s: %d, %s\n%s", path, r.Code, policy, r.Body)
		}
	}
	if r := fetch(p, "/record/print?day=yesterday"); r.Code != http.StatusNotFound || !strings.Contains(r.Body.String(), "write it as 2026-03-01") {
		t.Errorf("a day that is none: %d %s", r.Code, r.Body)
	}
	p.opt.Papers = nil
	if r := fetch(p, "/compare"); r.Code != http.StatusNotFound {
		t.Errorf("without a record: %d", r.Code)
	}
	if _, body := get(t, p, "/record"); strings.Contains(body, "/compare") || strings.Contains(body, "/record/print") {
		t.Error("the record's page leads where nothing is")
	}
}

// Two people who ask for papers at once are served one after the other; one who leaves holds nobody up.
func TestPapersOneAtATime(t *testing.T) {
	p := kitchen(t, rich(), noon, noMark)
	papers := &slowPapers{in: make(chan struct{}, 2), out: make(chan struct{})}
	p.opt.Papers = papers
	answered := make(chan int, 2)
	for range 2 {
		go func() { answered <- fetch(p, "/record/print?day=2026-03-01").Code }()
	}
	<-papers.in
	select {
	case <-papers.in:
		t.Error("two at once")
	default:
	}
	close(papers.out)
	if codes := []int{<-answered, <-answered}; !slices.Equal(codes, []int{200, 200}) {
		t.Errorf("answered %v", codes)
	}
}

type slowPapers struct {
	twoCooks
	in, out chan struct{}
}

func (s *slowPapers) PrintSpan(context.Context, io.Writer, time.Time, time.Time) error {
	s.in <- struct{}{}
	<-s.out
	return nil
}

func fetch(p *Page, path string) *httptest.ResponseRecorder {
	w := httptest.NewRecorder()
	p.Handler().ServeHTTP(w, httptest.NewRequest(http.MethodGet, path, nil))
	return w
}

package marks

import (
	"errors"
	"io"
	"runtime"
	"slices"
	"strings"
	"testing"
	"testing/iotest"
	"time"

	"holdbell/rules"
	"holdbell/sensor"
)

const head = "time,lot,mark,station,note,by,id\n"

// noon is the first row of a recording in RFC 3339, fifth one in seconds that begins at 5.
func noon() sensor.Instant {
	return sensor.Instant{Wall: time.Date(2026, 3, 1, 12, 0, 0, 0, time.UTC), Believed: true}
}

func fifth() sensor.Instant {
	return sensor.Instant{Wall: time.Unix(5, 0).UTC(), Mono: 5 * time.Second, Believed: true}
}

func TestAbsolute(t *testing.T) {
	const text = "\ufefftime,lot,mark,station,note\r\n" +
		"2026-03-01T11:59:00Z,brisket 2,load,warmer,food=beef probe=core fresh from the pit\r\n" +
		"2026-03-01T13:30:00.5+01:00,,check,warmer,\"F=151.5 thickest part, \"\"cold\"\" side\"\r\n\r\n" +
		"2026-03-01T12:30:00.5Z,brisket 2,serve,,\r\n"
	got, err := Read(strings.NewReader(text), "marks.csv", false, noon())
	if err != nil {
		t.Fatal(err)
	}
	temp, _ := sensor.FromFahrenheit(151.5)
	late := noon().Add(30*time.Minute + 500*time.Millisecond)
	want := []rules.Mark{
		{At: noon().Add(-time.Minute), Kind: rules.MarkLoad, Lot: "brisket 2", Station: "warmer",
			Note: "food=beef probe=core fresh from the pit", Food: "beef", Probe: "core", Fresh: true},
		{At: late, Kind: rules.MarkCheck, Station: "warmer", Note: `F=151.5 thickest part, "cold" side`, Temp: &temp},
		{At: late, Kind: rules.MarkServe, Lot: "brisket 2"},
	}
	compare(t, got, want)
}

func compare(t *testing.T, got, want []rules.Mark) {
	t.Helper()
	same := func(a, b rules.Mark) bool {
		equal := (a.Temp == nil) == (b.Temp == nil) && (a.Temp == nil || *a.Temp == *b.Temp)
		a.Temp, b.Temp = nil, nil
		return equal && a == b
	}
	if !slices.EqualFunc(got, want, same) {
		t.Errorf("got %+v\nwant %+v", got, want)
	}
}

// TestRelative: seconds are the recording's own, also where it does not begin at 0, and until= takes them too.
func TestRelative(t *testing.T) {
	const text = "time,mark,lot,station,id,note,by\n" +
		"5,load,a,warmer,one,,\n90.6,shelve,,warmer,,alarm=out-of-band until=3600 door,Kim\n3600,check,a,,,C=70,Kim\n"
	got, err := Read(strings.NewReader(text), "marks.csv", true, fifth())
	if err != nil {
		t.Fatal(err)
	}
	temp := sensor.Temp(70_000)
	at := func(d time.Duration) sensor.Instant {
		return sensor.Instant{Wall: time.Unix(0, 0).UTC().Add(d), Mono: d, Believed: true}
	}
	compare(t, got, []rules.Mark{
		{At: at(5 * time.Second), Kind: rules.MarkLoad, Lot: "a", Station: "warmer", ID: "one"},
		{At: at(90600 * time.Millisecond), Kind: rules.MarkShelve, Station: "warmer", Note: "alarm=out-of-band until=3600 door",
			By: "Kim", Alarm: rules.OutOfBand, Until: time.Unix(3600, 0).UTC()},
		{At: at(time.Hour), Kind: rules.MarkCheck, Lot: "a", Note: "C=70", By: "Kim", Temp: &temp},
	})
}

func TestErrors(t *testing.T) {
	for _, c := range []struct{ name, text, want string }{
		{"empty", "", "marks.csv:1:1: the file is empty; begin"},
		{"no header", "0,a,load,warmer,\n", `marks.csv:1:1: the header has an unknown column "0"; begin`},
		{"column missing", "time,lot,mark,station\n", "marks.csv:1:1: the header has no column note; begin"},
		{"column twice", "time,lot,mark,station,note,lot\n", "marks.csv:1:28: the header has the column lot twice; begin"},
		{"column unknown", "time,lot,mark,station,note,who\n", `marks.csv:1:28: the header has an unknown column "who"; begin`},
		{"too few cells", head + "0,a,load,warmer\n", "marks.csv:2:1: the header has 7 columns and the row 4; give every column a cell"},
		{"unquoted comma", head + "0,a,note,,a, b,,x\n", "marks.csv:2:1: the header has 7 columns and the row 8; give every column a cell, and put a note with a comma"},
		{"no time", head + ",a,load,warmer,,,\n", `marks.csv:2:1: "" is no time in seconds; write seconds`},
		{"time of the other form", head + "2026-03-01T12:00:00Z,a,load,warmer,,,\n", `marks.csv:2:1: "2026-03-01T12:00:00Z" is no time in seconds; write`},
		{"negative time", head + "-1,a,load,warmer,,,\n", `marks.csv:2:1: "-1" is no time in seconds; write`},
		{"endless time", head + "1e9,a,load,warmer,,,\n", `marks.csv:2:1: "1e9" is no time in seconds; write`},
		{"far time", head + "99999999999,a,load,warmer,,,\n", `marks.csv:2:1: "99999999999" seconds are more than a hundred years; write`},
		{"time back", head + "10,a,load,warmer,,,\n9.9,a,serve,,,,\n", "marks.csv:3:1: the mark comes before the one in the row above; put"},
		{"unknown mark", head + "0,a,lode,warmer,,,\n", `marks.csv:2:5: the mark "lode" is not known; did you mean load?`},
		{"bad note", head + "0,a,load,warmer,fod=beef,,\n", "marks.csv:2:17: a note has no word fod=; did you mean food"},
		{"missing station", head + "0,a,load,,,,\n", "marks.csv:2:10: the mark load needs a station; name"},
		{"bad by", head + "0,a,serve,,,\u202eKim,\n", "marks.csv:2:13: the by "},
		{"note of two lines", head + "0,a,note,,\"one\ntwo\",,\n", "marks.csv:2:11: the note holds a line break"},
		{"after a note of two lines", head + "0,a,note,,one,,\n\n1,a,nope,,,,\n", `marks.csv:4:5: the mark "nope" is not known; `},
		{"bare quote", head + "0,a,note,,say \"hi\",,\n", "marks.csv:2:15: a double quote stands where none can; put the whole cell"},
		{"open quote", head + "0,a,note,,\"say hi,,\n", "a double quote stands where none can; close every quoted cell"},
	} {
		got, err := Read(strings.NewReader(c.text), "marks.csv", true, sensor.Instant{Wall: time.Unix(0, 0).UTC()})
		var at *Error
		if !errors.As(err, &at) || got != nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %d marks and %v, want %s…", c.name, len(got), err, c.want)
		}
	}
	for when, want := range map[string]string{
		"90":                   `marks.csv:2:1: "90" is no time; write date, time and zone`,
		"1926-02-01T12:00:00Z": `marks.csv:2:1: "1926-02-01T12:00:00Z" lies more than a hundred years from the recording; write`,
		"2026-03-01T12:00:00":  `marks.csv:2:1: "2026-03-01T12:00:00" is no time; write date, time and zone`,
	} {
		_, err := Read(strings.NewReader(head+when+",a,serve,,,,\n"), "marks.csv", false, noon())
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s for a recording in RFC 3339 gives %v", when, err)
		}
	}
}

// endless is a file that never ends.
type endless struct{}

func (endless) Read(p []byte) (int, error) {
	for i := range p {
		p[i] = 'x'
	}
	return len(p), nil
}

// Whatever is no file of marks is refused where it goes wrong, and takes no memory in proportion to its size.
func TestEndlessFile(t *testing.T) {
	row := "0,a,note,warmer,x,,\n"
	for name, c := range map[string]struct {
		r    io.Reader
		want string
	}{
		"one line":       {endless{}, "marks.csv:1:1: the row is longer than 16384 bytes; close every"},
		"a long cell":    {io.MultiReader(strings.NewReader(head+row+"1,a,note,warmer,"), endless{}), "marks.csv:3:1: the row is longer"},
		"an open quote":  {io.MultiReader(strings.NewReader(head+row+"1,a,note,warmer,\"\n"), repeated("x\n")), "marks.csv:3:1: the row is longer"},
		"commas":         {io.MultiReader(strings.NewReader(head+row), repeated(",")), "marks.csv:3:1: the row is longer"},
		"a wide header":  {repeated("time,"), "marks.csv:1:1: the row is longer"},
		"blank lines":    {io.MultiReader(strings.NewReader(head), repeated("\n")), "marks.csv:2:1: the row is longer"},
		"quotes":         {io.MultiReader(strings.NewReader(head+"0,a,note,warmer,\""), repeated("\"\"")), "marks.csv:2:1: the row is longer"},
		"cut in a quote": {strings.NewReader(head + row + "1,a,note,warmer,\"x"), "marks.csv:3:"},
	} {
		var before, after runtime.MemStats
		runtime.ReadMemStats(&before)
		got, err := Read(c.r, "marks.csv", true, noon())
		runtime.ReadMemStats(&after)
		var at *Error
		if !errors.As(err, &at) || !strings.Contains(err.Error(), c.want) || got != nil {
			t.Errorf("%s gives %v, want %s", name, err, c.want)
		}
		if used := after.TotalAlloc - before.TotalAlloc; used > 4<<20 {
			t.Errorf("%s takes %d bytes of memory", name, used)
		}
	}
}

func TestTooManyMarks(t *testing.T) {
	for row, want := range map[string]string{
		"0,a,note,warmer,,,\n":                                 "marks.csv:150002:1: the file holds more than 150000 marks; split it",
		"0,a,note,warmer," + strings.Repeat("x", 900) + ",,\n": "the file is larger than 16 MB",
	} {
		got, err := Read(io.MultiReader(strings.NewReader(head), repeated(row)), "marks.csv", true, noon())
		if err == nil || !strings.Contains(err.Error(), want) || got != nil {
			t.Errorf("%d marks, %v; want %s", len(got), err, want)
		}
	}
}

// repeated gives a text again and again, without end.
func repeated(s string) io.Reader { return &again{s: s} }

type again struct {
	s  string
	at int
}

func (a *again) Read(p []byte) (int, error) {
	for i := range p {
		p[i] = a.s[a.at]
		a.at = (a.at + 1) % len(a.s)
	}
	return len(p), nil
}

// A note as long as a note may be, all of it quotes, still fits a row.
func TestTheLongestRow(t *testing.T) {
	note := strings.Repeat("\"", 1000)
	got, err := Read(strings.NewReader(head+"0,a,note,warmer,\""+strings.Repeat("\"", 2000)+"\",Kim,\n"), "marks.csv", true, noon())
	if err != nil || len(got) != 1 || got[0].Note != note {
		t.Errorf("%d marks, %v", len(got), err)
	}
}

func TestReadError(t *testing.T) {
	broken := errors.New("the disk is broken")
	if got, err := Read(iotest.ErrReader(broken), "marks.csv", true, noon()); !errors.Is(err, broken) || got != nil {
		t.Errorf("a failing read gives %v and %v", got, err)
	}
}

// FuzzRead: whatever the file, the marks stand in order of time and each would be taken again; an error has
// its place.
func FuzzRead(f *testing.F) {
	for _, s := range []string{
		head + "0,a,load,warmer,food=beef probe=core fresh,Kim,1\n1,a,check,,\"C=70, well done\",Kim,2\n",
		"time,lot,mark,station,note\n2026-03-01T12:00:00Z,a,load,warmer,\n2026-03-01T13:00:00+01:00,b,split,,from=a\n",
		head + "0,a,shelve,,alarm=danger-time until=90,,\n", head + "0,,undo,,undoes=x,,\n", head + "0,a,note,,\"\",,\n",
		"\ufeff" + head, head + "1,a,serve,,,,\n0,a,serve,,,,\n", head + "\"0", "time\n", head + "0,\xff,serve,,,,\n", head + "0,a,handover,,x=y,,\n",
	} {
		f.Add(s, true)
		f.Add(s, false)
	}
	f.Fuzz(func(t *testing.T, text string, relative bool) {
		start := noon()
		if relative {
			start = fifth()
		}
		got, err := Read(strings.NewReader(text), "marks.csv", relative, start)
		var at *Error
		if err != nil && (!errors.As(err, &at) || at.Line < 1 || at.Column < 1 || at.What == "" || at.Fix == "" || got != nil) {
			t.Fatalf("%q gives %d marks and the error %v", text, len(got), err)
		}
		for i, m := range got {
			if i > 0 && m.At.Mono < got[i-1].At.Mono {
				t.Fatalf("%q gives mark %d before the one above", text, i)
			}
			if d, known := m.At.Sub(start); !known || m.At.Wall.Sub(start.Wall) != d || !m.At.Believed {
				t.Fatalf("%q gives a mark at %+v", text, m.At)
			}
			again := rules.MarkFields{Lot: m.Lot, Mark: string(m.Kind), Station: m.Station, Note: m.Note, By: m.By, ID: m.ID}
			if relative {
				again.Start = time.Unix(0, 0).UTC()
			}
			if _, err := rules.ParseMark(again); err != nil {
				t.Fatalf("%q gives %+v, which is then refused: %v", text, m, err)
			}
		}
	})
}

package recording

import (
	"errors"
	"io"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
	"testing/iotest"

	"holdbell/sensor"
)

// TestErrors reads every recording in testdata/bad and compares what it is refused with against the .txt
// beside it. HOLDBELL_GOLDEN=1 writes the texts anew; read them before you keep them.
func TestErrors(t *testing.T) {
	files, err := filepath.Glob("testdata/bad/*.csv")
	if err != nil || len(files) < 20 {
		t.Fatalf("%d bad recordings, %v", len(files), err)
	}
	for _, file := range files {
		raw, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		_, err = all(string(raw), []string{"warmer-air", "warmer-core"})
		var at *Error
		if !errors.As(err, &at) {
			t.Errorf("%s is refused with %v", file, err)
			continue
		}
		got, golden := strings.ReplaceAll(err.Error(), "day.csv", filepath.Base(file))+"\n", strings.TrimSuffix(file, ".csv")+".txt"
		if os.Getenv("HOLDBELL_GOLDEN") != "" {
			if err := os.WriteFile(golden, []byte(got), 0o644); err != nil {
				t.Fatal(err)
			}
		}
		want, err := os.ReadFile(golden)
		if err != nil {
			t.Fatal(err)
		}
		if got != string(want) {
			t.Errorf("%s\n got %swant %s", file, got, want)
		}
	}
}

// endless is a file that is one line and never ends.
type endless struct{ read int }

func (e *endless) Read(p []byte) (int, error) {
	for i := range p {
		p[i] = '7'
	}
	e.read += len(p)
	return len(p), nil
}

func TestEndlessLine(t *testing.T) {
	e := &endless{}
	_, err := Open(e, "day.csv", nil)
	if err == nil || !strings.Contains(err.Error(), "longer than") || e.read > 2*maxLine {
		t.Errorf("after %d bytes: %v", e.read, err)
	}
	_, err = all("time,a [C]\n0,1\n1,"+strings.Repeat("7", maxLine)+"\n", nil)
	if err == nil || !strings.HasPrefix(err.Error(), "day.csv:3: the line is longer") {
		t.Errorf("a long row gives %v", err)
	}
}

// TestReadErrors: a disk that fails is told as such, with the line, and is no end of the recording.
func TestReadErrors(t *testing.T) {
	broken := errors.New("the disk is broken")
	rec, err := Open(iotest.TimeoutReader(strings.NewReader("time,a [C]\n0,1\n")), "day.csv", nil)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := rec.Next(t.Context()); err != nil {
		t.Fatal(err)
	}
	if _, err := rec.Next(t.Context()); !errors.Is(err, iotest.ErrTimeout) || !strings.HasPrefix(err.Error(), "day.csv:3: ") {
		t.Errorf("a failing read gives %v", err)
	}
	if _, err := Open(iotest.ErrReader(broken), "day.csv", nil); !errors.Is(err, broken) {
		t.Errorf("a failing read gives %v", err)
	}
}

// FuzzOpen: no file makes a temperature that is none, a time that runs back, or an error without a place.
func FuzzOpen(f *testing.F) {
	for _, s := range []string{
		"time,a [C]\n0,1\n1,2\n", "time,a [C],b [F]\n2026-03-01T18:30:00Z,1,\n2026-03-01T18:30:01+01:00,open,NaN\n",
		"\ufefftime,\"a [C]\"\r\n\"0.5\", \"1e3\"\r\n", "time,a [C]\n0,0x10\n", "time,a [F]\n0,99999999999999999999.5\n",
		"time,a [C]\n1e9,1\n", "time,a [C]\n0,1\n0,1\n", "time,a [C]\n0,-.\n", "time,a [C],a [C]\n", "\xff\xfet\x00", "time;a [C]\n",
		"time,a [C]\n9999-12-31T23:59:59.999999999-23:59,1\n", "time,a [C]\n0,spike\n", "",
	} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, text string) {
		sweeps, err := all(text, nil)
		var at *Error
		if err != nil && (!errors.As(err, &at) || at.Line < 1 || at.What == "" || at.Fix == "") {
			t.Fatalf("%q gives the error %v", text, err)
		}
		for i, s := range sweeps {
			if i > 0 && (s.At.Mono <= sweeps[i-1].At.Mono || !s.At.Wall.After(sweeps[i-1].At.Wall)) {
				t.Fatalf("%q runs back at row %d", text, i)
			}
			for _, r := range s.Readings {
				if r.Fault >= sensor.Spike || r.Valid() && (r.Temp < sensor.MinTemp || r.Temp > sensor.MaxTemp) || !r.Valid() && r.Temp != 0 {
					t.Fatalf("%q gives %+v", text, r)
				}
			}
		}
	})
}

// again gives a text over and over, without end.
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

// TestHostileFiles: whatever is no recording is refused where it goes wrong, and takes no memory in proportion to its
// size; nor does one that is far too long, row by row.
func TestHostileFiles(t *testing.T) {
	const head = "time,a [C]\n"
	for name, c := range map[string]struct {
		r    io.Reader
		want string
	}{
		"one line":         {&again{s: "7"}, "day.csv:1: the line is longer than 65536 bytes"},
		"commas":           {&again{s: ","}, "day.csv:1: the line is longer"},
		"headings":         {&again{s: "time,a [C],"}, "day.csv:1: the line is longer"},
		"a row of cells":   {io.MultiReader(strings.NewReader(head), &again{s: "0,"}), "day.csv:2: the line is longer"},
		"an open quote":    {io.MultiReader(strings.NewReader(head+"0,\""), &again{s: "x\n"}), "day.csv:2:"},
		"a remark":         {io.MultiReader(strings.NewReader(head+"#"), &again{s: "#"}), "day.csv:2: the line is longer"},
		"zero bytes":       {io.MultiReader(strings.NewReader(head+"0,1\n"), &again{s: "\x00"}), "day.csv:3: the line is longer"},
		"cut in a row":     {strings.NewReader("time,a [C],b [C]\n0,1,2\n1,1"), "day.csv:3: the header has 3 columns and the row 2"},
		"a million rows":   {io.LimitReader(io.MultiReader(strings.NewReader(head), &again{s: "1,1\n"}), 4_000_000), "day.csv:3:"},
		"thirty MB of gap": {io.LimitReader(io.MultiReader(strings.NewReader(head), &again{s: "# nothing here\n"}), 30_000_000), "no row"},
	} {
		var before, after runtime.MemStats
		runtime.ReadMemStats(&before)
		rec, err := Open(c.r, "day.csv", nil)
		for err == nil {
			_, err = rec.Next(t.Context())
		}
		runtime.ReadMemStats(&after)
		if !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s gives %.200v, want %s", name, err, c.want)
		}
		if used := after.TotalAlloc - before.TotalAlloc; used > 2<<20 {
			t.Errorf("%s takes %d bytes of memory", name, used)
		}
	}
}

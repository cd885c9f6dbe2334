package recording

import (
	"errors"
	"os"
	"path/filepath"
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

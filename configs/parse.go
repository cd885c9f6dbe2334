package configs

import (
	"fmt"
	"log/slog"
	"regexp"
	"strconv"
	"strings"
	"time"

	"github.com/goccy/go-yaml/ast"

	"holdbell/rules"
)

// The longest gap allowance: a gap is interpolated, and nobody interpolates over half a cooling leg.
const longestGap = 30 * time.Minute

// The bounds of a period: below the shortest a MAX31855 gives the same conversion twice (datasheet p. 3:
// 100 ms), beyond the longest a crossing is told too late.
const (
	shortestPeriod = 100 * time.Millisecond
	longestPeriod  = time.Minute
)

// kitchen is a configuration while it is read, with the places that cross-checks point at.
type kitchen struct {
	reader
	c        Config
	probes   []entry[Probe]
	stations []entry[Station]
	figures  map[string]place // keys of rules, where they stand
	refs     []reference      // which station names which probe
	panelAt  map[string]place // keys of panel, where they stand
}

// entry is one probe or station with the places of its keys.
type entry[T any] struct {
	T  T
	at place
	of map[string]place
}

// key is the place of a key, or of the entry where the key is absent.
func (e *entry[T]) key(name string) place {
	if at, ok := e.of[name]; ok {
		return at
	}
	return e.at
}

// reference is one mention of a probe by a station.
type reference struct {
	station, probe string
	at             place
}

// Parse reads a configuration that is one file. name is what errors call the file. The error is an *Error that holds
// every problem found; nothing is returned beside it.
func Parse(name string, data []byte) (*Config, error) { return parse(name, data, nil) }

// Load reads a board's file, and the base that it may name, by read. Errors of read for the board's own file come back
// as they are; whatever else is wrong is an *Error, as from Parse.
func Load(path string, read func(path string) ([]byte, error)) (*Config, error) {
	data, err := read(path)
	if err != nil {
		return nil, err
	}
	return parse(path, data, read)
}

func parse(name string, data []byte, read func(path string) ([]byte, error)) (*Config, error) {
	k := &kitchen{reader: reader{file: name}}
	k.c = Config{
		Site: DefaultSite, Units: rules.Fahrenheit, Period: DefaultPeriod, GapAllowance: DefaultGap, CalibrationEvery: DefaultCalibrationEvery,
		HTTP: HTTP{Listen: DefaultListen}, Ledger: DefaultLedger, Keep: Keep{Full: DefaultFull, MaxSize: DefaultMaxSize},
	}
	top := k.document(data)
	if top != nil {
		top = k.withBase(top, read)
	}
	if top == nil {
		return nil, k.err()
	}
	k.top(top)
	k.cross()
	if err := k.err(); err != nil {
		return nil, err
	}
	for _, p := range k.probes {
		k.c.Probes = append(k.c.Probes, p.T)
	}
	for _, s := range k.stations {
		k.c.Stations = append(k.c.Stations, s.T)
	}
	k.sort(k.warnings)
	k.c.Warnings = k.warnings
	k.c.Hash, k.c.shown = k.show(top)
	return &k.c, nil
}

func (k *kitchen) top(n ast.Node) {
	r, c := &k.reader, &k.c
	at := r.mapping(n, "the configuration",
		field{baseKey, func(ast.Node) {}}, // withBase has seen to it
		field{"site", scalar(r, &c.Site, "site", "demo-kitchen", parseName)},
		field{"units", scalar(r, &c.Units, "units", "fahrenheit", oneOf(rules.Fahrenheit, rules.Celsius))},
		field{"period", scalar(r, &c.Period, "period", "1s", parsePeriod)},
		field{"gap_allowance", scalar(r, &c.GapAllowance, "gap_allowance", "5m", parseGap)},
		field{"calibration_every", scalar(r, &c.CalibrationEvery, "calibration_every", "8760h", parseCalibrationEvery)},
		field{"rules", k.rules},
		field{"shift", k.shift},
		field{"probes", func(n ast.Node) { r.list(n, "probes", k.probe) }},
		field{"stations", func(n ast.Node) { r.list(n, "stations", k.station) }},
		field{"publish", k.publish},
		field{"panel", k.panel},
		field{"board", func(n ast.Node) {
			r.mapping(n, "board", field{"mains", scalar(r, &c.Mains, "mains", "/sys/class/power_supply/AC", parseSupply)})
		}},
		field{"ledger", func(n ast.Node) {
			r.mapping(n, "ledger", field{"path", scalar(r, &c.Ledger, "path", DefaultLedger, parsePath)},
				field{"keep_full", scalar(r, &c.Keep.Full, "keep_full", "336h", parseKeep)},
				field{"max_size", scalar(r, &c.Keep.MaxSize, "max_size", "2GiB", parseSize)},
				field{"min_free", scalar(r, &c.Keep.MinFree, "min_free", "500MiB", parseSize)})
		}},
		field{"log", func(n ast.Node) {
			r.mapping(n, "log", field{"level", scalar(r, &c.LogLevel, "level", "info", parseLevel)})
		}},
	)
	if at == nil {
		return
	}
	// A missing section is told only where nothing wrong in it is told already.
	for _, key := range []struct{ name, fix string }{
		{"rules", "add rules: { food_code: us-fda-2022 }, or another food code"},
		{"probes", "add probes: with a name for each"},
		{"stations", "add stations: with name, purpose and the probes of each"},
	} {
		if _, ok := at[key.name]; !ok {
			r.fail(placeOf(n), key.fix, "the configuration has no %s", key.name)
		}
	}
	if p, ok := at["stations"]; ok && len(k.stations) == 0 && len(r.problems) == 0 {
		r.warn(p, "add a station with its probes", "no station is configured: nothing is watched")
	}
	if p, ok := at["period"]; ok && c.Period >= c.GapAllowance {
		r.fail(p, "write a period well below gap_allowance", "a period of %v makes every sweep a gap (gap_allowance %v)", c.Period, c.GapAllowance)
	}
	if p, ok := at["gap_allowance"]; ok && c.GapAllowance > 2*DefaultGap {
		r.warn(p, "keep it as short as wrapping a piece or moving a probe takes", "readings are interpolated over gaps of up to %v", c.GapAllowance)
	}
}

func parsePeriod(s string) (time.Duration, string, string) {
	return within(s, shortestPeriod, longestPeriod)
}

func parseGap(s string) (time.Duration, string, string) { return within(s, time.Second, longestGap) }

func parseKeep(s string) (time.Duration, string, string) {
	return within(s, 24*time.Hour, 10*365*24*time.Hour)
}

var sizeForm = regexp.MustCompile(`^([1-9][0-9]{0,6})(MiB|GiB)$`)

// parseSize reads a number of bytes: enough for a day of readings, and no more than a disk can have.
func parseSize(s string) (int64, string, string) {
	m := sizeForm.FindStringSubmatch(s)
	if m == nil {
		return 0, fmt.Sprintf("%q is no size", shorten(s)), "write a whole number with its unit, such as 500MiB or 2GiB"
	}
	n, err := strconv.ParseInt(m[1], 10, 64)
	if n <<= 20; m[2] == "GiB" {
		n <<= 10
	}
	if err != nil || n < 16<<20 {
		return 0, fmt.Sprintf("%s is too small for a record", s), "write 16MiB or more"
	}
	return n, "", ""
}

// within is parseDuration with bounds.
func within(s string, low, high time.Duration) (time.Duration, string, string) {
	d, wrong, fix := parseDuration(s)
	if wrong == "" && (d < low || d > high) {
		return 0, fmt.Sprintf("%s is out of range", s), fmt.Sprintf("write a duration from %s to %s", plain(low), plain(high))
	}
	return d, wrong, fix
}

// plain writes a duration without Go's trailing zero parts: "5m", not "5m0s".
func plain(d time.Duration) string {
	switch {
	case d != 0 && d%time.Hour == 0:
		return fmt.Sprintf("%dh", d/time.Hour)
	case d != 0 && d%time.Minute == 0:
		return fmt.Sprintf("%dm", d/time.Minute)
	}
	return d.String()
}

// upTo bounds a duration that may be nothing.
func upTo(high time.Duration) func(string) (time.Duration, string, string) {
	return func(s string) (time.Duration, string, string) { return within(s, 0, high) }
}

// some bounds a duration that may not be nothing.
func some(high time.Duration) func(string) (time.Duration, string, string) {
	return func(s string) (time.Duration, string, string) { return within(s, time.Second, high) }
}

func parseLevel(s string) (slog.Level, string, string) {
	word, wrong, fix := oneOf("debug", "info", "warn", "error")(s)
	if wrong != "" {
		return 0, wrong, fix
	}
	var l slog.Level
	if err := l.UnmarshalText([]byte(word)); err != nil {
		return 0, err.Error(), "write info"
	}
	return l, "", ""
}

// parseSupply takes a folder of the kernel's class of supplies.
func parseSupply(s string) (string, string, string) {
	const class = "/sys/class/power_supply/"
	if name, ok := strings.CutPrefix(s, class); !ok || name == "" || strings.ContainsAny(name, "/\x00") || name == "." || name == ".." {
		return "", fmt.Sprintf("%q is no supply of the kernel's", shorten(s)), "write one of the folders in /sys/class/power_supply, such as " + class + "AC, or leave mains out"
	}
	return s, "", ""
}

package rules_test

import (
	"encoding/json"
	"errors"
	"slices"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"pgregory.net/rapid"

	"holdbell/rules"
	"holdbell/sensor"
)

func figure(v float64) *float64 { return &v }

func TestParseMark(t *testing.T) {
	hot, cold := sensor.FahrenheitLimit(165), sensor.Temp(3500)
	until := time.Date(2026, 3, 1, 18, 30, 0, 0, time.UTC)
	for _, c := range []struct {
		in   rules.MarkFields
		want rules.Mark
	}{
		{rules.MarkFields{Mark: "load", Lot: "brisket 2", Station: "warmer", Note: "food=beef probe=core fresh trimmed, food=none"},
			rules.Mark{Food: "beef", Probe: "core", Fresh: true}},
		{rules.MarkFields{Mark: "load", Lot: "Rôti n° 3", Station: "warmer", Note: "whole, food=beef"}, rules.Mark{}},
		{rules.MarkFields{Mark: "wrap", Lot: "a", Note: "fresh paper"}, rules.Mark{}},
		{rules.MarkFields{Mark: "check", Station: "warmer", Fahrenheit: figure(165), Note: "thickest part"}, rules.Mark{Temp: &hot}},
		{rules.MarkFields{Mark: "check", Lot: "a", Note: "  C=3.5 top shelf", By: "Kim", ID: "7"}, rules.Mark{Temp: &cold}},
		{rules.MarkFields{Mark: "off-watch", Lot: "a", Celsius: figure(3.5)}, rules.Mark{Temp: &cold}},
		{rules.MarkFields{Mark: "split", Lot: "b", Note: `from="brisket 2" probe=core sliced`}, rules.Mark{From: "brisket 2", Probe: "core"}},
		{rules.MarkFields{Mark: "split", Lot: "b", Note: `from="brisket 2"`}, rules.Mark{From: "brisket 2"}},
		{rules.MarkFields{Mark: "probe", Lot: "a", Note: "probe=core-2"}, rules.Mark{Probe: "core-2"}},
		{rules.MarkFields{Mark: "shelve", Note: "until=2026-03-01T19:30:00+01:00 alarm=out-of-band door is open"},
			rules.Mark{Until: until, Alarm: rules.OutOfBand}},
		{rules.MarkFields{Mark: "shelve", Note: "until=90.5 alarm=out-of-band", Start: until}, rules.Mark{Until: until.Add(90500 * time.Millisecond), Alarm: rules.OutOfBand}},
		{rules.MarkFields{Mark: "acknowledge"}, rules.Mark{}},
		{rules.MarkFields{Mark: "acknowledge", Station: "warmer", Note: "alarm=below-hot-limit"}, rules.Mark{Alarm: rules.BelowHotLimit}},
		{rules.MarkFields{Mark: "undo", Note: "undoes=QX7 wrong piece", By: "Kim"}, rules.Mark{Undoes: "QX7"}},
		{rules.MarkFields{Mark: "note", Note: "2+2=4, a = b"}, rules.Mark{}},
		{rules.MarkFields{Mark: "note", Note: "the sauce has pH=4.1"}, rules.Mark{}},
		{rules.MarkFields{Mark: "time-control", Lot: "a", Note: "4h"}, rules.Mark{}},
		{rules.MarkFields{Mark: "handover"}, rules.Mark{}},
	} {
		got, err := rules.ParseMark(c.in)
		if err != nil {
			t.Errorf("%+v: %v", c.in, err)
			continue
		}
		w := c.want
		w.Kind, w.Lot, w.Station, w.Note, w.By, w.ID = rules.MarkKind(c.in.Mark), c.in.Lot, c.in.Station, c.in.Note, c.in.By, c.in.ID
		a, _ := json.Marshal(got)
		b, _ := json.Marshal(w)
		if string(a) != string(b) {
			t.Errorf("%+v gives\n%s, want\n%s", c.in, a, b)
		}
	}
}

func TestMarkRefusals(t *testing.T) {
	long := strings.Repeat("x", 65)
	load := func(note string) rules.MarkFields {
		return rules.MarkFields{Mark: "load", Lot: "a", Station: "warmer", Note: note}
	}
	check := func(note string) rules.MarkFields { return rules.MarkFields{Mark: "check", Lot: "a", Note: note} }
	for _, c := range []struct {
		in          rules.MarkFields
		field, want string
	}{
		{rules.MarkFields{}, "mark", "the mark is empty; write one of: load, move"},
		{rules.MarkFields{Mark: "lod"}, "mark", `the mark "lod" is not known; did you mean load?`},
		{rules.MarkFields{Mark: "probe_in"}, "mark", "did you mean probe-in?"},
		{rules.MarkFields{Mark: "Load"}, "mark", "did you mean load?"},
		{rules.MarkFields{Mark: "banana"}, "mark", `the mark "banana" is not known; write one of: load`},
		{rules.MarkFields{Mark: "load", Station: "warmer"}, "lot", "the mark load needs a lot; name the piece"},
		{rules.MarkFields{Mark: "load", Lot: "a"}, "station", "the mark load needs a station; name"},
		{rules.MarkFields{Mark: "move", Lot: "a"}, "station", "the mark move needs a station"},
		{rules.MarkFields{Mark: "move", Station: "warmer"}, "lot", "the mark move needs a lot"},
		{rules.MarkFields{Mark: "wrap"}, "lot", "the mark wrap needs a lot or a station"},
		{rules.MarkFields{Mark: "discard"}, "lot", "the mark discard needs a lot or a station"},
		{rules.MarkFields{Mark: "out-of-service", Lot: "a"}, "station", "the mark out-of-service needs a station"},
		{rules.MarkFields{Mark: "split", Lot: "b"}, "note", "the mark split needs from=LOT; begin the note with from="},
		{rules.MarkFields{Mark: "split", Lot: "b", Note: "from=b"}, "note", "b cannot be split from itself; give"},
		{check(""), "note", "the mark check needs the temperature"},
		{check("hot enough C=70"), "note", "the mark check needs the temperature"},
		{rules.MarkFields{Mark: "probe", Lot: "a"}, "note", "the mark probe needs probe=NAME"},
		{rules.MarkFields{Mark: "shelve", Note: "until=2026-03-01T18:30:00Z"}, "note", "the mark shelve needs alarm=NAME"},
		{rules.MarkFields{Mark: "shelve", Note: "alarm=danger-time"}, "note", "the mark shelve needs until=TIME"},
		{rules.MarkFields{Mark: "undo"}, "note", "the mark undo needs undoes=ID"},
		{rules.MarkFields{Mark: "shelve", Note: "alarm=danger-time until=18:30"}, "note", "until=18:30 is no time; write date, time and zone"},
		{rules.MarkFields{Mark: "shelve", Note: "alarm=danger-time until=90"}, "note", "until=90 is no time; write date, time and zone"},
		{rules.MarkFields{Mark: "acknowledge", Note: "alarm=danger"}, "note", `the alarm "danger" is not known; write one of: below-hot-limit`},

		{load("fod=beef"), "note", "a note has no word fod=; did you mean food; to write it as free text"},
		{load("FOOD=beef"), "note", "a note has no word FOOD=; write food=; to write it as free text"},
		{load("colour=red"), "note", "a note has no word colour=; write one of: food, made, probe"},
		{load("food=beff"), "note", `the food "beff" is not known; did you mean beef?`},
		{load("food= beef"), "note", "food= has no value; write the value right after"},
		{load("food=beef food=beef"), "note", "the note says food twice; say it once"},
		{load("fresh fresh"), "note", "the note says fresh twice; say it once"},
		{load("fresh=no"), "note", "fresh takes no value; write fresh alone, or leave it out"},
		{load("from=b"), "note", "the mark load takes no from=; leave it out; from= belongs to: split"},
		{load(`probe="core`), "note", "the value of probe= opens a quote that does not end"},
		{load(`probe="core"x`), "note", "the value of probe= opens a quote that does not end"},
		{load("probe=core/1"), "note", `the probe "core/1" holds a character that a name may not; write it with the letters`},
		{rules.MarkFields{Mark: "serve", Lot: "a", Celsius: figure(70)}, "celsius", "the mark serve takes no temperature; leave it out, or tell it with a check"},
		{rules.MarkFields{Mark: "serve", Lot: "a", Note: "C=70"}, "note", "the mark serve takes no C=; leave it out"},

		{rules.MarkFields{Mark: "check", Lot: "a", Celsius: figure(70), Fahrenheit: figure(158)}, "celsius", "the temperature is given in Celsius and in Fahrenheit; give it once"},
		{rules.MarkFields{Mark: "check", Lot: "a", Celsius: figure(70), Note: "C=70"}, "note", "the temperature is given twice, as celsius and as C=; give it once"},
		{check("C=70 F=158"), "note", "the temperature is given twice, as C= and as F=; give it once"},
		{check("C=700"), "note", "C= 700 is no temperature of a hand check; give one from -100 to 600 °C"},
		{check("F=-149"), "note", "F= -149 is no temperature of a hand check"},
		{check("C=NaN"), "note", "C=NaN is no number; write digits"},
		{check("C=Inf"), "note", "C=Inf is no number; write digits"},
		{check("C=0x1p4"), "note", "C=0x1p4 is no number; write digits"},
		{check("C=7e1"), "note", "C=7e1 is no number; write digits"},
		{check("C=70,5"), "note", "C=70,5 is no number; write digits with a point"},
		{check("C=70C"), "note", "C=70C is no number; write digits with a point for the fraction and no unit"},

		{rules.MarkFields{Mark: "note", Lot: " a"}, "lot", `the lot " a" begins or ends with a space`},
		{rules.MarkFields{Mark: "note", Lot: "a\nb"}, "lot", `the lot "a\nb" holds a character`},
		{rules.MarkFields{Mark: "note", Lot: "a\u202eb"}, "lot", "holds a character"},
		{rules.MarkFields{Mark: "note", Lot: "a\xff"}, "lot", "holds a character"},
		{rules.MarkFields{Mark: "note", Lot: long}, "lot", "the lot is longer than 64 characters; shorten it"},
		{rules.MarkFields{Mark: "note", Station: "the warmer"}, "station", `the station "the warmer" holds a character that a name may not`},
		{rules.MarkFields{Mark: "note", By: "\x1b[31m"}, "by", "holds a character"},
		{rules.MarkFields{Mark: "note", ID: "a b"}, "id", `the id "a b" is no id; write up to 128`},
		{rules.MarkFields{Mark: "note", ID: strings.Repeat("x", 129)}, "id", "is no id"},
		{rules.MarkFields{Mark: "note", Note: strings.Repeat("é", 501)}, "note", "the note has 1002 bytes, more than 1000; shorten it"},
		{rules.MarkFields{Mark: "note", Note: "\xff"}, "note", "the note is not valid UTF-8; save"},
		{rules.MarkFields{Mark: "note", Note: "a\tb"}, "note", "the note holds a line break, a tab or another control character; write it as one line"},
		{rules.MarkFields{Mark: "note", Note: "a\u202eb"}, "note", "the note holds a line break"},
		{rules.MarkFields{Mark: "note", Note: "a\u2028b"}, "note", "the note holds a line break"},
	} {
		got, err := rules.ParseMark(c.in)
		var wrong *rules.MarkError
		if !errors.As(err, &wrong) || wrong.Field != c.field || !strings.Contains(err.Error(), c.want) || got.Kind != "" {
			t.Errorf("%+v gives %v (%+v), want %s: %s…", c.in, err, got, c.field, c.want)
		}
	}
}

// TestEveryKind: every kind can be said, so none is left out of what a kind needs or takes.
func TestEveryKind(t *testing.T) {
	notes := map[rules.MarkKind]string{rules.MarkCheck: "C=70", rules.MarkSplit: "from=b", rules.MarkUndo: "undoes=x",
		rules.MarkProbe: "probe=core", rules.MarkCalibrate: "probe=core ref=ice true=32F read=0.4C", rules.MarkShelve: "alarm=danger-time until=2026-03-01T18:30:00Z"}
	for _, k := range rules.MarkKinds() {
		if _, err := rules.ParseMark(rules.MarkFields{Mark: string(k), Lot: "a", Station: "warmer", Note: notes[k]}); err != nil {
			t.Errorf("%s: %v", k, err)
		}
	}
}

// TestMarkWordsInAnyOrder: the words mean the same in any order, and free text behind them changes nothing.
func TestMarkWordsInAnyOrder(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		food := rapid.SampledFrom(rules.Foods()).Draw(t, "food")
		words := rapid.Permutation([]string{"food=" + food, "probe=core", "fresh", "C=4.5"}).Draw(t, "words")
		words = words[:rapid.IntRange(0, len(words)).Draw(t, "how many")]
		text := rapid.SampledFrom([]string{"", "trimmed", "trimmed C=9", "2 pieces food=x"}).Draw(t, "text")
		note := strings.Join(append(slices.Clone(words), text), rapid.SampledFrom([]string{" ", "  "}).Draw(t, "space"))
		m, err := rules.ParseMark(rules.MarkFields{Mark: "load", Lot: "a", Station: "warmer", Note: note})
		if err != nil {
			t.Fatalf("%q: %v", note, err)
		}
		has := func(w string) bool { return slices.Contains(words, w) }
		if (m.Food == food) != has("food="+food) || (m.Probe == "core") != has("probe=core") || m.Fresh != has("fresh") ||
			(m.Temp != nil) != has("C=4.5") || m.Temp != nil && *m.Temp != 4500 || m.Note != note {
			t.Fatalf("%q gives %+v", note, m)
		}
	})
}

// TestMarkTemperatures: a hand check's figure becomes what a reading of the same figure becomes, however it
// is told.
func TestMarkTemperatures(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		tenths := rapid.IntRange(-1480, 11120).Draw(t, "tenths")
		f := float64(tenths) / 10
		want, _ := sensor.FromFahrenheit(f)
		text, _ := json.Marshal(f)
		for _, in := range []rules.MarkFields{
			{Mark: "check", Lot: "a", Fahrenheit: &f}, {Mark: "check", Lot: "a", Note: "F=" + string(text)},
		} {
			m, err := rules.ParseMark(in)
			if err != nil || *m.Temp != want {
				t.Fatalf("%s °F gives %+v, %v; want %d", text, m.Temp, err, want)
			}
		}
	})
}

// FuzzParseMark: whatever is said, the answer is a mark that keeps every word of it, or a refusal with its
// field and its fix that fits in a message.
func FuzzParseMark(f *testing.F) {
	for _, s := range [][4]string{
		{"load", "brisket 2", "warmer", "food=beef probe=core fresh"}, {"check", "a", "", "C=70"}, {"split", "b", "", `from="a b" x`},
		{"shelve", "", "warmer", "alarm=danger-time until=90"}, {"undo", "", "", "undoes=1"}, {"load", "a", "w", "fresh=="},
		{"note", "", "", `x="`}, {"check", "a", "", "F=1e999"}, {"\xff", "\x00", "\u202e", "="}, {"probe", "a", "", "probe=\u00a0"},
		{"calibrate", "", "", "probe=core ref=boiling true=202.8F read=203F raw=95.1C"},
	} {
		f.Add(s[0], s[1], s[2], s[3], "Kim", "id-1", 70.0, true)
	}
	f.Fuzz(func(t *testing.T, kind, lot, station, note, by, id string, celsius float64, has bool) {
		in := rules.MarkFields{Mark: kind, Lot: lot, Station: station, Note: note, By: by, ID: id}
		if has {
			in.Celsius = &celsius
		}
		m, err := rules.ParseMark(in)
		if err != nil {
			var wrong *rules.MarkError
			if !errors.As(err, &wrong) || wrong.What == "" || wrong.Fix == "" || !utf8.ValidString(err.Error()) || len(err.Error()) > 2000 ||
				!slices.Contains([]string{"lot", "mark", "station", "note", "by", "id", "celsius", "fahrenheit"}, wrong.Field) {
				t.Fatalf("%+v is refused with %q", in, err)
			}
			return
		}
		if string(m.Kind) != kind || m.Lot != lot || m.Station != station || m.Note != note || m.By != by || m.ID != id || !m.At.IsZero() {
			t.Fatalf("%+v became %+v", in, m)
		}
		if m.Temp != nil && (*m.Temp < -100_000 || *m.Temp > 600_000) || has && m.Temp == nil {
			t.Fatalf("%+v became %+v", in, m)
		}
		raw, err := json.Marshal(m)
		if err != nil {
			t.Fatal(err)
		}
		var back rules.Mark
		if err := json.Unmarshal(raw, &back); err != nil {
			t.Fatalf("%s: %v", raw, err)
		}
	})
}

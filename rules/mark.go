package rules

import (
	"fmt"
	"slices"
	"strconv"
	"time"

	"holdbell/sensor"
)

// MarkFields is a mark as a person wrote it: on the command line, in a marks file, in a message.
type MarkFields struct {
	Lot        string   `json:"lot"`
	Mark       string   `json:"mark"`
	Station    string   `json:"station"`
	Note       string   `json:"note"`
	By         string   `json:"by"`
	ID         string   `json:"id"`
	Celsius    *float64 `json:"celsius"`
	Fahrenheit *float64 `json:"fahrenheit"`

	// Start, when set, is where a recording told in seconds begins; until= then takes seconds too.
	Start time.Time `json:"-"`
}

// MarkError is why a mark was refused: which field of MarkFields (by its JSON name), what is wrong with
// it, and the fix.
type MarkError struct{ Field, What, Fix string }

// Error gives "what is wrong; the fix".
func (e *MarkError) Error() string { return e.What + "; " + e.Fix }

// The bounds of what a person may write. A name has to fit a phone's line and a topic; a note, a page's.
const (
	maxName = 64   // characters of a lot's, a station's or a person's name
	maxID   = 128  // bytes
	maxNote = 1000 // bytes
)

const (
	printWords = "printable characters"
	plainWords = "the letters A to Z and a to z, digits, '.', '_' and '-'"
)

// What a hand thermometer can plausibly show, from dry ice to a hot oven; common practice.
const (
	minCheck sensor.Temp = -100_000
	maxCheck sensor.Temp = 600_000
)

// ParseMark checks a mark and takes the key=value words out of its note; Note keeps the whole text. At
// is left zero: the caller knows when. Every refusal is a *MarkError. A mark that is let through means
// what it says: a word that the kind does not take is refused, never dropped.
func ParseMark(f MarkFields) (Mark, error) {
	m := Mark{Kind: MarkKind(f.Mark), Lot: f.Lot, Station: f.Station, Note: f.Note, By: f.By, ID: f.ID}
	p := markParser{m: &m, start: f.Start}
	switch {
	case f.Mark == "":
		return Mark{}, &MarkError{"mark", "the mark is empty", "write one of: " + joinWords(MarkKinds())}
	case !slices.Contains(MarkKinds(), m.Kind):
		return Mark{}, &MarkError{"mark", fmt.Sprintf("the mark %s is not known", quote(f.Mark)), meant(f.Mark, MarkKinds())}
	}
	steps := []func() *MarkError{
		func() *MarkError { return nameError("lot", f.Lot, isPrint, printWords) },
		func() *MarkError { return nameError("station", f.Station, isPlain, plainWords) },
		func() *MarkError { return nameError("by", f.By, isPrint, printWords) },
		func() *MarkError { return idError("id", f.ID) },
		func() *MarkError { return noteError(f.Note) },
		func() *MarkError { return p.temps(f.Celsius, f.Fahrenheit) },
		func() *MarkError { return p.words(f.Note) },
		p.complete,
	}
	for _, step := range steps {
		if err := step(); err != nil {
			return Mark{}, err
		}
	}
	return m, nil
}

// markParser fills a mark. hasTemp names the way in which the temperature came.
type markParser struct {
	m       *Mark
	start   time.Time
	hasTemp string
}

// temps takes the temperature that stood beside the note.
func (p *markParser) temps(c, f *float64) *MarkError {
	switch {
	case c != nil && f != nil:
		return &MarkError{"celsius", "the temperature is given in Celsius and in Fahrenheit", "give it once, in one unit"}
	case c != nil:
		return p.temp("celsius", "celsius", *c, sensor.FromCelsius)
	case f != nil:
		return p.temp("fahrenheit", "fahrenheit", *f, sensor.FromFahrenheit)
	}
	return nil
}

func (p *markParser) temp(field, said string, v float64, from func(float64) (sensor.Temp, bool)) *MarkError {
	if p.hasTemp != "" {
		return &MarkError{field, fmt.Sprintf("the temperature is given twice, as %s and as %s", p.hasTemp, said), "give it once"}
	}
	if !slices.Contains(takers("C"), p.m.Kind) {
		return &MarkError{field, fmt.Sprintf("the mark %s takes no temperature", p.m.Kind),
			"leave it out, or tell it with a check of its own"}
	}
	t, ok := from(v)
	if !ok || t < minCheck || t > maxCheck {
		return &MarkError{field, fmt.Sprintf("%s %g is no temperature of a hand check", said, v),
			"give one from -100 to 600 °C (-148 to 1112 °F)"}
	}
	p.m.Temp, p.hasTemp = &t, said
	return nil
}

// takers is which kinds take a word of a note; nil for a word that is none.
func takers(word string) []MarkKind {
	switch word {
	case "food", "fresh", "lb", "kg", "target":
		return []MarkKind{MarkLoad}
	case "probe":
		return []MarkKind{MarkLoad, MarkMove, MarkSplit, MarkCheck, MarkProbe, MarkProbeOut, MarkProbeIn, MarkOffWatch,
			MarkNote, MarkCorrective, MarkAcknowledge, MarkShelve, MarkCalibrate}
	case "made":
		return []MarkKind{MarkLoad, MarkMove}
	case "ref", "true", "read", "raw":
		return []MarkKind{MarkCalibrate}
	case "from":
		return []MarkKind{MarkSplit}
	case "C", "F":
		return []MarkKind{MarkLoad, MarkCheck, MarkProbeOut, MarkProbeIn, MarkOffWatch, MarkNote, MarkCorrective}
	case "alarm":
		return []MarkKind{MarkAcknowledge, MarkShelve}
	case "until":
		return []MarkKind{MarkShelve}
	case "undoes":
		return []MarkKind{MarkUndo}
	}
	return nil
}

// keyWords lists what ends in "=" in a note, in the order that a person is told.
var keyWords = []string{"food", "made", "probe", "from", "C", "F", "alarm", "until", "undoes", "target", "lb", "kg", "ref", "true", "read", "raw"}

// words reads the key=value words at the start of a note. Free text begins at the first word that is none;
// "fresh" counts for a load alone, elsewhere it is an ordinary word.
func (p *markParser) words(note string) *MarkError {
	var seen []string
	for rest := note; ; {
		word, value, tail, err := nextWord(rest)
		if err != nil {
			return err
		}
		alone := value == nil
		if alone && (word != "fresh" || p.m.Kind != MarkLoad) {
			return nil
		}
		rest = tail
		kinds := takers(word)
		switch {
		case word == "fresh" && !alone:
			return &MarkError{"note", "fresh takes no value", "write fresh alone, or leave it out"}
		case kinds == nil:
			return &MarkError{"note", fmt.Sprintf("a note has no word %s=", word), meantKey(word)}
		case slices.Contains(seen, word):
			return &MarkError{"note", fmt.Sprintf("the note says %s twice", word), "say it once"}
		case !slices.Contains(kinds, p.m.Kind):
			return &MarkError{"note", fmt.Sprintf("the mark %s takes no %s=", p.m.Kind, word),
				fmt.Sprintf("leave it out; %s= belongs to: %s", word, joinWords(kinds))}
		case !alone && *value == "":
			return &MarkError{"note", fmt.Sprintf("%s= has no value", word), "write the value right after the sign, without a space"}
		}
		seen = append(seen, word)
		if alone {
			p.m.Fresh = true
		} else if err := p.word(word, *value); err != nil {
			return err
		}
	}
}

// word takes one key=value word.
func (p *markParser) word(key, value string) *MarkError {
	m := p.m
	switch key {
	case "food":
		if !slices.Contains(Foods(), value) {
			return &MarkError{"note", fmt.Sprintf("the food %s is not known", quote(value)), meant(value, Foods())}
		}
		m.Food = value
	case "lb", "kg":
		return p.weight(key, value)
	case "target":
		return p.target(value)
	case "made":
		if !slices.Contains(Mades(), Made(value)) {
			return &MarkError{"note", fmt.Sprintf("made=%s is not known", clip(value)), meant(value, Mades())}
		}
		m.Made = Made(value)
	case "ref", "true", "read", "raw":
		return p.calibration(key, value)
	case "probe":
		m.Probe = value
		return inNote(nameError("probe", value, isPlain, plainWords))
	case "from":
		m.From = value
		return inNote(nameError("from", value, isPrint, printWords))
	case "C", "F":
		v, err := parseDecimal(key, value)
		if err != nil {
			return err
		}
		from := sensor.FromCelsius
		if key == "F" {
			from = sensor.FromFahrenheit
		}
		return p.temp("note", key+"=", v, from)
	case "alarm":
		if !slices.Contains(AlarmNames(), AlarmName(value)) {
			return &MarkError{"note", fmt.Sprintf("the alarm %s is not known", quote(value)), meant(value, AlarmNames())}
		}
		m.Alarm = AlarmName(value)
	case "until":
		return p.until(value)
	case "undoes":
		m.Undoes = value
		return inNote(idError("undoes", value))
	}
	return nil
}

func (p *markParser) until(value string) *MarkError {
	if s, err := strconv.ParseFloat(value, 64); err == nil && !p.start.IsZero() && decimal(value) && s >= 0 && s < 1e9 {
		p.m.Until = p.start.Add(time.Duration(s * 1e9)).UTC()
		return nil
	}
	t, err := time.Parse(time.RFC3339Nano, value)
	if err != nil || t.Year() < 1970 || t.Year() > 9999 {
		return &MarkError{"note", fmt.Sprintf("until=%s is no time", clip(value)), "write date, time and zone, such as 2026-03-01T18:30:00Z"}
	}
	p.m.Until = t.UTC()
	return nil
}

// whole asks the same of a mark that did not come through ParseMark: one out of a record that a newer program
// wrote or somebody has altered, or of a caller's mistake. The Engine refuses it with a sentence.
func (m *Mark) whole() *MarkError {
	if !slices.Contains(MarkKinds(), m.Kind) {
		return &MarkError{"mark", fmt.Sprintf("the mark %s is not known", quote(string(m.Kind))), meant(string(m.Kind), MarkKinds())}
	}
	for _, t := range []*sensor.Temp{m.Temp, m.True, m.Read, m.Raw} {
		if t != nil && (*t < minCheck || *t > maxCheck) {
			return &MarkError{"note", fmt.Sprintf("the mark %s says %s, which no thermometer here shows", m.Kind, t.String()),
				"give a temperature from -100 to 600 °C (-148 to 1112 °F)"}
		}
	}
	p := markParser{m: m}
	return p.complete()
}

// complete asks for what a kind cannot do without.
func (p *markParser) complete() *MarkError {
	m := p.m
	missing := func(field, what, fix string) *MarkError {
		return &MarkError{field, fmt.Sprintf("the mark %s needs %s", m.Kind, what), fix}
	}
	switch m.Kind {
	case MarkLoad, MarkMove, MarkSplit:
		if m.Lot == "" {
			return missing("lot", "a lot", "name the piece")
		}
		if m.Station == "" && m.Kind != MarkSplit {
			return missing("station", "a station", "name the station that it goes to")
		}
	case MarkOutOfService, MarkInService:
		if m.Station == "" {
			return missing("station", "a station", "name the station")
		}
	case MarkNote, MarkCorrective, MarkHandover, MarkAcknowledge, MarkShelve, MarkUndo:
	case MarkCalibrate:
		return p.calibrated()
	default:
		if m.Lot == "" && m.Station == "" {
			return missing("lot", "a lot or a station", "name the piece, or the station for all that is in it")
		}
	}
	switch {
	case m.Kind == MarkSplit && m.From == "":
		return missing("note", "from=LOT", "begin the note with from= and the lot that was cut")
	case m.Kind == MarkSplit && m.From == m.Lot:
		return &MarkError{"note", fmt.Sprintf("%s cannot be split from itself", m.Lot), "give the new part a name of its own"}
	case m.Kind == MarkCheck && m.Temp == nil:
		return missing("note", "the temperature that the hand thermometer showed", "begin the note with C= or F=, or give it in degrees Celsius or Fahrenheit beside the note")
	case m.Kind == MarkProbe && m.Probe == "":
		return missing("note", "probe=NAME", "begin the note with probe= and the probe that is in the piece")
	case m.Kind == MarkShelve && m.Alarm == "":
		return missing("note", "alarm=NAME", "begin the note with alarm= and one of: "+joinWords(AlarmNames()))
	case m.Kind == MarkShelve && m.Until.IsZero():
		return missing("note", "until=TIME", "begin the note with until= and when the alarm is to sound again")
	case m.Kind == MarkUndo && m.Undoes == "":
		return missing("note", "undoes=ID", "begin the note with undoes= and the id of the mark that was wrong")
	}
	return nil
}

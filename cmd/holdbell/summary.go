package main

import (
	"encoding/json"
	"fmt"
	"io"
	"strings"

	"holdbell/cmd/internal/records"
	"holdbell/rules"
	"holdbell/sensor"
)

// span is where a recording begins, and how its times are told.
type span interface {
	Start() sensor.Instant
	Relative() bool
}

// writeReport writes the one JSON object of `replay --json`.
func writeReport(w io.Writer, rec span, st *rules.State, story *chronicle) error {
	relative := rec.Relative()
	story.settle(st)
	r := report{
		From:   rules.Stamp{At: rec.Start(), Relative: relative},
		To:     rules.Stamp{At: st.At, Relative: relative},
		Sweeps: st.Sweeps,
		Probes: map[string]probeReport{},
		Lots:   []rules.LotReport{},
		Alarms: []*alarmReport{},
	}
	for i := range st.Probes {
		r.Probes[st.Probes[i].Name] = reportProbe(&st.Probes[i], relative)
	}
	for i := range st.Lots {
		r.Lots = append(r.Lots, st.Lots[i].Report(relative))
	}
	r.Alarms = append(r.Alarms, story.all...)
	enc := json.NewEncoder(w)
	enc.SetEscapeHTML(false)
	enc.SetIndent("", " ")
	return enc.Encode(&r)
}

// summary writes how things stood in the end, for a person.
func summary(w io.Writer, rec span, st *rules.State) error {
	relative := rec.Relative()
	fmt.Fprintf(w, "\n%d sweeps from %s to %s\n", st.Sweeps, stamp(rec.Start(), relative), stamp(st.At, relative))
	var sound, others []string
	for i := range st.Probes {
		p := &st.Probes[i]
		switch text := faults(p); {
		case p.Valid == 0:
			others = append(others, fmt.Sprintf("probe %s: no valid reading; %s", p.Name, text))
		case text != noFault:
			others = append(others, fmt.Sprintf("probe %s: %s to %s; %d valid, %s", p.Name, degrees(p.Min, st.Units), degrees(p.Max, st.Units), p.Valid, text))
		default:
			sound = append(sound, p.Name+" "+degrees(p.Min, st.Units)+" to "+degrees(p.Max, st.Units))
		}
	}
	if len(sound) > maxSound {
		others = append([]string{fmt.Sprintf("%d of %d probes without a fault", len(sound), len(st.Probes))}, others...)
	} else if len(sound) > 0 {
		others = append([]string{"probes without a fault: " + strings.Join(sound, ", ")}, others...)
	}
	for _, line := range others {
		for _, part := range records.Wrap(line, records.PageWidth) {
			fmt.Fprintln(w, part)
		}
	}
	if len(st.Lots) == 0 {
		fmt.Fprintln(w, "no lot: no station was armed, and nobody loaded one")
	}
	_, err := fmt.Fprintln(w, "This is advice; local code and the health department decide.")
	return err
}

// maxSound is how many probes without a fault are told one by one; --json has them all.
const maxSound = 4

const noFault = "no fault"

// faults names the readings of a probe that were none.
func faults(p *rules.ProbeState) string {
	text := ""
	for f, n := range p.Faults {
		if n > 0 {
			text += fmt.Sprintf(" %d %s", n, sensor.Fault(f))
		}
	}
	if text == "" {
		return noFault
	}
	return "faults:" + text
}

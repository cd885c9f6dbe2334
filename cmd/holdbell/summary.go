package main

import (
	"encoding/json"
	"fmt"
	"io"
	"text/tabwriter"

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
		r.Probes[st.Probes[i].Name] = reportProbe(&st.Probes[i])
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
	table := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	for i := range st.Probes {
		p := &st.Probes[i]
		if p.Valid == 0 {
			fmt.Fprintf(table, "probe %s\tno valid reading\t%s\n", p.Name, faults(p))
			continue
		}
		fmt.Fprintf(table, "probe %s\t%d valid, %s to %s\t%s\n", p.Name, p.Valid, degrees(p.Min, st.Units), degrees(p.Max, st.Units), faults(p))
	}
	if err := table.Flush(); err != nil {
		return err
	}
	for i := range st.Lots {
		l := &st.Lots[i]
		fmt.Fprintf(w, "lot %s (%s): %s\n", l.Lot, l.Station, l.Text)
		if l.CookSeen && l.Cook != nil {
			fmt.Fprintf(w, "  cooking: %s Cook value C100 %.0f min.\n", l.Cook.Text, l.CookValue)
		}
	}
	if len(st.Lots) == 0 {
		fmt.Fprintln(w, "no lot: no station was armed, and nobody loaded one")
	}
	_, err := fmt.Fprintln(w, "This is advice; local code and the health department decide.")
	return err
}

// faults names the readings of a probe that were none.
func faults(p *rules.ProbeState) string {
	text := ""
	for f, n := range p.Faults {
		if n > 0 {
			text += fmt.Sprintf(" %d %s", n, sensor.Fault(f))
		}
	}
	if text == "" {
		return "no fault"
	}
	return "faults:" + text
}

package main

import (
	"fmt"
	"io"
	"strings"
	"time"

	"holdbell/rules"
	"holdbell/sensor"
)

// tell writes one event as a line for a person: when, what kind, and the sentence. It sanitises nothing,
// for the rules let no control character into a name or a text.
func tell(w io.Writer, ev *rules.Event, relative bool) error {
	since := ""
	if d, known := ev.At.Sub(ev.Since); known && d >= time.Second && !ev.Since.IsZero() {
		since = fmt.Sprintf(" (since %s)", clockTime(ev.Since, relative))
	}
	lead := fmt.Sprintf("%s  %-16s  ", stamp(ev.At, relative), headline(ev))
	// A handover has a line for each thing that is open.
	text := strings.ReplaceAll(ev.Text, "\n", "\n"+strings.Repeat(" ", len(lead)))
	_, err := fmt.Fprintf(w, "%s%s%s\n", lead, text, since)
	return err
}

// headline is the kind of an event in a word or two.
func headline(ev *rules.Event) string {
	switch ev.Kind {
	case rules.AlarmRaised:
		return "ALARM " + string(ev.Priority)
	case rules.AlarmRepeated:
		return "still " + string(ev.Priority)
	case rules.AlarmAcknowledged:
		return "acknowledged"
	case rules.AlarmCleared:
		return "cleared"
	case rules.VerdictChanged:
		return "VERDICT " + string(ev.Verdict)
	}
	return string(ev.Kind)
}

// stamp is an instant with its date; a relative one is the time from the start.
func stamp(at sensor.Instant, relative bool) string {
	if relative {
		return clockTime(at, true)
	}
	return at.Wall.UTC().Format("2006-01-02 ") + clockTime(at, false)
}

func clockTime(at sensor.Instant, relative bool) string {
	if relative {
		s := int64(at.Mono.Round(time.Second) / time.Second)
		return fmt.Sprintf("%02d:%02d:%02d", s/3600, s/60%60, s%60)
	}
	return at.Wall.UTC().Format("15:04:05Z")
}

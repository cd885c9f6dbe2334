package page

import (
	"holdbell/publish"
	"holdbell/rules"
	"holdbell/rules/terms"
)

// labels are the short words of the pages: headings, buttons, names of fields and notices, in one place. A
// template names them by key, and one that names a key that is not here fails. Where a published term exists
// it is used: acknowledge, shelve, out of service and the alarm states are ANSI/ISA-18.2's, holding, cooling,
// reheating and time control the food code's; the rest is the kitchen's own. What
// other ways out say too comes from the glossary.
func labels() map[string]string {
	return map[string]string{
		// The ways through the pages.
		"rail": "Rail", "alarms": "Alarms", "stations": "Stations", "record": "Record", "board": "Board", "mark": "Make a mark",
		"pages": "Pages", "to-content": "To the content", "in-short": "In short", "back": "Back", "units": "Units",
		"celsius": "Celsius", "fahrenheit": "Fahrenheit",

		// How fresh the page is.
		"last-sweep": "Last sweep", "no-sweep": "No sweep yet.", "it-is": "It is", "hold": "Hold this page still", "follow": "Let this page follow along",
		"live": "Live.", "held": "Held still.",
		"stale": "Stale.", "stale-do": publish.StaleDo,
		"offline":     "No connection to the board.",
		"offline-age": "What stands here is", "old": "old.", "offline-do": "This page tries again by itself. Until then check the food by hand.",
		"clock-unset": "The board's clock is not set.", "clock-unset-do": "Ages stand here in place of clock times.",
		"answer": "Answer:", "done": "Done",
		"other-unit": "Sentences keep the kitchen's own unit,",

		// A ticket.
		"lots": "Lots", "now": "Now", "in": "in", "verdict": terms.Label(terms.Verdict) + ":", "ended": "ended", "was": "was", "not-watched": terms.Label(terms.Unknown), "no-reading": terms.Label(terms.NoReading),
		"verdict-by": "Verdict by", "standing": "The station's own lot: nobody marked a piece.", "clocks": "Clocks and proofs", "of": "of",
		"food": terms.Label(terms.Food), "read-by": "Read by", "hand-check": terms.Label(terms.HandCheck), "ended-lots": "Ended",
		"nothing-to-do": "Nothing to do now.",
		"no-lot":        "No lot is open. A station that holds hot food begins one of its own when it is up to temperature; a load mark begins one at once.",
		"nothing-known": "Nothing is known yet: no sweep was made. If this stays so for a minute, look at the board.",
		"timeline":      "From load to now",
		"earlier":       "Earlier",
		"stays":         "Where it has been",
		"gone":          "This lot is not on the list any more. The record has it.",
		"marks-on-this": "Marks",
		"undo":          "Take it back",
		"undo-help":     "A mark is never rubbed out: this appends its correction.",

		// An alarm.
		"since": "Since", "station": terms.Label(terms.Station), "probe": terms.Label(terms.Probe), "acknowledge": terms.Label(rules.MarkAcknowledge), "shelve": terms.Label(rules.MarkShelve), "shelve-for": "Silent for",
		"by": "By whom", "by-of": "By", "no-alarm": "Every alarm is normal.", "not-known": "Not known yet.", "one-press": "One press stands unsigned.", "sign-it": "Acknowledge with a name", "ringing": "Waits to be acknowledged", "rings-more": "Also to be acknowledged:",
		"service": terms.Label(rules.OutOfService), "service-help": "A station out of service rings nobody; its clocks run on.",
		"take-out": "Take out of service", "put-back": "Put back into service", "in-service": terms.Lower(rules.MarkInService), "out-of-service": terms.Lower(rules.OutOfService),
		"silent-help": "The clocks run on, and the alarm sounds again by itself.",

		// A station.
		"armed": terms.Lower(terms.Armed), "not-armed": terms.Lower(terms.NotArmed), "silenced": "its alarms are silent, its clocks run on", "no-air": "No air reading",
		"set-to": terms.Label(terms.Setpoint), "band": terms.Label(terms.Band), "air-is": "Air is", "food-probes": "Food probes", "no-station": "The configuration names no station: nothing is watched. holdbell probes lists what this board has; write the probes and a station into the configuration, look it over with holdbell check, then reload the daemon.",
		"pieces": "What is in it", "no-pieces": "No lot is in it.", "unknown-station": "No station has this name.",

		// A chart.
		"chart": "Chart", "chart-of": "The last", "hours": "h", "chart-figures": "The same as figures", "chart-wait": "The chart is being drawn.",
		"chart-plain": "The chart needs scripts; the figures do not.", "chart-none": "Nothing is recorded in this span.",
		"chart-fails": "The chart could not be fetched; it is tried again.", "chart-doors": "door open", "chart-marks": "Marks in this span",
		"figures": "Figures", "figures-help": "Lowest to highest reading of each probe, corrected by its calibration. A dash: no reading.",
		"from-to": "From", "hot-limit": terms.Lower(terms.HotLimit), "cold-limit": terms.Lower(terms.ColdLimit), "setpoint": terms.Lower(terms.Setpoint), "figures-none": "Nothing is recorded in this span.",
		"gap": "has gaps",

		// Two lots side by side.
		"compare": "Two cooks side by side", "compare-with": "Beside another cook", "compare-first": "One", "compare-second": "The other", "compare-help": "Choose two lots.",
		"compare-none": "No lot is recorded yet.", "overlay": "Temperature of both from their loading", "sides": "Their figures", "print-form": "A form to print",

		// The record.
		"events": "Latest events", "no-events": "None since the page began.", "unrecorded": "Not recorded yet.",
		"day": "Day", "show": "Show", "newer": "Newer", "older": "Older", "day-before": "The day before", "day-after": "The day after",
		"no-record": "Nothing is recorded on this day.", "record-print": "For any other span, or as text or a table: holdbell records.", "print-day": "The day as a form to print",
		"event": "Event", "time": "Time", "page-of": "Page",

		// The board.
		"probes": "Probes", "reads": "Reads", "last-valid": "Last valid", "look": "Look:",

		// The mark form.
		"what": "What was done", "lot": terms.Label(terms.Lot), "hand-thermometer": "Hand thermometer", "note": terms.Label(rules.MarkNote), "make": "Make the mark", "not-taken": "Not taken.",
		"none-named": "none named", "which-kind": "not said", "back-to": "Back without a mark", "any-mark": "Another kind of mark",
		"note-words": "A note may begin with words for the rules; free text follows them:",

		// Signing in, and the button of a message.
		"sign-in": "Sign in", "sign-in-to-mark": "Sign in to make marks", "not-signed-in": "Not signed in.", "signed-in": "This browser may make marks already.",
		"token":      "Token",
		"token-help": "Whoever set up the board knows it. It is typed once; this browser then remembers for thirty days that it was right.",
		"reply":      "Acknowledge an alarm", "answered": "Answered", "not-acknowledged": "Not acknowledged.",
		"reply-help": "It stops the ringing. It stops no clock, and nothing else can be done from here.",

		// The foot.
		"advice":    "This is advice, not permission.",
		"advice-do": "Your local code and your health department decide. Check with a calibrated hand thermometer before food is served, and whenever this page and your hand disagree.",
	}
}

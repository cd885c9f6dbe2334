package rules

import "holdbell/sensor"

// EventKind names what happened.
type EventKind string

// The events.
const (
	AlarmRaised       EventKind = "alarm-raised"
	AlarmRepeated     EventKind = "alarm-repeated" // still unacknowledged, or worse than when acknowledged
	AlarmAcknowledged EventKind = "alarm-acknowledged"
	AlarmCleared      EventKind = "alarm-cleared" // the condition has ended
	AlarmShelved      EventKind = "alarm-shelved"
	AlarmUnshelved    EventKind = "alarm-unshelved"
	VerdictChanged    EventKind = "verdict"
	StationArmed      EventKind = "station-armed"
	StationDisarmed   EventKind = "station-disarmed"
	StationService    EventKind = "station-service" // taken out of service, or put back
	LotBegun          EventKind = "lot-begun"
	LotMoved          EventKind = "lot-moved"
	LotEnded          EventKind = "lot-ended"
	MarkTaken         EventKind = "mark" // a mark was understood and applied; Text says what followed
	MarkRefused       EventKind = "mark-refused"
	StageProposed     EventKind = "stage-proposed" // the readings speak of a stage that no mark named
	ReheatProven      EventKind = "reheat-proven"
	CookProven        EventKind = "cook-proven"
	Restarted         EventKind = "restarted" // a gap between sweeps longer than the allowance
	// ClockSet: the wall clock was moved, or is believed from this sweep on. Its At tells what time it was at an
	// earlier Instant of the same boot.
	ClockSet EventKind = "clock-set"
)

// Event is one thing that the Engine decided. Seq is dense from 1 within a ledger. At is the sweep that
// decided it, Since the interpolated moment from which it holds.
type Event struct {
	Seq      uint64         `json:"seq"`
	Kind     EventKind      `json:"kind"`
	At       sensor.Instant `json:"at"`
	Since    sensor.Instant `json:"since"`
	Alarm    AlarmName      `json:"alarm,omitempty"`
	Station  string         `json:"station,omitempty"`
	Lot      string         `json:"lot,omitempty"`
	Probe    string         `json:"probe,omitempty"`
	Priority Priority       `json:"priority,omitempty"`
	State    AlarmStatus    `json:"state,omitempty"`
	Verdict  Verdict        `json:"verdict,omitempty"`
	Temp     *sensor.Temp   `json:"temp,omitempty"`
	Basis    string         `json:"basis,omitempty"`
	Mark     string         `json:"mark,omitempty"` // the mark's id, where one caused it
	By       string         `json:"by,omitempty"`
	// Undoable: an undo of the mark is possible, for as long as it is recent and the lot is on the list.
	Undoable bool   `json:"undoable,omitempty"`
	Text     string `json:"text"` // a whole sentence for a person
	// Unrecorded is set when publishers heard of the event before it was durable.
	Unrecorded bool `json:"unrecorded,omitempty"`
}

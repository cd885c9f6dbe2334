package rules

import (
	"time"

	"holdbell/sensor"
)

// Input is everything that can change a verdict: one sweep, the marks that arrived since the sweep
// before, and notices. It is what the ledger records and what a replay feeds.
type Input struct {
	Sweep   sensor.Sweep
	Marks   []Mark
	Notices []Notice
}

// NoticeKind is what a Notice tells.
type NoticeKind string

// The notices.
const (
	// LedgerTrouble and LedgerFine: the record cannot be written, and can again.
	LedgerTrouble NoticeKind = "ledger-trouble"
	LedgerFine    NoticeKind = "ledger-fine"
	// SupplyLow, SupplyFine and SupplyUnknown: how the board's own supply is, by its kernel.
	SupplyLow     NoticeKind = "supply-low"
	SupplyFine    NoticeKind = "supply-fine"
	SupplyUnknown NoticeKind = "supply-unknown"
	// MainsOff, MainsOn and MainsUnknown: whether the board has mains power, by its kernel.
	MainsOff     NoticeKind = "mains-off"
	MainsOn      NoticeKind = "mains-on"
	MainsUnknown NoticeKind = "mains-unknown"
)

// Notice is something about the daemon itself that the rules must know.
type Notice struct {
	At   sensor.Instant `json:"at"`
	Kind NoticeKind     `json:"kind"`
	Text string         `json:"text,omitempty"`
}

// MarkKind is what a person did.
type MarkKind string

// The marks.
const (
	MarkLoad         MarkKind = "load"
	MarkMove         MarkKind = "move"
	MarkWrap         MarkKind = "wrap"
	MarkRotate       MarkKind = "rotate"
	MarkSplit        MarkKind = "split"
	MarkCheck        MarkKind = "check" // a hand thermometer's reading
	MarkProbe        MarkKind = "probe" // assigns a probe to a lot
	MarkProbeOut     MarkKind = "probe-out"
	MarkProbeIn      MarkKind = "probe-in"
	MarkOffWatch     MarkKind = "off-watch"
	MarkNote         MarkKind = "note"
	MarkCorrective   MarkKind = "corrective"
	MarkTimeControl  MarkKind = "time-control"
	MarkServe        MarkKind = "serve"
	MarkDiscard      MarkKind = "discard"
	MarkClose        MarkKind = "close"
	MarkUndo         MarkKind = "undo"
	MarkAcknowledge  MarkKind = "acknowledge"
	MarkShelve       MarkKind = "shelve"
	MarkOutOfService MarkKind = "out-of-service"
	MarkInService    MarkKind = "in-service"
	MarkHandover     MarkKind = "handover"
	MarkCalibrate    MarkKind = "calibrate" // a probe was held against a known temperature
)

// MarkKinds lists every kind.
func MarkKinds() []MarkKind {
	return []MarkKind{MarkLoad, MarkMove, MarkWrap, MarkRotate, MarkSplit, MarkCheck, MarkProbe,
		MarkProbeOut, MarkProbeIn, MarkOffWatch, MarkNote, MarkCorrective, MarkTimeControl, MarkServe,
		MarkDiscard, MarkClose, MarkUndo, MarkAcknowledge, MarkShelve, MarkOutOfService, MarkInService,
		MarkHandover, MarkCalibrate}
}

// Mark is what a person told the daemon. At is when it arrived (or, in a replay, when the file says);
// what the note's key=value words said stands in the fields below Note, and Note keeps the whole text.
type Mark struct {
	At      sensor.Instant `json:"at"`
	Kind    MarkKind       `json:"mark"`
	Lot     string         `json:"lot,omitempty"`
	Station string         `json:"station,omitempty"`
	Note    string         `json:"note,omitempty"`
	By      string         `json:"by,omitempty"`
	ID      string         `json:"id,omitempty"`

	Food   string       `json:"food,omitempty"`   // food=
	Grams  int32        `json:"grams,omitempty"`  // lb= or kg=
	Target *sensor.Temp `json:"target,omitempty"` // target=
	Probe  string       `json:"probe,omitempty"`  // probe=
	From   string       `json:"from,omitempty"`   // from=
	Fresh  bool         `json:"fresh,omitempty"`  // fresh
	Made   Made         `json:"made,omitempty"`   // made=
	Temp   *sensor.Temp `json:"temp,omitempty"`   // C= or F=
	Alarm  AlarmName    `json:"alarm,omitempty"`  // alarm=
	Until  time.Time    `json:"until,omitzero"`   // until=
	Undoes string       `json:"undoes,omitempty"` // undoes=
	Ref    Reference    `json:"ref,omitempty"`    // ref=
	True   *sensor.Temp `json:"true,omitempty"`   // true=
	Read   *sensor.Temp `json:"read,omitempty"`   // read=
	Raw    *sensor.Temp `json:"raw,omitempty"`    // raw=
}

// Foods lists the words that food= takes.
func Foods() []string {
	return []string{"beef", "pork", "poultry", "ground", "injected", "fish", "vegetable", "other"}
}

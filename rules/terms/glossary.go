package terms

import (
	"holdbell/rules"
	"holdbell/sensor"
)

// The words that belong to no list of the rules.
const (
	Lot       Word = "lot"
	Station   Word = "station"
	Probe     Word = "probe"
	Food      Word = "food"
	Stage     Word = "stage"
	Band      Word = "band"
	Setpoint  Word = "setpoint"
	HotLimit  Word = "hot-limit"
	ColdLimit Word = "cold-limit"

	Verdict      Word = "verdict"
	Alarm        Word = "alarm"
	HandCheck    Word = "hand-check"
	Mark         Word = "mark"
	Gap          Word = "gap"
	Clocks       Word = "clocks"
	DangerZone   Word = "danger-zone"
	Charged      Word = "charged"
	BelowLimit   Word = "below-hot-limit"
	ComeUp       Word = "come-up"
	Unknown      Word = "unknown"
	UnknownSince Word = "unknown-since"
	PowerCut     Word = "unknown-length"
	Begun        Word = "begun"
	NoReading    Word = "no-reading"
	CookValue    Word = "cook-value"
	Growth       Word = "growth"
	Armed        Word = "armed"
	NotArmed     Word = "not-armed"
)

type entry struct {
	key          any
	label, means string
}

// glossary is the table itself. A label stands by itself, so it begins with a capital letter.
var glossary = []struct {
	title, from string
	entries     []entry
}{
	{"The kitchen", "the trade and the food code; station is holdbell's own for any of its places", []entry{
		{Lot, "Lot", "a piece of food, or several that go together under one name, from loading to its end"},
		{Station, "Station", "a place that keeps food at a temperature: a pit, a warming cabinet, a chiller, an oven"},
		{Probe, "Probe", "a thermometer, in food or in a station's air"},
		{Food, "Food", "the kind of food by which the food code sets what proves it cooked"},
		{Stage, "Stage", "what is being done with a lot as the food code sees it"},
		{Band, "Band", "the range that a station's air is to keep"},
		{Setpoint, "Set to", "the temperature that a station's thermostat or fire is set to"},
		{HotLimit, "Hot limit", "food held hot must not be below it: 135 °F in the FDA Food Code, 3-501.16(A)(1)"},
		{ColdLimit, "Cold limit", "food held cold must not be above it: 41 °F in the FDA Food Code, 3-501.16(A)(2)"},
		{Armed, "Armed", "a station is watched: it was loaded, or has been at its limit for a while"},
		{NotArmed, "Not armed", "a station is empty or out of use, and its air rings nobody"},
	}},
	{"Stages", "the food code's", []entry{
		{rules.Cooking, "Cooking", "on its way to the endpoint that proves it cooked"},
		{rules.HotHolding, "Hot holding", "kept at or above the hot limit until it is served"},
		{rules.Cooling, "Cooling", "brought through the danger zone within the code's time"},
		{rules.ColdHolding, "Cold holding", "kept at or below the cold limit"},
		{rules.Reheating, "Reheating", "brought to the reheating target within the code's time"},
		{rules.TimeControl, "Time control", "kept by the clock alone, four or six hours, and thrown away after"},
	}},
	{"Verdicts", "holdbell's own; each is advice with its citation, never permission", []entry{
		{Verdict, "Verdict", "what the rules make of a lot at this moment"},
		{rules.OK, "OK", "nothing has to be done now"},
		{rules.Act, "Act", "something has to be done before it may be served"},
		{rules.Discard, "Discard", "by the rules it is to be thrown away, and stays so"},
	}},
	{"A lot's clocks and proofs", "the food code's where it has a word", []entry{
		{Clocks, "Clocks", "the times that the rules keep of a lot"},
		{Begun, "Begun", "when the lot was loaded, or its watch began"},
		{DangerZone, "In the danger zone", "time between the cold and the hot limit, everything that is not known counted as such"},
		{Charged, "Of that counted", "the part of it that the verdict looks at: a reheating or cooling that passed is taken off"},
		{BelowLimit, "Below its hot limit", "time below the hot limit while it was to be held hot"},
		{ComeUp, "Coming up", "time from a cold loading until the hot limit"},
		{Unknown, "Not watched", "time without a reading, longer than the gap allowance; it counts as unsafe"},
		{UnknownSince, "Unknown since", "no probe of the lot has read since then"},
		{PowerCut, "Power cut", "the watch was off and nobody can tell how long"},
		{NoReading, "No reading", "no probe of it reads now"},
		{Gap, "Gap", "a stretch without a watch"},
		{HandCheck, "Hand check", "what a person read off a calibrated hand thermometer"},
		{Mark, "Mark", "what a person told holdbell: something that was done, seen or measured"},
		{CookValue, "Cook value C100", "minutes at 100 °C that cook food alike, z = 33 °C"},
		{Growth, "Predicted growth", "what a published model says bacteria may have grown; advice"},
	}},
	{"Alarms", "holdbell's own names for what is found", []entry{
		{Alarm, "Alarm", "something that needs a person's hand"},
		{rules.BelowHotLimit, "Below hot limit", "food held hot is below the hot limit"},
		{rules.DangerTime, "Danger-zone time", "half of a lot's time in the danger zone is used up, or all of it"},
		{rules.LimitAhead, "Limit ahead", "food that falls will be below the hot limit soon"},
		{rules.OutOfBand, "Out of band", "a station's air is outside its band, or food is held so hot that it dries out"},
		{rules.DoorOpen, "Door open", "a door or a lid stands open"},
		{rules.FireFalling, "Fire falling", "a fire dies down and the air will leave its band"},
		{rules.ComeUpLate, "Come-up late", "food takes too long between 50 and 130 °F"},
		{rules.AboveColdLimit, "Above cold limit", "food held cold is above the cold limit"},
		{rules.CoolingLate, "Cooling late", "food will not be cold, or was not, by its deadline"},
		{rules.ReheatLate, "Reheating late", "food will not be hot, or was not, by its deadline"},
		{rules.TimeControlEnded, "Time control ended", "the hours of time control are over"},
		{rules.CheckDue, "Check due", "a reminder, or a calibration that is old"},
		{rules.ProbeFault, "Probe fault", "a probe gives no reading, or one that cannot be true"},
		{rules.ProbeStuck, "Probe stuck", "a probe has not moved although what it measures should"},
		{rules.ProbesDisagree, "Probes disagree", "probes that ought to agree do not"},
		{rules.RecordTrouble, "Record trouble", "the record cannot be written, or was begun anew"},
		{rules.ClockDoubt, "Clock in doubt", "the board does not know what time it is"},
		{rules.MainsLost, "Mains lost", "the board runs without mains power"},
	}},
	{"Priorities", "ANSI/ISA-18.2 asks for few of them; the words are holdbell's own", []entry{
		{rules.Critical, "Critical", "food is being lost, or nobody can know: rings until somebody answers"},
		{rules.Warning, "Warning", "something has to be done soon: rings"},
		{rules.Advice, "Advice", "worth knowing: shown, and rings nobody"},
	}},
	{"States of an alarm", "ANSI/ISA-18.2", []entry{
		{rules.Normal, "Normal", "what it looks for is not so"},
		{rules.Unacknowledged, "Unacknowledged", "it stands, and nobody has said that he knows"},
		{rules.Acknowledged, "Acknowledged", "it stands, and somebody has said that he knows; no clock stops"},
		{rules.Returned, "Returned to normal, unacknowledged", "it is over, and nobody has said that he knows"},
		{rules.Shelved, "Shelved", "silent until a time that somebody set"},
		{rules.OutOfService, "Out of service", "its station is out of service: silent, its clocks run on"},
	}},
	{"Faults of a probe", "the chips' data sheets", []entry{
		{sensor.Open, "Open", "wire broken, or plug out"},
		{sensor.ShortGND, "Short to ground", "shorted to ground"},
		{sensor.ShortVCC, "Short to supply", "shorted to the supply"},
		{sensor.OverUnderVoltage, "Over- or undervoltage", "input voltage outside the chip's supply"},
		{sensor.Range, "Out of range", "outside what this probe can read"},
		{sensor.BusFault, "Bus fault", "the chip does not answer rightly"},
		{sensor.CJImplausible, "Cold junction", "cold junction not believable"},
		{sensor.Stale, "Stale", "no new reading in time"},
		{sensor.Spike, "Spike", "a jump that no food or air makes"},
	}},
	{"Marks", "the trade's verbs; time control, corrective action and calibration are the food code's and 21 CFR 117's", []entry{
		{rules.MarkLoad, "Load", "a piece goes into a station"},
		{rules.MarkMove, "Move", "it goes to another station"},
		{rules.MarkWrap, "Wrap", "it was wrapped"},
		{rules.MarkRotate, "Rotate", "pieces changed places"},
		{rules.MarkSplit, "Split", "a part was cut from a lot"},
		{rules.MarkCheck, "Check", "a hand thermometer was read"},
		{rules.MarkProbe, "Probe", "a probe was put into it"},
		{rules.MarkProbeOut, "Probe out", "its probe was taken out for a while"},
		{rules.MarkProbeIn, "Probe in", "its probe is back in"},
		{rules.MarkOffWatch, "Off watch", "it is out of the probes' sight"},
		{rules.MarkNote, "Note", "a remark for the record"},
		{rules.MarkCorrective, "Corrective", "what was done about it"},
		{rules.MarkTimeControl, "Time control", "time alone controls it from now"},
		{rules.MarkServe, "Serve", "it was served"},
		{rules.MarkDiscard, "Discard", "it was thrown away"},
		{rules.MarkClose, "Close", "the lot is done"},
		{rules.MarkUndo, "Undo", "an earlier mark was wrong"},
		{rules.MarkAcknowledge, "Acknowledge", "an alarm was seen"},
		{rules.MarkShelve, "Shelve", "an alarm is silent until a time"},
		{rules.MarkOutOfService, "Out of service", "a station's alarms are silent"},
		{rules.MarkInService, "In service", "a station's alarms ring again"},
		{rules.MarkHandover, "Handover", "the next shift takes over"},
		{rules.MarkCalibrate, "Calibrate", "a probe was held against a known temperature"},
	}},
	{"Events", "holdbell's own", []entry{
		{rules.AlarmRaised, "Alarm raised", "an alarm begins to stand"},
		{rules.AlarmRepeated, "Alarm repeated", "nobody has acknowledged it, or it is worse than when somebody did"},
		{rules.AlarmAcknowledged, "Alarm acknowledged", "somebody has said that he knows"},
		{rules.AlarmCleared, "Alarm cleared", "what it told is over"},
		{rules.AlarmShelved, "Alarm shelved", "it is silent until a time"},
		{rules.AlarmUnshelved, "Alarm unshelved", "it sounds again"},
		{rules.VerdictChanged, "Verdict", "the rules make something else of a lot"},
		{rules.StationArmed, "Station armed", "it is watched from now on"},
		{rules.StationDisarmed, "Station disarmed", "nothing in it is watched"},
		{rules.StationService, "Station service", "it was taken out of service, or put back"},
		{rules.LotBegun, "Lot begun", "a lot was loaded, or a station's own watch began"},
		{rules.LotMoved, "Lot moved", "it went to another station"},
		{rules.LotEnded, "Lot ended", "it was served up, closed or thrown away"},
		{rules.MarkTaken, "Mark", "a mark was understood and applied"},
		{rules.MarkRefused, "Mark refused", "a mark could not be applied, and why"},
		{rules.StageProposed, "Stage proposed", "the readings speak of a stage that no mark named"},
		{rules.ReheatProven, "Reheat proven", "food reached its reheating target in time"},
		{rules.CookProven, "Cook proven", "food reached an endpoint that proves it cooked"},
		{rules.Restarted, "Restarted", "the watch was off"},
		{rules.ClockSet, "Clock set", "the wall clock was moved, or is believed from here on"},
	}},
}

package configs

import (
	"slices"
	"time"

	"github.com/goccy/go-yaml/ast"

	"holdbell/rules"
	"holdbell/sensor"
)

// boardStation is the daemon's own station in alarms and topics.
const boardStation = "board"

// longestDelay bounds what delays an alarm: a day without a sound is no delay.
const longestDelay = 24 * time.Hour

// station reads one entry of stations.
func (k *kitchen) station(n ast.Node) {
	r := &k.reader
	s := entry[Station]{at: placeOf(n)}
	var named []reference
	name := func(n ast.Node) {
		var p string
		scalar(r, &p, "a probe", "warmer-core", parseName)(n)
		if p != "" {
			named = append(named, reference{probe: p, at: placeOf(n)})
		}
	}
	s.of = r.mapping(n, "a station",
		field{"name", scalar(r, &s.T.Name, "name", "warmer", parseName)},
		field{"purpose", scalar(r, &s.T.Purpose, "purpose", "hot-holding", oneOf(rules.Purposes()...))},
		field{"air", func(n ast.Node) {
			before := len(named)
			name(n)
			if len(named) > before {
				s.T.Air = named[before].probe
			}
		}},
		field{"food", func(n ast.Node) {
			r.list(n, "food", func(n ast.Node) {
				before := len(named)
				name(n)
				if len(named) == before {
					return
				}
				p := named[before]
				if slices.Contains(s.T.Food, p.probe) {
					r.fail(p.at, "keep one of the two", "food names probe %s twice", p.probe)
					return
				}
				s.T.Food = append(s.T.Food, p.probe)
			})
		}},
		field{"setpoint", pointer(r, &s.T.Setpoint, "setpoint", "150F", parseTemp)},
		field{"oven", scalar(r, &s.T.Oven, "oven", "dry", oneOf(rules.Ovens()...))},
		field{"band", func(n ast.Node) { s.T.Band = k.band(n) }},
		field{"reminders", func(n ast.Node) {
			r.list(n, "reminders", func(n ast.Node) { k.reminder(n, &s) })
		}},
		field{"probes_apart", pointer(r, &s.T.ProbesApart, "probes_apart", "3C", parseApart)},
		field{"too_hot", func(n ast.Node) { s.T.TooHot = k.tooHot(n) }},
		field{"alarms", func(n ast.Node) { s.T.Alarms = k.alarms(n) }},
	)
	if s.of == nil {
		return
	}
	k.stations = append(k.stations, s)
	for _, ref := range named {
		ref.station = s.T.Name
		k.refs = append(k.refs, ref)
	}
	_, air := s.of["air"]
	_, food := s.of["food"]
	switch {
	case !air && !food:
		r.fail(s.at, "add air: or food: with a probe's name", "station %s has no probe: nothing would watch it", s.T.Name)
	case !air && len(s.T.Food) == 0:
		r.fail(s.of["food"], "name at least one probe", "station %s has no probe: nothing would watch it", s.T.Name)
	}
	if s.T.Air != "" && slices.Contains(s.T.Food, s.T.Air) {
		r.fail(s.of["food"], "keep it where it hangs", "probe %s cannot be in the air and in the food at once", s.T.Air)
	}
	if s.T.TooHot != nil && s.T.Purpose != "" && s.T.Purpose != rules.HotHolding {
		r.fail(s.of["too_hot"], "remove it, or make it purpose: hot-holding", "station %s does not hold hot food, and has a too_hot", s.T.Name)
	}
	if s.T.ProbesApart != nil && s.T.Purpose != "" && s.T.Purpose != rules.HotHolding && s.T.Purpose != rules.ColdHolding {
		r.fail(s.of["probes_apart"], "remove it: food that is on its way somewhere differs", "station %s holds food neither hot nor cold, and has a probes_apart", s.T.Name)
	}
	if hot, low := s.T.TooHot, s.T.Band; hot != nil && low != nil && hot.Above <= low.Low {
		r.fail(s.of["too_hot"], "write a temperature above where the station is to be", "at station %s food is too hot at the low end of its band", s.T.Name)
	}
	if s.T.Oven != "" && s.T.Purpose != "" && s.T.Purpose != rules.Cooking {
		r.fail(s.of["oven"], "remove it, or make it purpose: cooking", "station %s does not cook, and has an oven", s.T.Name)
	}
	if s.T.Name == boardStation {
		r.fail(s.of["name"], "choose another name", "%s is the daemon's own station", boardStation)
	}
	for _, need := range []struct{ key, fix string }{
		{"name", "add name:"},
		{"purpose", "add purpose: hot-holding, or another one"},
	} {
		if _, ok := s.of[need.key]; !ok {
			r.fail(s.at, need.fix, "a station has no %s", need.key)
		}
	}
	if b, set := s.T.Band, s.T.Setpoint; b != nil && set != nil && (*set < b.Low || *set > b.High) {
		r.fail(s.of["setpoint"], "move the setpoint or the band", "the setpoint of station %s lies outside its band", s.T.Name)
	}
}

// parseApart reads how far probes may lie apart, or off.
func parseApart(s string) (sensor.Temp, string, string) {
	if s == "off" {
		return -1, "", ""
	}
	t, wrong, fix := parsePositiveDifference(s)
	if fix != "" {
		fix += ", or off"
	}
	return t, wrong, fix
}

// band reads [low, high].
func (k *kitchen) band(n ast.Node) *rules.Band {
	r := &k.reader
	before := len(r.problems)
	var ends []sensor.Temp
	r.list(n, "band", func(n ast.Node) {
		var t sensor.Temp
		scalar(r, &t, "an end of the band", "140F", parseTemp)(n)
		ends = append(ends, t)
	})
	switch {
	case len(r.problems) > before:
		return nil
	case len(ends) != 2:
		r.fail(placeOf(n), "write band: [140F, 165F]", "a band has a low end and a high end, not %d of them", len(ends))
		return nil
	case ends[0] >= ends[1]:
		r.fail(placeOf(n), "write the low end first", "the band's low end is not below its high end")
		return nil
	}
	return &rules.Band{Low: ends[0], High: ends[1]}
}

// alarms reads what differs from an alarm's default.
func (k *kitchen) alarms(n ast.Node) map[rules.AlarmName]rules.AlarmSetup {
	r := &k.reader
	out := make(map[rules.AlarmName]rules.AlarmSetup)
	var fields []field
	for _, name := range rules.AlarmNames() {
		fields = append(fields, field{string(name), func(n ast.Node) {
			var a rules.AlarmSetup
			r.mapping(n, "alarm "+string(name),
				field{"raise_delay", pointer(r, &a.RaiseDelay, "raise_delay", "10s", upTo(longestDelay))},
				field{"clear_delay", pointer(r, &a.ClearDelay, "clear_delay", "1m", upTo(longestDelay))},
				field{"hysteresis", pointer(r, &a.Hysteresis, "hysteresis", "1F", parsePositiveDifference)},
				field{"repeat", pointer(r, &a.Repeat, "repeat", "5m", upTo(longestDelay))},
				field{"priority", pointer(r, &a.Priority, "priority", "critical", oneOf(rules.Advice, rules.Warning, rules.Critical))},
			)
			out[name] = a
		}})
	}
	r.mapping(n, "alarms", fields...)
	return out
}

package configs

import (
	"slices"

	"holdbell/rules"
	"holdbell/rules/foodcode"
	"holdbell/sensor"
	"holdbell/sensor/condition"
)

// accuracyNeeded is the accuracy that food thermometers need: ±1 °C, or ±2 °F where they are read in
// Fahrenheit alone (FDA Food Code 2022 4-203.11).
func accuracyNeeded(u rules.Units) sensor.Temp {
	if u == rules.Fahrenheit {
		return 1111
	}
	return 1000
}

// lowestHotLimit is the lowest that a published code allows: 130 °F for whole roasts (FDA Food Code 2022
// 3-501.16(A)(1)).
func lowestHotLimit() sensor.Temp { return sensor.FahrenheitLimit(130) }

// cross checks what lies in more than one section: names that stand twice, references that lead nowhere,
// chip selects with two owners, and stations that the food code cannot judge.
func (k *kitchen) cross() {
	r := &k.reader
	names := make(map[string]place)
	buses := make(map[string]string)
	files := make(map[string]string)
	var known []string
	for i := range k.probes {
		p := &k.probes[i]
		if p.T.Name != "" {
			k.twice(names, "probes", p.T.Name, p.key("name"))
			known = append(known, p.T.Name)
		}
		claim, what := p.T.claims()
		if owner, taken := buses[claim]; taken && p.T.Bus != "" {
			fix := "give one of them another chip select"
			if p.T.Address != 0 {
				fix = "give one of them another address, channel or serial"
			}
			r.fail(p.key("bus"), fix, "probes %s and %s are both on %s", owner, p.T.Name, what)
		}
		if owner, taken := files[p.T.File]; taken && p.T.File != "" {
			r.fail(p.key("file"), "give each its own", "probes %s and %s both read %s", owner, p.T.Name, p.T.File)
		}
		buses[claim], files[p.T.File] = p.T.Name, p.T.Name
	}
	k.crossI2C()
	k.crossPanel()
	used := make(map[string]bool)
	for _, ref := range k.refs {
		used[ref.probe] = true
		if !slices.Contains(known, ref.probe) {
			r.fail(ref.at, didYouMean(ref.probe, known), "station %s names probe %s, which is not among the probes", ref.station, ref.probe)
		}
	}
	clear(names)
	for i := range k.stations {
		s := &k.stations[i]
		if s.T.Name != "" {
			k.twice(names, "stations", s.T.Name, s.key("name"))
		}
		k.judgeable(s)
	}
	for i := range k.probes {
		k.slew(&k.probes[i])
		k.crossTopic(&k.probes[i])
		k.adviseProbe(&k.probes[i], used)
	}
	if at, ok := k.figures["hot_limit"]; ok && k.c.Code.HotLimit < lowestHotLimit() {
		r.warn(at, "look at the local code again", "a hot limit of %v lies below every published one (FDA Food Code 2022 3-501.16: 130 °F for roasts)", k.c.Code.HotLimit)
	}
}

// slew gives a probe whose max_slew nobody wrote that of its kind; one that serves in several ways, the fastest.
func (k *kitchen) slew(p *entry[Probe]) {
	if _, written := p.of["max_slew"]; written {
		return
	}
	used := false
	for i := range k.stations {
		s := &k.stations[i].T
		kind := condition.FoodCore
		switch {
		case s.Air == p.T.Name && (s.Purpose == rules.Cooking || s.Purpose == rules.Reheating):
			kind = condition.PitAir
		case s.Air == p.T.Name:
			kind = condition.CabinetAir
		case !slices.Contains(s.Food, p.T.Name):
			continue
		}
		if !used || kind.MaxSlew() > p.T.MaxSlew {
			p.T.MaxSlew = kind.MaxSlew()
		}
		used = true
	}
}

func (k *kitchen) twice(seen map[string]place, what, name string, at place) {
	if first, ok := seen[name]; ok {
		k.fail(at, "give each its own name", "two %s are called %s, the first on %s", what, name, k.line(first))
		return
	}
	seen[name] = at
}

// judgeable tells what the food code cannot judge at a station, and warns of one that cannot do its job.
func (k *kitchen) judgeable(s *entry[Station]) {
	r, code := &k.reader, &k.c.Code
	if code.Name == "" || s.of["purpose"] == (place{}) || s.T.Purpose == "" {
		return
	}
	switch s.T.Purpose {
	case rules.TimeControl:
		if len(code.TimeControl) == 0 {
			fix := "write hot-holding or cold-holding: its clock adds up the time outside the limits"
			if foodcode.IsFrame(code.Name) {
				fix = "add time_control: under rules"
			}
			r.fail(s.key("purpose"), fix, "food code %s has no rule for time control", code.Name)
		}
	case rules.HotHolding:
		if s.T.Setpoint != nil && *s.T.Setpoint < code.HotLimit {
			r.warn(s.key("setpoint"), "raise the setpoint", "station %s is set below the hot limit of %v", s.T.Name, code.HotLimit)
		}
		if len(s.T.Food) == 0 {
			r.warn(s.at, "add food: with a probe in the coolest piece", "station %s judges food by its air alone", s.T.Name)
		}
	case rules.ColdHolding:
		if s.T.Setpoint != nil && *s.T.Setpoint > code.ColdLimit {
			r.warn(s.key("setpoint"), "lower the setpoint", "station %s is set above the cold limit of %v", s.T.Name, code.ColdLimit)
		}
	}
}

// adviseProbe warns of a probe that nobody looks at, or that is not known to be as true as a food
// thermometer has to be.
func (k *kitchen) adviseProbe(p *entry[Probe], used map[string]bool) {
	if p.T.Name == "" {
		return
	}
	if !used[p.T.Name] {
		k.warn(p.key("name"), "name it under a station's air or food, or remove it", "no station uses probe %s", p.T.Name)
	}
	const fix = "check it in ice water and write offset: (0C when it is true) or calibration:, or fit a better one and write accuracy:"
	_, stated := p.of["accuracy"]
	claim := p.T.accuracy()
	if k.c.GuardBand && used[p.T.Name] && claim == 0 {
		k.fail(p.key("accuracy"), "add accuracy: with the half-width that probe and chip are good for, such as 1.0C, or remove guard_band",
			"probe %s has no accuracy, and guard_band moves the limits by it", p.T.Name)
		return
	}
	switch {
	case p.T.Calibrated, claim != 0 && claim <= accuracyNeeded(k.c.Units), k.c.GuardBand && stated:
	case k.c.GuardBand:
		if used[p.T.Name] {
			k.warn(p.key("chip"), fix, "guard_band moves the limits of probe %s by ±%.1f °C, which is all that its thermometer and chip can claim", p.T.Name, claim.Celsius())
		}
	case stated:
		k.warn(p.key("accuracy"), fix, "probe %s is good for ±%.1f °C; food thermometers need ±1 °C (FDA Food Code 2022 4-203.11)", p.T.Name, claim.Celsius())
	case claim != 0:
		k.warn(p.key("chip"), fix, "probe %s is not calibrated: its thermometer and chip can claim ±%.1f °C, and food thermometers need ±1 °C (FDA Food Code 2022 4-203.11)", p.T.Name, claim.Celsius())
	case p.T.Chip != "":
		k.warn(p.key("chip"), fix, "probe %s is not calibrated, and its thermometer and chip can claim no accuracy where food is judged; food thermometers need ±1 °C (FDA Food Code 2022 4-203.11)", p.T.Name)
	}
}

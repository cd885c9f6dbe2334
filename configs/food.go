package configs

import (
	"slices"
	"strings"
	"time"

	"github.com/goccy/go-yaml/ast"

	"holdbell/rules"
	"holdbell/rules/foodcode"
	"holdbell/sensor"
)

// maxLegs is the most legs that the rules follow in a cooling run.
const maxLegs = 4

// longestLimit bounds a time limit of food.
const longestLimit = 48 * time.Hour

// figures are what a kitchen writes out itself under the food codes that name no numbers.
type figures struct {
	code  string
	basis string

	hot, cold             *sensor.Temp
	danger, coldDanger    *time.Duration
	actFrom               *time.Duration
	back                  *rules.Return
	returnBelow           *time.Duration
	returnFloor           *sensor.Temp
	reheat                *rules.Reheat
	cooling               []rules.CoolingLeg
	plan                  string // of cooling
	ambient               *rules.CoolingLeg
	apart                 *bool
	time                  []rules.TimeControlRule
	cooking               []rules.CookLimit
	comeUpLow, comeUpHigh *sensor.Temp
	comeUpLimit           *time.Duration
	coolingFrom           []*sensor.Temp // nil: the leg before, or the hot limit
}

// rules reads the section of that name.
func (k *kitchen) rules(n ast.Node) {
	r := &k.reader
	var f figures
	hours := some(longestLimit)
	before := len(r.problems)
	k.figures = r.mapping(n, "rules",
		field{"food_code", scalar(r, &f.code, "food_code", foodcode.USFDA2022, oneOf(foodcode.Names()...))},
		field{"alarms", func(n ast.Node) { k.c.Alarms = k.alarms(n) }},
		field{"guard_band", scalar(r, &k.c.GuardBand, "guard_band", "true", parseBool)},
		field{"hand_accuracy", scalar(r, &k.c.HandAccuracy, "hand_accuracy", "1C", parsePositiveDifference)},
		field{"cooking_plan", scalar(r, &k.c.CookingPlan, "cooking_plan", "HACCP plan 7", parsePlan)},
		field{"growth_limit", scalar(r, &k.c.GrowthLimit, "growth_limit", "1.0", parseGrowth)},
		field{"basis", scalar(r, &f.basis, "basis", "County code 12.3", parseBasis)},
		field{"hot_limit", pointer(r, &f.hot, "hot_limit", "135F", parseTemp)},
		field{"cold_limit", pointer(r, &f.cold, "cold_limit", "41F", parseTemp)},
		field{"danger_limit", pointer(r, &f.danger, "danger_limit", "4h", hours)},
		field{"cold_danger_limit", pointer(r, &f.coldDanger, "cold_danger_limit", "4h", hours)},
		field{"act_from", pointer(r, &f.actFrom, "act_from", "2h", upTo(longestLimit))},
		field{"return", pointer(r, &f.back, "return", "needs-proof", oneOf(rules.ReturnNeedsProof, rules.ReturnOnce, rules.ReturnFree))},
		field{"return_below", pointer(r, &f.returnBelow, "return_below", "15m", upTo(longestLimit))},
		field{"return_floor", pointer(r, &f.returnFloor, "return_floor", "130F", parseTemp)},
		field{"reheat", func(n ast.Node) { f.reheat = k.reheat(n) }},
		field{"cooling", func(n ast.Node) { k.cooling(n, &f) }},
		field{"cooling_ambient", func(n ast.Node) { f.ambient = k.ambientLeg(n) }},
		field{"danger_apart", pointer(r, &f.apart, "danger_apart", "true", parseBool)},
		field{"cooking", func(n ast.Node) { r.list(n, "cooking", func(n ast.Node) { k.cookLimit(n, &f) }) }},
		field{"time_control", func(n ast.Node) { r.list(n, "time_control", func(n ast.Node) { k.timeRule(n, &f) }) }},
		field{"come_up", func(n ast.Node) {
			at := r.mapping(n, "come_up",
				field{"low", pointer(r, &f.comeUpLow, "low", "50F", parseTemp)},
				field{"high", pointer(r, &f.comeUpHigh, "high", "130F", parseTemp)},
				field{"limit", pointer(r, &f.comeUpLimit, "limit", "6h", hours)})
			k.need(placeOf(n), at, "come_up", "low", "high", "limit")
		}},
	)
	if k.figures == nil {
		return
	}
	if _, ok := k.figures["food_code"]; !ok {
		r.fail(placeOf(n), "add food_code: us-fda-2022, or another of "+strings.Join(foodcode.Names(), ", "), "rules has no food_code")
		return
	}
	if len(r.problems) > before {
		return
	}
	code, err := foodcode.Lookup(f.code)
	if err != nil {
		r.fail(k.figures["food_code"], "write another one", "%v", err)
		return
	}
	if foodcode.IsFrame(f.code) {
		k.fill(&code, &f)
	} else {
		for key, at := range k.figures {
			if !slices.Contains([]string{"food_code", "alarms", "guard_band", "hand_accuracy", "cooking_plan", "growth_limit"}, key) && !(key == "cooling" && f.plan != "") {
				r.fail(at, "remove it, or choose food_code: custom and write every limit out", "%s has its own figures; %s is not the kitchen's to set", f.code, key)
			}
		}
	}
	k.c.Code = code
	if f.plan != "" {
		k.coolBy(f.plan)
	}
}

// cooling reads the name of a published plan, or the kitchen's own legs.
func (k *kitchen) cooling(n ast.Node, f *figures) {
	r := &k.reader
	if _, list := n.(*ast.SequenceNode); list {
		r.list(n, "cooling", func(n ast.Node) { k.coolingLeg(n, f) })
		return
	}
	scalar(r, &f.plan, "cooling", "fsis-1", oneOf(foodcode.CoolingPlans()...))(n)
}

// coolBy puts a plan in the place of the code's own cooling, and warns of what it asks.
func (k *kitchen) coolBy(plan string) {
	r, at := &k.reader, k.figures["cooling"]
	code, err := foodcode.WithCooling(k.c.Code, plan)
	if err != nil {
		r.fail(at, "write another one", "%v", err)
		return
	}
	k.c.Code = code
	r.warn(at, "keep the papers at hand, or remove cooling: to be held to the code's own", "%s", code.CoolingNeeds)
}

// fill puts the kitchen's own figures into a frame, and tells what is missing or cannot be.
func (k *kitchen) fill(c *rules.Code, f *figures) {
	r := &k.reader
	own := rules.Citation{Document: c.Title, Confidence: rules.Local}
	if f.basis != "" {
		own.Document = f.basis + " (as this kitchen's configuration has it)"
	}
	given := func(has bool, basis *rules.Citation) {
		if has {
			*basis = own
		}
	}
	put(&c.HotLimit, f.hot)
	put(&c.ColdLimit, f.cold)
	put(&c.DangerLimit, f.danger)
	put(&c.ColdDangerLimit, f.coldDanger)
	put(&c.ActFrom, f.actFrom)
	put(&c.Return, f.back)
	put(&c.ReturnBelow, f.returnBelow)
	put(&c.ReturnFloor, f.returnFloor)
	put(&c.Reheat, f.reheat)
	put(&c.DangerApart, f.apart)
	put(&c.ComeUpLow, f.comeUpLow)
	put(&c.ComeUpHigh, f.comeUpHigh)
	put(&c.ComeUpLimit, f.comeUpLimit)
	given(f.hot != nil, &c.HotBasis)
	given(f.cold != nil, &c.ColdBasis)
	given(f.danger != nil || f.coldDanger != nil, &c.DangerBasis)
	given(f.back != nil || f.returnBelow != nil || f.returnFloor != nil, &c.ReturnBasis)
	given(f.reheat != nil, &c.Reheat.Basis)
	given(f.reheat != nil && f.reheat.Packaged != nil, &c.Reheat.PackagedBasis)
	given(f.comeUpLimit != nil, &c.ComeUpBasis)
	from := c.HotLimit
	for i, leg := range f.cooling {
		leg.From, leg.Basis = from, own
		put(&leg.From, f.coolingFrom[i])
		if leg.Total && f.coolingFrom[i] == nil {
			leg.From = c.HotLimit
		}
		if leg.To >= leg.From {
			r.fail(k.figures["cooling"], "write each to: below the one before", "cooling leg %d does not lead down", i+1)
		}
		from = leg.To
		c.Cooling = append(c.Cooling, leg)
	}
	c.Cooking = cookLimits(f.cooking, own)
	if f.ambient != nil {
		leg := *f.ambient
		leg.From, leg.Total, leg.Basis = c.HotLimit, true, own
		c.CoolingAmbient = &leg
	}
	if len(c.Cooling) > 0 && c.Cooling[0].From > c.HotLimit {
		r.fail(k.figures["cooling"], "write hot_limit or below as its from:", "cooling cannot start above the hot limit, where food is held hot")
		return
	}
	for _, t := range f.time {
		t.Basis = own
		c.TimeControl = append(c.TimeControl, t)
	}
	if f.hot != nil && f.cold != nil && *f.hot <= *f.cold {
		r.fail(k.figures["hot_limit"], "write a hot limit above cold_limit", "food cannot be hot at %v and cold at %v", *f.hot, *f.cold)
		return
	}
	if f.hot != nil && f.reheat != nil && f.reheat.Target < *f.hot {
		r.fail(k.figures["reheat"], "write a target at or above hot_limit", "reheating ends below the hot limit")
		return
	}
	if f.actFrom != nil && f.danger != nil && *f.actFrom > *f.danger {
		r.fail(k.figures["act_from"], "write an act_from below danger_limit", "food would be discarded before anybody had to act")
		return
	}
	if f.plan != "" {
		if with, err := foodcode.WithCooling(*c, f.plan); err == nil {
			*c = with
		}
	}
	if err := foodcode.Complete(*c); err != nil {
		r.fail(k.figures["food_code"], "write the missing figures under rules", "%v", err)
	}
}

// put copies what was given.
func put[T any](dst *T, given *T) {
	if given != nil {
		*dst = *given
	}
}

// need reports the keys of a mapping that are missing. A mapping that was none has been told already.
func (k *kitchen) need(at place, have map[string]place, what string, keys ...string) {
	for _, key := range keys {
		if _, ok := have[key]; !ok && have != nil {
			k.fail(at, "add "+key+":", "%s has no %s", what, key)
		}
	}
}

func (k *kitchen) reheat(n ast.Node) *rules.Reheat {
	r := &k.reader
	var out rules.Reheat
	at := r.mapping(n, "reheat",
		field{"target", scalar(r, &out.Target, "target", "165F", parseTemp)},
		field{"hold", scalar(r, &out.Hold, "hold", "15s", upTo(longestLimit))},
		field{"within", scalar(r, &out.Within, "within", "2h", some(longestLimit))},
		field{"packaged", pointer(r, &out.Packaged, "packaged", "135F", parseTemp)})
	k.need(placeOf(n), at, "reheat", "target", "hold")
	return &out
}

// ambientLeg is the one leg of food made from ingredients at room temperature.
func (k *kitchen) ambientLeg(n ast.Node) *rules.CoolingLeg {
	r := &k.reader
	var leg rules.CoolingLeg
	at := r.mapping(n, "cooling_ambient",
		field{"to", scalar(r, &leg.To, "to", "41F", parseTemp)},
		field{"within", scalar(r, &leg.Within, "within", "4h", some(longestLimit))})
	k.need(placeOf(n), at, "cooling_ambient", "to", "within")
	return &leg
}

func (k *kitchen) coolingLeg(n ast.Node, f *figures) {
	r := &k.reader
	var leg rules.CoolingLeg
	var from *sensor.Temp
	at := r.mapping(n, "a cooling leg",
		field{"from", pointer(r, &from, "from", "135F", parseTemp)},
		field{"to", scalar(r, &leg.To, "to", "70F", parseTemp)},
		field{"within", scalar(r, &leg.Within, "within", "2h", some(longestLimit))},
		field{"total", scalar(r, &leg.Total, "total", "true", parseBool)})
	k.need(placeOf(n), at, "a cooling leg", "to", "within")
	if f.cooling, f.coolingFrom = append(f.cooling, leg), append(f.coolingFrom, from); len(f.cooling) == maxLegs+1 {
		r.fail(placeOf(n), "keep the legs that the code names", "cooling has more than %d legs", maxLegs)
	}
}

func (k *kitchen) timeRule(n ast.Node, f *figures) {
	r := &k.reader
	var t rules.TimeControlRule
	at := r.mapping(n, "a time_control rule",
		field{"name", scalar(r, &t.Name, "name", "4h", parseName)},
		field{"asked", scalar(r, &t.Asked, "asked", "true", parseBool)},
		field{"limit", scalar(r, &t.Limit, "limit", "4h", some(longestLimit))},
		field{"hot_min", pointer(r, &t.HotMin, "hot_min", "135F", parseTemp)},
		field{"cold_max", pointer(r, &t.ColdMax, "cold_max", "41F", parseTemp)},
		field{"max_food", pointer(r, &t.MaxFood, "max_food", "70F", parseTemp)})
	k.need(placeOf(n), at, "a time_control rule", "name", "limit")
	for _, other := range f.time {
		if at != nil && other.Name == t.Name {
			r.fail(placeOf(n), "choose another name", "two time_control rules are called %s", t.Name)
		}
	}
	if at != nil && t.HotMin == nil && t.ColdMax == nil {
		r.fail(placeOf(n), "add hot_min:, cold_max: or both", "the time_control rule %s says not from which temperature it may start", t.Name)
	}
	f.time = append(f.time, t)
}

// parseBasis takes the document that a kitchen's own figures rest on.
func parseBasis(s string) (string, string, string) {
	if s = strings.TrimSpace(s); s == "" || len(s) > 200 {
		return "", "the basis is empty or longer than 200 letters", "name the document and its section"
	}
	return s, "", ""
}

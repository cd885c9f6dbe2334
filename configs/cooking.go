package configs

import (
	"slices"
	"strconv"
	"strings"

	"github.com/goccy/go-yaml/ast"

	"holdbell/rules"
	"holdbell/sensor"
)

// The bounds of a cooking limit: colder or longer than this is a slip of the pen.
const (
	coldestCook = sensor.Temp(40_000)
	hottestCook = sensor.Temp(110_000)
)

// maxGrowth is more growth than any food holds, in powers of ten.
const maxGrowth = 8

// cookLimit reads one entry of cooking, under the food codes that name no figures.
func (k *kitchen) cookLimit(n ast.Node, f *figures) {
	r := &k.reader
	var l rules.CookLimit
	at := r.mapping(n, "a cooking limit",
		field{"foods", func(n ast.Node) {
			r.list(n, "foods", func(n ast.Node) {
				var food string
				scalar(r, &food, "a food", "beef", oneOf(rules.Foods()...))(n)
				l.Foods = append(l.Foods, food)
			})
		}},
		field{"target", scalar(r, &l.Temp, "target", "145F", parseTemp)},
		field{"hold", scalar(r, &l.Hold, "hold", "15s", upTo(longestLimit))})
	k.need(placeOf(n), at, "a cooking limit", "target", "hold")
	if at == nil {
		return
	}
	if _, ok := at["target"]; ok && l.Temp != 0 && (l.Temp < coldestCook || l.Temp > hottestCook) {
		r.fail(at["target"], "write the temperature of the food, not of the oven", "food is not cooked at %v", l.Temp)
	}
	if _, ok := at["foods"]; !ok { // any food, and what nobody named
		l.Foods = append(rules.Foods(), "")
	}
	if f.cooking = append(f.cooking, l); len(f.cooking) == rules.MaxCookLimits+1 {
		r.fail(placeOf(n), "keep those that the kitchen cooks", "cooking has more than %d limits", rules.MaxCookLimits)
	}
}

// cookLimits gives the kitchen's limits their basis. Food that nobody named is held to the strictest of them:
// leaving the word out must not be an easy way.
func cookLimits(given []rules.CookLimit, own rules.Citation) []rules.CookLimit {
	strictest, covered := -1, false
	for i := range given {
		given[i].Basis = own
		covered = covered || slices.Contains(given[i].Foods, "")
		if strictest < 0 || given[i].Temp > given[strictest].Temp {
			strictest = i
		}
	}
	if strictest >= 0 && !covered {
		given[strictest].Foods = append(given[strictest].Foods, "")
	}
	return given
}

// parsePlan takes the name of a variance or a plan.
func parsePlan(s string) (string, string, string) {
	if s = strings.TrimSpace(s); s == "" || len(s) > 200 {
		return "", "the plan is empty or longer than 200 letters", "name the variance or the plan as an inspector would find it"
	}
	return s, "", ""
}

// parseGrowth takes a limit of predicted growth in powers of ten.
func parseGrowth(s string) (float64, string, string) {
	v, err := strconv.ParseFloat(s, 64)
	if err != nil || !(v > 0 && v <= maxGrowth) {
		return 0, strconv.Quote(s) + " is no growth in powers of ten", "write a number above 0 and at most 8, such as 1.0"
	}
	return v, "", ""
}

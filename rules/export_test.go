package rules

// NumReasons is how many reasons a verdict can have.
const NumReasons = int(numReasons)

// Unused are the reasons that no rule gives any more; a snapshot's numbers keep their places.
func Unused() []int { return []int{int(reasonCooled)} }

// Reasons are the reasons of all lots' verdicts, as numbers.
func (e *Engine) Reasons() []int {
	var all []int
	for _, l := range e.mem.Lots {
		all = append(all, int(l.Ruling.Reason))
	}
	return all
}

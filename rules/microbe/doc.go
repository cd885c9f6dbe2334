// Package microbe says what heat has done to the microbes in one piece of food, and what warmth may have let them
// do: the tables of times and temperatures that an inspector looks up, the lethality integral beside them, and
// predicted growth.
//
// Dwell and Table are the legal test: time at or above a row's temperature, no interpolation. Lethality and Growth
// are advice: they never relax a limit of the food code, and no figure of theirs is permission to serve. Food that
// must be safe is held to the local code and its health department.
//
// The accumulators are plain values that marshal to JSON and back without loss, so that a restart goes on where it
// stopped. Temperature is a straight line between the two readings given to Add; a gap in the readings is simply
// never added to Dwell and Lethality (it earns nothing) and goes to Growth.AddUnknown. Nothing here does I/O, reads a
// clock or allocates in Add, and the arithmetic gives the same bits on every machine.
package microbe

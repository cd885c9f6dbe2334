// Package rules turns sweeps and marks into clocks, verdicts, alarms and events. It is pure: no I/O, no
// clock, no randomness, no goroutine; the same Inputs give the same Events on every machine.
package rules

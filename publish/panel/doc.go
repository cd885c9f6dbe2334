// Package panel is the way out at the cabinet itself: a buzzer and a lamp on GPIO lines, a button that acknowledges,
// and a small display with the lot that needs a hand first.
//
// Each part is tried again for ever when it fails, and fails alone. What is heard and seen is worked out anew from
// each state; the panel remembers nothing of its own.
package panel

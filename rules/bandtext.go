package rules

import "fmt"

// bandText is what out-of-band says of a station's air: which way, and what the air tells of the cause.
func (e *Engine) bandText(a *alarm, i int) string {
	st, s := &e.mem.Stations[i], &e.set.Stations[i]
	if s.Band == nil {
		return fmt.Sprintf("%s air has not come to %s in %s since it was loaded, at %s. Look at its heat and its door.", s.Name,
			e.temp(e.standingCode(i).HotLimit), words(bandGrace), e.temp(a.Worst))
	}
	over := a.HasTemp && a.Worst > s.Band.High
	side := "under"
	if over {
		side = "over"
	}
	text := fmt.Sprintf("%s air is %s its band of %s to %s, at %s.", s.Name, side, e.temp(s.Band.Low), e.temp(s.Band.High), e.temp(a.Worst))
	_, _, keeps, look := doorWords(s.Purpose)
	wrong := over == (doorSign(s.Purpose) < 0) // the way that an open door lets it go
	switch {
	case wrong && st.Door.Is == doorIsOpen:
		return text + fmt.Sprintf(" It went there all at once %s ago: its door is open, or its %s is off. Shut it, and %s.", words(e.mem.Now-st.Door.Since), keeps, look)
	case wrong && st.Door.Is == doorComesBack:
		return text + fmt.Sprintf(" It was shut %s ago and has not come back: %s; much food at once can hold it back too.", words(e.mem.Now-st.Door.Shut), look)
	case wrong && e.sinking(i):
		return text + fmt.Sprintf(" It has come down slowly from %s and nothing brings it back: its %s is failing. %s.", e.temp(st.Swing.Peak), keeps, capital(look))
	case over && s.Purpose == HotHolding:
		return text + " So hot a hold dries the food out: turn it down."
	}
	return text + " Look at its heat, its door and its load."
}

// capital begins a sentence.
func capital(s string) string { return string(s[0]-'a'+'A') + s[1:] }

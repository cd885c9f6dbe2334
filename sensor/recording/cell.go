package recording

import (
	"fmt"
	"math"
	"strconv"
	"strings"

	"holdbell/sensor"
)

// read reads the cell at the start of s, up to its comma or the end; n is its length. what is empty when the
// cell is good.
func read(s []byte, fahrenheit bool) (r sensor.Reading, n int, what, fix string) {
	if r, n, ok := fast(s, fahrenheit); ok {
		return r, n, "", ""
	}
	return slow(s, fahrenheit)
}

// fast reads a cell at the start of s that is empty or a plain decimal number of at most nine digits, at
// most three of them behind the point. n is the cell's length. It says no to everything else.
//
// Three decimals are a whole number of thousandths of a degree, so Celsius needs no rounding. In Fahrenheit
// the result is never half way between two thousandths (5/9 of a whole number is not), nor nearer to it than
// a float64 errs; so whole numbers give what sensor.FromFahrenheit does.
func fast(s []byte, fahrenheit bool) (r sensor.Reading, n int, ok bool) {
	neg := false
	if len(s) > 0 && s[0] == '-' {
		neg, n = true, 1
	}
	var v int64
	digits, decimals := 0, -1
	for n < len(s) {
		c := s[n]
		if d := c - '0'; d <= 9 {
			v = v*10 + int64(d)
			digits++
			if decimals >= 0 {
				decimals++
			}
		} else if c == '.' && decimals < 0 {
			decimals = 0
		} else if c == ',' {
			break
		} else {
			return r, 0, false
		}
		n++
	}
	switch {
	case n == 0:
		return sensor.Bad(sensor.Stale), 0, true
	case digits == 0 || digits > 9 || decimals > 3:
		return r, 0, false
	case decimals == 2:
		v *= 10
	case decimals == 1:
		v *= 100
	case decimals <= 0:
		v *= 1000
	}
	if neg {
		v = -v
	}
	if fahrenheit {
		v = (v - 32_000) * 5
		if v >= 0 {
			v = (v + 4) / 9
		} else {
			v = (v - 4) / 9
		}
	}
	if v < int64(sensor.MinTemp) || v > int64(sensor.MaxTemp) {
		return r, 0, false
	}
	return sensor.Reading{Temp: sensor.Temp(v)}, n, true
}

const cellFix = "write a number with a point, leave the cell empty for no reading, or write a fault word: "

// slow reads every cell that fast does not: fault words, numbers of many digits or with an exponent, quotes
// and spaces around.
func slow(s []byte, fahrenheit bool) (r sensor.Reading, n int, what, fix string) {
	n = len(s)
	for i, c := range s {
		if c == ',' {
			n = i
			break
		}
	}
	if n <= longestWord {
		if f, ok := sensor.ParseFault(string(s[:n])); ok {
			return sensor.Bad(f), n, "", ""
		}
	}
	text := unquote(string(s[:n]))
	if text == "" {
		return sensor.Bad(sensor.Stale), n, "", ""
	}
	if f, ok := sensor.ParseFault(text); ok {
		return sensor.Bad(f), n, "", ""
	}
	if text == sensor.Spike.String() {
		return r, n, "spike is no word of a recording", "record what the probe gave: rejecting it is the rules' own work"
	}
	t, ok := number(text, fahrenheit)
	switch {
	case ok:
		return sensor.Reading{Temp: t}, n, "", ""
	case strings.Trim(text, "+-.0123456789eE") == "":
		if _, err := strconv.ParseFloat(text, 64); err == nil || strings.Contains(err.Error(), "range") {
			return r, n, fmt.Sprintf("%q is out of range", clip(text)),
				fmt.Sprintf("give a temperature from %g to %g °C, or the fault word range", sensor.MinTemp.Celsius(), sensor.MaxTemp.Celsius())
		}
	}
	return r, n, fmt.Sprintf("%q is neither a temperature nor a fault word", clip(text)), cellFix + strings.Join(faultWords(), ", ")
}

const longestWord = 32

func faultWords() []string {
	var words []string
	for f := sensor.Open; f < sensor.NumFaults; f++ {
		if _, ok := sensor.ParseFault(f.String()); ok {
			words = append(words, f.String())
		}
	}
	return words
}

// number reads a decimal number, with an exponent or without. NaN, infinities and hexadecimal are none.
func number(s string, fahrenheit bool) (sensor.Temp, bool) {
	if strings.Trim(s, "+-.0123456789eE") != "" {
		return 0, false
	}
	f, err := strconv.ParseFloat(s, 64)
	if err != nil {
		return 0, false
	}
	if fahrenheit {
		return sensor.FromFahrenheit(f)
	}
	if strings.ContainsAny(s, "eE") {
		return sensor.FromCelsius(f)
	}
	return thousandths(s)
}

// thousandths rounds a plain decimal number, known to be one, to a thousandth, halves away from zero. It
// looks at the digits themselves: a float64 may lie on the other side of a half.
func thousandths(s string) (sensor.Temp, bool) {
	neg := strings.HasPrefix(s, "-")
	whole, part, _ := strings.Cut(strings.TrimLeft(s, "+-"), ".")
	whole = strings.TrimLeft(whole, "0")
	if len(whole) > 7 {
		return 0, false
	}
	part += "0000"
	v, err := strconv.ParseInt("0"+whole+part[:3], 10, 64)
	if err != nil {
		return 0, false
	}
	if part[3] >= '5' {
		v++
	}
	if neg {
		v = -v
	}
	if v < int64(sensor.MinTemp) || v > int64(sensor.MaxTemp) || v > math.MaxInt32 {
		return 0, false
	}
	return sensor.Temp(v), true
}

package panel

import (
	"bytes"
	"flag"
	"fmt"
	"image"
	"image/color"
	"image/png"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"periph.io/x/devices/v3/ssd1306/image1bit"

	"holdbell/rules"
	"holdbell/sensor"
)

func TestMain(m *testing.M) {
	flag.Bool("update", false, "rewrite the golden files")
	os.Exit(m.Run())
}

func updating() bool { return flag.Lookup("update").Value.String() == "true" }

// scenes are what a display may have to show, at 14:05 of a day.
func scenes() (names []string, states map[string]*rules.State) {
	now := sceneNow()
	temp := func(f float64) *sensor.Temp {
		t, _ := sensor.FromFahrenheit(f)
		return &t
	}
	lot := func(name string, v rules.Verdict, f float64) rules.LotState {
		return rules.LotState{Lot: name, Station: "warmer", Stage: rules.HotHolding, Verdict: v, Temp: temp(f), Begun: now, DangerLimit: 4 * time.Hour, Charged: 48 * time.Minute}
	}
	brisket := lot("brisket-1", rules.OK, 151.34)
	act := lot("brisket-flat-12", rules.Act, 134.6)
	act.Deadline, act.Action = now.Add(65*time.Minute), "Reheat it to 165 °F for 15 s within 1 h 5 min, or discard it."
	bad := lot("ribs", rules.Discard, 98)
	bad.Action = "Discard it."
	cut := lot("warmer", rules.Act, 140)
	cut.Standing, cut.Ended, cut.UnknownLength, cut.Action = true, true, true, "Check it by hand."
	silent := lot("ham", rules.Act, 0)
	silent.Temp, silent.UnknownSince = nil, now
	chill := lot("slaw", rules.OK, 40.2)
	chill.Stage, chill.DangerLimit = rules.ColdHolding, 0
	script, emoji, accent := lot("<script>", rules.OK, 150), lot(strings.Repeat("🍖", 300), rules.OK, 150), lot("rôti de bœuf \\~", rules.OK, 150)
	fall := rules.AlarmState{Seq: 7, Alarm: rules.BelowHotLimit, Station: "warmer", Lot: "brisket-flat-12", Priority: rules.Critical, Status: rules.Unacknowledged, Active: true}
	fault := rules.AlarmState{Seq: 8, Alarm: rules.ProbeFault, Station: "walk-in", Probe: "walk-in-air", Priority: rules.Warning, Status: rules.Unacknowledged, Active: true}
	states = map[string]*rules.State{}
	add := func(name string, st *rules.State) {
		names = append(names, name)
		states[name] = st
		if st != nil && st.At.IsZero() {
			st.At, st.Units, st.Sweeps = now, cmpUnits(st.Units), 1
		}
	}
	add("starting", nil)
	add("stale", &rules.State{At: now.Add(-75 * time.Second), Units: rules.Fahrenheit, Lots: []rules.LotState{brisket}})
	add("no lots", &rules.State{})
	add("no lots, an alarm", &rules.State{Alarms: []rules.AlarmState{fault}})
	add("ok", &rules.State{Lots: []rules.LotState{brisket, chill}})
	add("ok in celsius", &rules.State{Units: rules.Celsius, Lots: []rules.LotState{brisket}})
	add("cold", &rules.State{Lots: []rules.LotState{chill}})
	add("act, and the bell", &rules.State{Lots: []rules.LotState{brisket, act}, Alarms: []rules.AlarmState{fault, fall}})
	add("discard", &rules.State{Lots: []rules.LotState{brisket, act, bad}})
	add("after a power cut", &rules.State{Lots: []rules.LotState{brisket, cut}})
	add("no reading", &rules.State{Lots: []rules.LotState{silent}})
	add("a script", &rules.State{Lots: []rules.LotState{script}})
	add("emoji", &rules.State{Lots: []rules.LotState{emoji}})
	add("accents", &rules.State{Lots: []rules.LotState{accent}})
	return names, states
}

func cmpUnits(u rules.Units) rules.Units {
	if u == "" {
		return rules.Fahrenheit
	}
	return u
}

func sceneNow() sensor.Instant {
	return sensor.Instant{Wall: time.Date(2026, 5, 2, 14, 5, 0, 0, time.UTC), Mono: time.Hour, Believed: true}
}

// golden compares with a file, or writes it.
func golden(t *testing.T, name, got string) {
	t.Helper()
	file := filepath.Join("testdata", name)
	if updating() {
		if err := os.WriteFile(file, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
		return
	}
	want, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if got != string(want) {
		t.Errorf("%s: run with -update and read the difference; got\n%s", file, got)
	}
}

// TestRows holds what each display of characters says of each scene, both turns of it.
func TestRows(t *testing.T) {
	names, states := scenes()
	var out strings.Builder
	box := func(v view, columns, rows int) {
		seen := map[string]bool{}
		for turn := range 4 {
			lines := v.rows(columns, rows, turn, '*')
			text := "  +" + strings.Repeat("-", columns) + "+\n"
			for _, l := range lines {
				if width(l) != columns {
					t.Errorf("%dx%d: %q has %d characters", columns, rows, l, width(l))
				}
				if bytes.ContainsRune(lcdBytes(strings.ReplaceAll(l, "?", "x")), '?') {
					t.Errorf("%q holds what an HD44780 has no sign for", l)
				}
				text += "  |" + l + "|\n"
			}
			if !seen[text] {
				out.WriteString(text)
			}
			seen[text] = true
		}
		fmt.Fprintf(&out, "  +%s+\n", strings.Repeat("-", columns))
	}
	show := func(name string, v view) {
		fmt.Fprintf(&out, "%s\n", name)
		box(v, 16, 2)
		box(v, 20, 4)
	}
	for _, name := range names {
		show(name, compose(states[name], sceneNow(), 5*time.Second))
	}
	show("stopped", stopped(sceneNow(), time.UTC))
	show("stopped, without a clock", stopped(sensor.Instant{}, time.UTC))
	golden(t, "rows.txt", out.String())
}

// TestCoarse holds that whole degrees are never better than the reading, and a limit exactly met is met.
func TestCoarse(t *testing.T) {
	for _, c := range []struct {
		stage  rules.Purpose
		units  rules.Units
		milli  sensor.Temp
		fine   string
		coarse string
	}{
		{rules.HotHolding, rules.Fahrenheit, sensor.FahrenheitLimit(135), "135°F", "135°F"},
		{rules.HotHolding, rules.Fahrenheit, sensor.FahrenheitLimit(135) - 60, "134.9°F", "134°F"},
		{rules.ColdHolding, rules.Fahrenheit, sensor.FahrenheitLimit(41), "41°F", "41°F"},
		{rules.Cooling, rules.Fahrenheit, sensor.FahrenheitLimit(41) + 60, "41.1°F", "42°F"},
		{rules.ColdHolding, rules.Celsius, -18_600, "-18.6°C", "-18°C"},
		{rules.HotHolding, rules.Celsius, -600, "-0.6°C", "-1°C"},
	} {
		if fine, coarse := temperature(&rules.LotState{Stage: c.stage, Temp: &c.milli}, c.units); fine != c.fine || coarse != c.coarse {
			t.Errorf("%s %v: %s, %s, want %s, %s", c.stage, c.milli, fine, coarse, c.fine, c.coarse)
		}
	}
}

// TestPictures holds what a display of points shows. With HOLDBELL_SCREENSHOTS=FOLDER it leaves the pictures there.
func TestPictures(t *testing.T) {
	names, states := scenes()
	var out strings.Builder
	for _, name := range names {
		for _, height := range []int{64, 32} {
			for turn := range 2 {
				v := compose(states[name], sceneNow(), 5*time.Second)
				if turn == 1 && v.bell == nil {
					continue
				}
				img := draw(v, height, turn, '*')
				title := fmt.Sprintf("%s, %d high, turn %d", name, height, turn)
				fmt.Fprintf(&out, "%s\n%s", title, blocks(img))
				save(t, title, img)
			}
		}
	}
	golden(t, "pictures.txt", out.String())
}

// blocks writes two rows of points as one of characters.
func blocks(img *image1bit.VerticalLSB) string {
	var b strings.Builder
	for y := 0; y < img.Rect.Dy(); y += 2 {
		var row strings.Builder
		for x := range img.Rect.Dx() {
			row.WriteString([...]string{" ", "▀", "▄", "█"}[bit(img, x, y)+2*bit(img, x, y+1)])
		}
		b.WriteString("|" + strings.TrimRight(row.String(), " ") + "\n")
	}
	return b.String()
}

func bit(img *image1bit.VerticalLSB, x, y int) int {
	if img.BitAt(x, y) {
		return 1
	}
	return 0
}

func save(t *testing.T, title string, img *image1bit.VerticalLSB) {
	folder := os.Getenv("HOLDBELL_SCREENSHOTS")
	if folder == "" {
		return
	}
	const size = 4
	big := image.NewGray(image.Rect(0, 0, img.Rect.Dx()*size, img.Rect.Dy()*size))
	for y := range big.Rect.Dy() {
		for x := range big.Rect.Dx() {
			if img.BitAt(x/size, y/size) && x%size > 0 && y%size > 0 {
				big.SetGray(x, y, color.Gray{Y: 255})
			}
		}
	}
	var file bytes.Buffer
	if err := png.Encode(&file, big); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(folder, "panel "+title+".png"), file.Bytes(), 0o644); err != nil {
		t.Fatal(err)
	}
}

// TestOLED drives a whole panel with a display of points behind a bus: what its chip holds is what was drawn, and no
// transaction is long.
func TestOLED(t *testing.T) {
	for _, height := range []int{64, 32} {
		synctest.Test(t, func(t *testing.T) {
			chip := newOLEDChip(t, height)
			bus := &wire{addr: 0x3d, take: chip.take}
			r := start(t, func(o *Options) {
				o.Buses, o.Display = bus, &Display{Kind: SSD1306, Width: 128, Height: height, Bus: "I2C1", Address: 0x3d}
			})
			_, states := scenes()
			r.lots = states["ok"].Lots
			r.show(3 * time.Second)
			time.Sleep(600 * time.Millisecond)
			synctest.Wait()
			is := func(v view, beats ...rune) bool {
				return slices.ContainsFunc(beats, func(b rune) bool {
					return bytes.Equal(draw(v, height, 0, b).Pix, chip.ram.Pix) || bytes.Equal(draw(v, height, 1, b).Pix, chip.ram.Pix)
				})
			}
			if v := compose(r.p.state.Load(), r.instant(), time.Hour); !is(v, ' ', '*') {
				t.Errorf("the chip holds\n%s", blocks(chip.ram))
			}
			if !chip.on || int(chip.multiplex) != height-1 || chip.sequential != (height == 32) {
				t.Errorf("set up as on %v, rows %d, sequential %v", chip.on, chip.multiplex+1, chip.sequential)
			}
			bus.count()
			r.show(60 * time.Second)
			// Only the mark moves, and the minutes once: what a whole picture would take is 1 KiB.
			if n := bus.count(); n > 60*40 || n < 60*5 {
				t.Errorf("%d bytes in a minute in which nothing happens", n)
			}
			if bus.most > 36 { // what sets it up, once, is 33
				t.Errorf("a transaction of %d bytes", bus.most)
			}
			r.stop()
			if v := stopped(r.instant(), time.UTC); !is(v, ' ') {
				t.Errorf("at the end the chip holds\n%s", blocks(chip.ram))
			}
		})
	}
}

// TestFrozen holds that the mark moves with the sweeps, and stands still when they stop.
func TestFrozen(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		chip := newLCDChip(t)
		bus := &wire{addr: 0x27, take: chip.pack()}
		r := start(t, func(o *Options) {
			o.Buses, o.Display = bus, &Display{Kind: HD44780, Width: 16, Height: 2, Bus: "I2C1", Address: 0x27}
		})
		defer r.stop()
		_, states := scenes()
		r.lots = states["ok"].Lots
		marks := ""
		r.show(3 * time.Second)
		time.Sleep(500 * time.Millisecond) // apart from when the display is looked after
		for range 6 {
			r.show(time.Second)
			bus.mu.Lock()
			text := chip.text(16, 2)
			bus.mu.Unlock()
			if len(text) != 2 {
				t.Fatal(text)
			}
			marks += text[1][15:]
		}
		if !strings.Contains(marks, "* * ") {
			t.Errorf("in six sweeps the mark was %q", marks)
		}
		time.Sleep(4 * time.Second)
		bus.count()
		r.p.Show(&rules.State{At: r.instant(), Units: rules.Fahrenheit, Sweeps: r.sweep, Lots: r.lots})
		time.Sleep(3 * time.Second)
		if n := bus.count(); n > 0 {
			t.Errorf("%d bytes went out while there was no new sweep", n)
		}
	})
}

// TestLCD drives a whole panel with a display of characters, over lines and over an expander.
func TestLCD(t *testing.T) {
	line := func(n int) Line { return Line{Chip: "gpiochip0", Offset: n} }
	for _, size := range [][2]int{{16, 2}, {20, 4}} {
		for _, way := range []string{"", "I2C1"} {
			d := &Display{Kind: HD44780, Width: size[0], Height: size[1], Bus: way, Address: 0x27, RS: line(7), E: line(8), Data: [4]Line{line(25), line(24), line(23), line(18)}}
			synctest.Test(t, func(t *testing.T) {
				chip := newLCDChip(t)
				bus := &wire{addr: 0x27, take: chip.pack()}
				r := start(t, func(o *Options) { o.Buses, o.Display = bus, d })
				if way == "" {
					r.lines.mu.Lock()
					r.lines.seen = chip.pins(d)
					r.lines.mu.Unlock()
				}
				read := func() []string {
					synctest.Wait()
					return chip.text(d.Width, d.Height)
				}
				_, states := scenes()
				r.lots = states["act, and the bell"].Lots
				r.show(5 * time.Second)
				want := compose(r.p.state.Load(), r.instant(), time.Hour)
				ok := func() bool {
					for turn := range 4 {
						for _, beat := range " *" {
							if slices.Equal(read(), want.rows(d.Width, d.Height, turn, beat)) {
								return true
							}
						}
					}
					return false
				}
				if !ok() {
					t.Errorf("it says\n%s", strings.Join(read(), "\n"))
				}
				// A spark garbles the chip: within anewEvery it is well again.
				bus.mu.Lock()
				r.lines.mu.Lock()
				chip.four, chip.half, chip.twoLines, chip.on, chip.garbled = false, -1, false, false, true
				r.lines.mu.Unlock()
				bus.mu.Unlock()
				r.show(anewEvery + 2*time.Second)
				want = compose(r.p.state.Load(), r.instant(), time.Hour)
				if !ok() {
					t.Errorf("after a spark it says\n%s", strings.Join(read(), "\n"))
				}
				r.stop()
				if got := read(); len(got) < 2 || got[0] != pad("holdbell stopped", d.Width) || !strings.HasPrefix(got[1], "14:10") {
					t.Errorf("at the end it says %q", got)
				}
				if way == "" && r.lines.pin(d.E.String()).open {
					t.Error("a line is still held")
				}
			})
		}
	}
}

// TestDisplayFails holds that a display which does not answer is told once, hinders nothing, and comes back.
func TestDisplayFails(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		chip := newOLEDChip(t, 64)
		bus := &wire{addr: 0x3c, take: chip.take, dead: true}
		var log logbook
		r := start(t, func(o *Options) {
			o.Log = log.logger()
			o.Buses, o.Display = bus, &Display{Kind: SSD1306, Width: 128, Height: 64, Bus: "I2C1", Address: 0x3c}
		})
		defer r.stop()
		r.ring(7, rules.Critical, rules.Unacknowledged)
		r.show(5 * time.Minute)
		if got := r.p.Trouble(); len(got) != 1 || !strings.Contains(got[0], "the display: remote I/O error") {
			t.Errorf("trouble is %q", got)
		}
		if n := log.count("level=WARN"); n != 1 {
			t.Errorf("the failure was told %d times", n)
		}
		if moves := r.lines.pin(buzzerLine().String()).took(0); len(moves) < 700 {
			t.Errorf("the buzzer moved %d times in five minutes", len(moves))
		}
		bus.kill(false)
		r.show(time.Minute + 2*time.Second)
		if r.p.Trouble() != nil || !chip.on {
			t.Errorf("once it answers, on is %v and trouble %q", chip.on, r.p.Trouble())
		}
	})
}

// TestNoBus holds the error of a display without its bus.
func TestNoBus(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := start(t, func(o *Options) {
			o.Display = &Display{Kind: SSD1306, Width: 128, Height: 64, Bus: "I2C1", Address: 0x3c}
		})
		defer r.stop()
		r.show(time.Second)
		if got := r.p.Trouble(); len(got) != 1 || !strings.Contains(got[0], "no bus I2C1 here") {
			t.Errorf("trouble is %q", got)
		}
	})
}

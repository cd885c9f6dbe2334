package kitchen

import (
	"errors"
	"fmt"
	"slices"
	"time"

	"holdbell/sensor/kitchen/chip"
)

// Event is something that happens in a kitchen at a time from the beginning; with Every, again and again after
// that.
type Event struct {
	At    time.Duration
	Every time.Duration
	Do    Action
}

// Action is one of the types below. Names in it are those of the Plan.
type Action interface {
	// check reports a name or figure that cannot be.
	check(k *Kitchen) error
	do(k *Kitchen)
}

// Door opens or shuts a station's door, or a pit's lid.
type Door struct {
	Station string
	Open    bool
}

// Breaker trips or resets the breaker of a station's heater.
type Breaker struct {
	Station string
	Tripped bool
}

// Element leaves a share of a station's heating element working: 1 whole, 0.5 half dead.
type Element struct {
	Station string
	Share   float64
}

// Thermostat welds or burns a station's thermostat, or mends it.
type Thermostat struct {
	Station string
	Is      Stuck
}

// Setpoint turns a station's thermostat, or its fire's controller, to a temperature in °C.
type Setpoint struct {
	Station string
	Celsius float64
}

// Feed makes up a station's fire to so much fuel, alight or not: it adds what has burnt since.
type Feed struct {
	Station string
	Kg      float64
}

// Load brings a food into a station: one that was put away, from another station, or from the room.
type Load struct{ Food, Station string }

// Remove takes a food out into the room, where it goes on cooling.
type Remove struct{ Food string }

// Wrap wraps a food, or unwraps it.
type Wrap struct {
	Food string
	Off  bool
}

// Put moves a probe's tip.
type Put struct {
	Probe string
	At    Place
}

// Lead changes the state of a probe's leads.
type Lead struct {
	Probe string
	Is    chip.Wiring
}

// Drift lets a probe go off by so many °C an hour from now on; what it is off already stays.
type Drift struct {
	Probe   string
	PerHour float64
}

// Noise sets a probe's noise, °C.
type Noise struct {
	Probe  string
	StdDev float64
}

// Line kills the data line of a probe's chip, or mends it.
type Line struct {
	Probe string
	Is    DeadLine
}

// Hang stops a probe's chip from converting: it repeats its last sample until it is mended.
type Hang struct {
	Probe string
	Off   bool
}

// Rain falls on a station that stands in the open and takes so much more heat from its walls, W/K; 0 stops it. On a
// lid of 1 m² steady rain of 5 mm an hour is 5 kg, warmed by 45 K and a tenth of it boiled away: about 600 W from a
// skin 60 K over the air, 10 W/K (common practice).
type Rain struct {
	Station        string
	WattsPerKelvin float64
}

// Board makes the board of a probe's chip so many °C warmer than the room makes it.
type Board struct {
	Probe  string
	Warmer float64
}

// PowerCycle takes the supply of a probe's chip away for a moment.
type PowerCycle struct{ Probe string }

// Room sets the temperature of the room, °C.
type Room struct{ Celsius float64 }

func (a Door) check(k *Kitchen) error    { return k.hasStation(a.Station) }
func (a Breaker) check(k *Kitchen) error { return k.hasHeater(a.Station) }
func (a Thermostat) check(k *Kitchen) error {
	return errors.Join(k.hasHeater(a.Station), within("state", float64(a.Is), 0, float64(StuckOff)))
}
func (a Element) check(k *Kitchen) error {
	return errors.Join(k.hasHeater(a.Station), within("share", a.Share, 0, 1))
}
func (a Setpoint) check(k *Kitchen) error {
	return errors.Join(k.hasStation(a.Station), within("setpoint", a.Celsius, -30, 400))
}
func (a Feed) check(k *Kitchen) error {
	if err := k.hasStation(a.Station); err != nil {
		return err
	}
	if k.stations[a.Station].fire == nil {
		return fmt.Errorf("station %s has no fire", a.Station)
	}
	return within("fuel", a.Kg, 0, 100)
}
func (a Load) check(k *Kitchen) error   { return errors.Join(k.hasFood(a.Food), k.hasStation(a.Station)) }
func (a Remove) check(k *Kitchen) error { return k.hasFood(a.Food) }
func (a Wrap) check(k *Kitchen) error   { return k.hasFood(a.Food) }
func (a Put) check(k *Kitchen) error    { return errors.Join(k.hasProbe(a.Probe), k.hasPlace(a.At)) }
func (a Lead) check(k *Kitchen) error {
	if !a.Is.Valid() {
		return fmt.Errorf("%v is no state of a lead", a.Is)
	}
	return k.hasProbe(a.Probe)
}
func (a Drift) check(k *Kitchen) error {
	return errors.Join(k.hasProbe(a.Probe), within("drift", a.PerHour, -1000, 1000))
}
func (a Noise) check(k *Kitchen) error {
	return errors.Join(k.hasProbe(a.Probe), within("noise", a.StdDev, 0, 100))
}
func (a Line) check(k *Kitchen) error {
	return errors.Join(k.hasProbe(a.Probe), within("state", float64(a.Is), 0, float64(NoAnswer)))
}
func (a Hang) check(k *Kitchen) error { return k.hasProbe(a.Probe) }
func (a Rain) check(k *Kitchen) error {
	return errors.Join(k.hasStation(a.Station), within("loss", a.WattsPerKelvin, 0, 100))
}
func (a Board) check(k *Kitchen) error {
	return errors.Join(k.hasProbe(a.Probe), within("warmer board", a.Warmer, -100, 200))
}
func (a PowerCycle) check(k *Kitchen) error { return k.hasProbe(a.Probe) }
func (a Room) check(*Kitchen) error         { return within("room", a.Celsius, -30, 60) }

func (a Door) do(k *Kitchen)       { k.stations[a.Station].open = a.Open }
func (a Breaker) do(k *Kitchen)    { k.stations[a.Station].heater.tripped = a.Tripped }
func (a Element) do(k *Kitchen)    { k.stations[a.Station].heater.share = a.Share }
func (a Thermostat) do(k *Kitchen) { k.stations[a.Station].heater.stuck = a.Is }
func (a Setpoint) do(k *Kitchen) {
	if s := k.stations[a.Station]; s.heater != nil {
		s.heater.setpoint = a.Celsius
	} else {
		s.fire.plan.Setpoint = a.Celsius
	}
}
func (a Feed) do(k *Kitchen)       { k.stations[a.Station].fire.feed(a.Kg) }
func (a Load) do(k *Kitchen)       { k.foods[a.Food].in(a.Station) }
func (a Remove) do(k *Kitchen)     { k.foods[a.Food].in("") }
func (a Wrap) do(k *Kitchen)       { k.foods[a.Food].piece.Wrap(!a.Off) }
func (a Put) do(k *Kitchen)        { k.probes[a.Probe].at = a.At }
func (a Lead) do(k *Kitchen)       { k.probes[a.Probe].wiring = a.Is }
func (a Drift) do(k *Kitchen)      { k.probes[a.Probe].rate = a.PerHour / 3600 }
func (a Noise) do(k *Kitchen)      { k.probes[a.Probe].noise = a.StdDev }
func (a Line) do(k *Kitchen)       { k.buses[k.probes[a.Probe].plan.Bus].dead = a.Is } // one line for all that share a chip
func (a Hang) do(k *Kitchen)       { k.probes[a.Probe].hang(!a.Off, k.now, k.room+boardAbove) }
func (a Rain) do(k *Kitchen)       { k.stations[a.Station].rain = a.WattsPerKelvin }
func (a Board) do(k *Kitchen)      { k.probes[a.Probe].hot = a.Warmer }
func (a PowerCycle) do(k *Kitchen) { k.probes[a.Probe].chip.PowerCycle(k.now) }
func (a Room) do(k *Kitchen)       { k.room = a.Celsius }

// within reports a figure outside its bounds.
func within(what string, v, low, high float64) error {
	if v >= low && v <= high {
		return nil
	}
	return fmt.Errorf("%s of %g: give %g to %g", what, v, low, high)
}

// schedule checks a script and puts it in the order of time; what happens at one time happens in the order
// written.
func (k *Kitchen) schedule(script []Event) error {
	for i, e := range script {
		err := errors.New("nothing to do")
		if e.Do != nil {
			err = e.Do.check(k)
		}
		if e.At < 0 || e.Every < 0 {
			err = errors.New("a time before the beginning")
		}
		if err != nil {
			return fmt.Errorf("kitchen: event %d (%T at %v): %w", i+1, e.Do, e.At, err)
		}
	}
	k.script = slices.Clone(script)
	slices.SortStableFunc(k.script, func(a, b Event) int { return int(min(max(a.At-b.At, -1), 1)) })
	return nil
}

// due does what is due by now, and puts back what comes again.
func (k *Kitchen) due() {
	for len(k.script) > 0 && k.script[0].At <= k.now {
		e := k.script[0]
		k.script = k.script[1:]
		e.Do.do(k)
		if e.Every > 0 {
			e.At += e.Every
			i, _ := slices.BinarySearchFunc(k.script, e, func(have, e Event) int {
				if have.At <= e.At {
					return -1
				}
				return 1
			})
			k.script = slices.Insert(k.script, i, e)
		}
	}
}

package main

import (
	"bufio"
	"context"
	"fmt"
	"os"
	"os/signal"
	"strconv"
	"strings"
	"syscall"
	"time"

	"github.com/spf13/cobra"

	"holdbell/configs"
	"holdbell/rules"
	"holdbell/sensor"
	"holdbell/sensor/boiling"
	"holdbell/sensor/condition"
)

func calibrateVerb() *cobra.Command {
	var c calibration
	var ice, boils bool
	var altitude, pressure, reference, socket string
	cmd := &cobra.Command{
		Use:   "calibrate PROBE (--ice | --boiling [--altitude A | --pressure P] | --reference TEMP)",
		Short: "A guided check of a probe against a known temperature; records it and proposes the calibration",
		Long: "calibrate holds a probe against ice water (0.00 °C, ASTM E563), boiling water or a reference thermometer, as the\n" +
			"running daemon reads it: it waits until the reading is steady, says whether the probe passes (±1 °C, ±2 °F where\n" +
			"people read Fahrenheit; FDA Food Code 2022 4-203.11), records it, and proposes what to write into the\n" +
			"configuration. The food that the probe speaks for is off watch meanwhile. On a terminal it waits for Enter\n" +
			"before and after; without one it begins at once, and the food is watched again when the probe is steady there.\n" +
			"Exit status: 0 it passes, 4 it fails or does not answer, 5 the daemon is not reachable.",
		Args: cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			c.probe, c.out = args[0], cmd.OutOrStdout()
			var err error
			if c.ref, c.truth, c.prepare, err = knownTemp(ice, boils, altitude, pressure, reference); err != nil {
				return &exit{exitUsage, err}
			}
			if c.wait <= 0 || c.inPlace && c.ref != rules.RefReference {
				return &exit{exitUsage, fmt.Errorf("--wait takes a duration above zero, and --in-place goes with --reference alone")}
			}
			if info, err := os.Stdin.Stat(); err == nil && info.Mode()&os.ModeCharDevice != 0 {
				c.in = bufio.NewReader(os.Stdin)
			}
			c.daemon = socketWatch(socket)
			// A terminal that goes away is a person who stops, too.
			ctx, stop := signal.NotifyContext(cmd.Context(), syscall.SIGINT, syscall.SIGTERM, syscall.SIGHUP)
			defer stop()
			return c.run(ctx)
		},
	}
	flags := cmd.Flags()
	flags.BoolVar(&ice, "ice", false, "against ice water")
	flags.BoolVar(&boils, "boiling", false, "against boiling water")
	flags.StringVar(&altitude, "altitude", "", "of the kitchen, such as 1600m or 5280ft: where water boils by the standard atmosphere")
	flags.StringVar(&pressure, "pressure", "", "the barometer's own `HPA` in the kitchen, not reduced to sea level: better than the altitude")
	flags.StringVar(&reference, "reference", "", "against another thermometer that shows `TEMP`, such as 150F or 65.5C")
	flags.StringVar(&c.by, "by", "", "`WHO` did it; the record stands unsigned without")
	flags.DurationVar(&c.wait, "wait", 10*time.Minute, "how long to wait for a steady reading")
	flags.BoolVar(&c.inPlace, "in-place", false, "the reference is beside the probe where it is: nothing is taken off watch")
	cmd.MarkFlagsMutuallyExclusive("ice", "boiling", "reference")
	cmd.MarkFlagsOneRequired("ice", "boiling", "reference")
	cmd.MarkFlagsMutuallyExclusive("altitude", "pressure")
	socketFlag(cmd, &socket)
	return cmd
}

// knownTemp is what the probe is held against, its true temperature, and how it is prepared.
func knownTemp(ice, boils bool, altitude, pressure, reference string) (rules.Reference, sensor.Temp, string, error) {
	if !boils && (altitude != "" || pressure != "") {
		return "", 0, "", fmt.Errorf("--altitude and --pressure say where water boils: give them with --boiling")
	}
	switch {
	case ice:
		return rules.RefIce, 0, "Fill a vessel with crushed ice, add clean water until it is a slush, stir, wait a minute. Hold the probe's tip in the\n" +
			"middle of the ice, clear of the walls and the bottom.", nil
	case boils:
		const how = "Hold the probe's tip in water at a rolling boil, clear of the walls and the bottom. Mind the steam."
		switch {
		case altitude != "":
			m, err := metres(altitude)
			if err != nil {
				return "", 0, "", err
			}
			t, err := boiling.AtAltitude(m)
			return rules.RefBoiling, t, how, err
		case pressure != "":
			hPa, err := strconv.ParseFloat(strings.TrimSuffix(pressure, "hPa"), 64)
			if err != nil {
				return "", 0, "", fmt.Errorf("--pressure %q is no pressure; write it in hPa, such as 834.3", pressure)
			}
			t, err := boiling.AtPressure(hPa)
			return rules.RefBoiling, t, how, err
		}
		t, err := boiling.AtPressure(boiling.SeaLevel)
		return rules.RefBoiling, t, how + "\nNeither --altitude nor --pressure is given: sea level is taken. Every 300 m (1,000 ft) of altitude are 1 °C (1.8 °F).", err
	}
	t, ok := parseReference(reference)
	if !ok {
		return "", 0, "", fmt.Errorf("--reference %q is no temperature; write it with its unit, such as 150F or 65.5C", reference)
	}
	return rules.RefReference, t, "Hold the probe's tip and the reference's side by side in stirred water or in the same piece.", nil
}

func metres(s string) (float64, error) {
	for unit, size := range map[string]float64{"ft": 0.3048, "m": 1} {
		if number, ok := strings.CutSuffix(s, unit); ok {
			if v, err := strconv.ParseFloat(number, 64); err == nil {
				return v * size, nil
			}
		}
	}
	return 0, fmt.Errorf("--altitude %q has no unit; write 1600m or 5280ft", s)
}

func parseReference(s string) (sensor.Temp, bool) {
	from := sensor.FromCelsius
	number, ok := strings.CutSuffix(s, "F")
	if ok {
		from = sensor.FromFahrenheit
	} else if number, ok = strings.CutSuffix(s, "C"); !ok {
		return 0, false
	}
	v, err := strconv.ParseFloat(number, 64)
	if err != nil {
		return 0, false
	}
	t, ok := from(v)
	return t, ok && t >= -100_000 && t <= 600_000
}

// A reading is steady when over half a minute it stays within steadySpread and the two halves' means agree to
// steadySlope. Two steps of the coarsest chip here (0.25 °C) make the spread; common practice.
const (
	steadyFor    = 30 * time.Second
	steadyLeast  = 10 // readings
	steadySpread = sensor.Temp(600)
	steadySlope  = sensor.Temp(150)
)

// look is one reading of the probe: when by the daemon's clock, as the rules take it, and as the probe gave it.
type look struct {
	at        time.Duration
	read, raw sensor.Temp
}

// steadiness judges a stream of looks.
type steadiness []look

// add takes a look; one that comes before the last begins anew.
func (s *steadiness) add(l look) {
	if n := len(*s); n > 0 && l.at < (*s)[n-1].at {
		*s = nil
	}
	*s = append(*s, l)
	for len(*s) > 1 && l.at-(*s)[1].at >= steadyFor {
		*s = (*s)[1:]
	}
}

// steady gives the means of the last half minute; ok is false while the reading moves or is too short.
func (s steadiness) steady() (read, raw sensor.Temp, ok bool) {
	n := len(s)
	if n < steadyLeast || s[n-1].at-s[0].at < steadyFor {
		return 0, 0, false
	}
	low, high := s[0].read, s[0].read
	for _, l := range s {
		low, high = min(low, l.read), max(high, l.read)
	}
	first, _ := mean(s[:n/2])
	second, _ := mean(s[n/2:])
	read, raw = mean(s)
	return read, raw, high-low <= steadySpread && max(first-second, second-first) <= steadySlope
}

func mean(s []look) (read, raw sensor.Temp) {
	var sum, sumRaw int64
	for _, l := range s {
		sum, sumRaw = sum+int64(l.read), sumRaw+int64(l.raw)
	}
	return sensor.Temp(sum / int64(len(s))), sensor.Temp(sumRaw / int64(len(s)))
}

// calibration is one run of the verb.
type calibration struct {
	probe, by string
	ref       rules.Reference
	truth     sensor.Temp
	prepare   string
	wait      time.Duration
	inPlace   bool
	daemon    daemonWatch
	guide

	last   *look
	before *sensor.Temp // what the probe read at the beginning; nil when it gave nothing
	moved  bool         // somebody said that it is where it is to be checked
	st     running
}

// patienceForMark is how long the daemon may take to make a mark durable on a slow card.
const patienceForMark = 20 * time.Second

// mark tells the daemon one mark, also when the person has given up.
func (c *calibration) mark(ctx context.Context, f rules.MarkFields) (string, error) {
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), patienceForMark)
	defer cancel()
	f.ID, f.By = newID(), c.by
	return c.daemon.mark(ctx, f)
}

// proposal is what to write into the configuration so that the probe reads right: in the unit that the kitchen reads,
// with the day and what it was held against.
func (c *calibration) proposal(raw sensor.Temp, today time.Time) string {
	here := condition.Point{Read: c.written(raw), True: c.written(c.truth)}
	p := c.st.Probes[c.probe]
	for _, old := range []*rules.CalibrationReport{p.Calibration, p.Second} {
		if old == nil || old.Raw == nil {
			continue
		}
		read, ok1 := sensor.FromCelsius(*old.Raw)
		truth, ok2 := sensor.FromCelsius(old.True)
		low, high := condition.Point{Read: c.written(read), True: c.written(truth)}, here
		if low.True > high.True {
			low, high = high, low
		}
		if !ok1 || !ok2 || !configs.Line(low, high) {
			continue
		}
		return fmt.Sprintf("with the check of %s, if the probe and its chip are still the same:\n%s",
			old.At.At.Wall.Local().Format(time.DateOnly), c.stanza(string(old.Reference)+" and "+string(c.ref), today, low, high))
	}
	return "in place of any offset: or calibration: that stands there:\n" + c.stanza(string(c.ref), today, here)
}

// stanza is the line of configuration with these points, the colder first.
func (c *calibration) stanza(reference string, today time.Time, points ...condition.Point) string {
	var list []string
	for _, p := range points {
		list = append(list, fmt.Sprintf("{ read: %s, true: %s }", c.write(p.Read), c.write(p.True)))
	}
	by := ""
	if c.by != "" {
		by = fmt.Sprintf(" by: %q,", c.by)
	}
	return fmt.Sprintf("    calibration: { date: %s,%s reference: %q, points: [ %s ] }", today.Format(time.DateOnly), by, reference, strings.Join(list, ", "))
}

// write gives a temperature as a configuration takes it, to a hundredth of the kitchen's degree.
func (c *calibration) write(t sensor.Temp) string {
	if c.st.Units == rules.Fahrenheit {
		return fmt.Sprintf("%.2fF", t.Fahrenheit())
	}
	return fmt.Sprintf("%.2fC", t.Celsius())
}

// written is a temperature as it is read again from what write wrote.
func (c *calibration) written(t sensor.Temp) sensor.Temp {
	if again, ok := parseReference(c.write(t)); ok {
		return again
	}
	return t
}

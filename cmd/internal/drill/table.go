package main

import (
	"bytes"
	"fmt"
	"io"
	"maps"
	"slices"
	"strings"
	"text/tabwriter"

	"holdbell/rules"
)

// quantile of figures; 0 for none.
func quantile(figures []float64, q float64) float64 {
	if len(figures) == 0 {
		return 0
	}
	sorted := slices.Sorted(slices.Values(figures))
	return sorted[min(int(q*float64(len(sorted))), len(sorted)-1)]
}

// table prints the report for people, the watch beside plain thresholds.
func (r *Report) table(out io.Writer) error {
	var b bytes.Buffer
	w := tabwriter.NewWriter(&b, 0, 0, 2, ' ', 0)
	fmt.Fprintf(&b, "%d kitchens, %.1f station-days\n\n", r.Kitchens, r.StationDays)
	row := func(what string, of func(*score) string) {
		fmt.Fprintf(w, "%s\t%s\t%s\n", what, of(&r.Engine), of(&r.Plain))
	}
	fmt.Fprintf(w, "\tholdbell\tplain thresholds\n")
	for _, c := range []struct {
		what string
		of   func(*score) *caught
	}{
		{"food below the hot limit", func(s *score) *caught { return &s.Hot }},
		{"the same, only in a piece without a probe", func(s *score) *caught { return &s.Unprobed }},
		{"food above the cold limit", func(s *score) *caught { return &s.Cold }},
		{"deadline of a cooling missed", func(s *score) *caught { return &s.Legs }},
		{"door open for over 6 min", func(s *score) *caught { return &s.Doors }},
		{"heat lost: air below its band for 20 min", func(s *score) *caught { return &s.Heat }},
	} {
		row(c.what+": found of all", func(s *score) string { return fmt.Sprintf("%d of %d", c.of(s).Found, c.of(s).True) })
		row("  seconds from truth to alarm, median; 90th centile", func(s *score) string {
			if len(c.of(s).Seconds) == 0 {
				return "-"
			}
			return fmt.Sprintf("%.0f; %.0f", quantile(c.of(s).Seconds, 0.5), quantile(c.of(s).Seconds, 0.9))
		})
	}
	row("slow failures warned of before the hot limit", func(s *score) string {
		n := 0
		for _, l := range s.Lead {
			if l > 0 {
				n++
			}
		}
		return fmt.Sprintf("%d of %d", n, s.Slow)
	})
	row("  minutes of lead, median; 10th centile", func(s *score) string {
		return fmt.Sprintf("%.0f; %.0f", quantile(s.Lead, 0.5), quantile(s.Lead, 0.1))
	})
	row("limit-ahead that did not come true", func(s *score) string {
		told := s.Told[rules.LimitAhead] - s.Lied[rules.LimitAhead]
		if told == 0 {
			return "-"
		}
		return fmt.Sprintf("%d of %d (%.1f %%)", s.False[rules.LimitAhead], told, percent(s.False[rules.LimitAhead], told))
	})
	row("pits that lost their heat, told before they left their band", func(s *score) string { return fmt.Sprintf("%d of %d", len(s.FireLead), s.Fires) })
	row("  minutes of lead, median; 10th centile", func(s *score) string {
		return fmt.Sprintf("%.0f; %.0f", quantile(s.FireLead, 0.5), quantile(s.FireLead, 0.1))
	})
	row("minutes before a missed deadline of a cooling, median; 10th centile", func(s *score) string {
		return fmt.Sprintf("%.0f; %.0f", quantile(s.LegLead, 0.5), quantile(s.LegLead, 0.1))
	})
	row("probe faults noticed", func(s *score) string { return fmt.Sprintf("%d of %d", s.Noticed, s.Faults) })
	row("probe faults named rightly", func(s *score) string {
		return fmt.Sprintf("%d of %d (%.1f %%)", s.Named, s.Faults, percent(s.Named, s.Faults))
	})
	row("alarms that somebody's mending kept from coming true", func(s *score) string { return fmt.Sprint(s.Averted) })
	row("alarms by the air of a station without a food probe, before its food fell", func(s *score) string { return fmt.Sprint(s.Early) })
	names := map[rules.AlarmName]bool{}
	for _, m := range []map[rules.AlarmName]int{r.Engine.Told, r.Plain.Told} {
		for name := range m {
			names[name] = true
		}
	}
	fmt.Fprintf(w, "alarms: told; false (a station-day); rung by a faulty probe\n")
	for _, name := range slices.Sorted(maps.Keys(names)) {
		row("  "+string(name), func(s *score) string {
			return fmt.Sprintf("%d; %d (%.2f); %d", s.Told[name], s.False[name], float64(s.False[name])/r.StationDays, s.Lied[name])
		})
	}
	if err := w.Flush(); err != nil {
		return err
	}
	fmt.Fprintf(&b, "\nprobe faults, and what was told first:\n")
	for _, k := range faultKinds {
		var said []string
		for _, word := range slices.Sorted(maps.Keys(r.Engine.Said[k])) {
			said = append(said, fmt.Sprintf("%s %d", word, r.Engine.Said[k][word]))
		}
		fmt.Fprintf(&b, "  %s: %s\n", k, strings.Join(said, ", "))
	}
	_, err := out.Write(b.Bytes())
	return err
}

func percent(n, of int) float64 {
	if of == 0 {
		return 0
	}
	return 100 * float64(n) / float64(of)
}

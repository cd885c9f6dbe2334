// Command drill asks how good the watch is: it runs many simulated kitchens in which things go wrong, knows from the
// simulator what was true, and prints what the Engine found, missed, foresaw and rang for nothing. Plain thresholds
// over the same readings stand beside it as the yardstick.
//
// Odd seeds are for tuning, even seeds report. See DEVELOPERS.md.
package main

import (
	"context"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"os/signal"
	"runtime"
	"sync"
)

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt)
	defer stop()
	if err := drill(ctx, os.Args[1:], os.Stdout, os.Stderr); err != nil {
		if errors.Is(err, flag.ErrHelp) {
			os.Exit(2)
		}
		fmt.Fprintln(os.Stderr, "drill:", err)
		os.Exit(1)
	}
}

// Report is what a drill found.
type Report struct {
	Kitchens    int
	StationDays float64
	Engine      score
	Plain       score
}

func drill(ctx context.Context, args []string, out, errs io.Writer) error {
	flags := flag.NewFlagSet("drill", flag.ContinueOnError)
	flags.SetOutput(errs)
	seeds := flags.Int("seeds", 816, "how many `SEEDS`; half of them are run")
	from := flags.Uint64("from", 1, "the first `SEED`")
	half := flags.String("half", "report", "`HALF` to run: report (even seeds), tune (odd seeds) or both")
	asJSON := flags.Bool("json", false, "print one JSON object")
	verbose := flags.Bool("v", false, "print what went wrong in each kitchen")
	if err := flags.Parse(args); err != nil {
		return err
	}
	var run []uint64
	for seed := max(*from, 1); len(run) < *seeds && seed < max(*from, 1)+uint64(*seeds); seed++ {
		switch {
		case *half == "both", *half == "report" && seed%2 == 0, *half == "tune" && seed%2 == 1:
			run = append(run, seed)
		case *half != "report" && *half != "tune":
			return fmt.Errorf("half %q: choose report, tune or both", *half)
		}
	}
	report, err := all(ctx, run, func(d *day, notes [2][]string) {
		if *verbose {
			fmt.Fprintf(out, "%d %s\n", d.seed, d.family)
			d.tell(out)
			for _, n := range notes[0] {
				fmt.Fprintf(out, "    %s\n", n)
			}
		}
	})
	if err != nil {
		return err
	}
	if *asJSON {
		return json.NewEncoder(out).Encode(report)
	}
	return report.table(out)
}

// all runs the kitchens of the seeds, as many at once as there are processors, and adds up in the order of seeds.
func all(ctx context.Context, seeds []uint64, each func(*day, [2][]string)) (*Report, error) {
	type result struct {
		day   *day
		score [2]score
		notes [2][]string
		err   error
	}
	results := make([]result, len(seeds))
	next := make(chan int)
	var done sync.WaitGroup
	for range runtime.GOMAXPROCS(0) {
		done.Go(func() {
			for i := range next {
				r := &results[i]
				if r.day, r.err = run(ctx, build(seeds[i])); r.err == nil {
					r.score[0], r.notes[0] = r.day.judge(r.day.engine)
					r.score[1], r.notes[1] = r.day.judge(r.day.plain)
				}
			}
		})
	}
	for i := range seeds {
		next <- i
	}
	close(next)
	done.Wait()
	report := &Report{Engine: newScore(), Plain: newScore()}
	for i := range results {
		r := &results[i]
		if r.err != nil {
			return nil, fmt.Errorf("seed %d: %w", seeds[i], r.err)
		}
		report.Kitchens++
		report.StationDays += r.day.watched.Hours() / 24
		report.Engine.add(&r.score[0])
		report.Plain.add(&r.score[1])
		each(r.day, r.notes)
	}
	return report, nil
}

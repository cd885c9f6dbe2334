package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"time"

	"github.com/spf13/cobra"

	"holdbell/cmd/internal/records"
	"holdbell/configs"
	"holdbell/rules"
	"holdbell/rules/marks"
	"holdbell/sensor"
	"holdbell/sensor/recording"
)

func replayVerb() *cobra.Command {
	var r replay
	cmd := &cobra.Command{
		Use:   "replay RECORDING.csv",
		Short: "Runs a recording through the rules as fast as it goes",
		Long: "replay feeds a recording, and the marks beside it, to the rules that the daemon runs, and prints what\n" +
			"the daemon would have said. The configuration needs probes with their names, stations and rules only.\n" +
			"Exit status: 0 all lots are ok, 3 some lot is act or discard, 2 the input cannot be used.",
		Args: cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			cfg, err := loadConfig(r.config)
			if err != nil {
				return err
			}
			ok, err := r.run(cmd.Context(), cfg, args[0], cmd.OutOrStdout(), cmd.ErrOrStderr())
			switch {
			case err != nil:
				return &exit{exitUsage, err}
			case !ok:
				return &exit{exitNotOK, nil}
			}
			return nil
		},
	}
	configFlag(cmd, &r.config)
	cmd.Flags().StringVar(&r.marks, "marks", "", "the `FILE` of what people did meanwhile")
	cmd.Flags().BoolVar(&r.json, "json", false, "print one JSON object instead of a timeline")
	return cmd
}

// replay is one run of the verb.
type replay struct {
	config, marks string
	json          bool
}

// run replays the recording at path. ok is false when some lot is not.
func (r *replay) run(ctx context.Context, cfg *configs.Config, path string, out, warn io.Writer) (ok bool, err error) {
	setup, err := cfg.Setup()
	if err != nil {
		return false, err
	}
	engine, err := rules.New(setup)
	if err != nil {
		return false, err
	}
	var names []string
	for _, p := range cfg.Probes {
		names = append(names, p.Name)
	}
	f, err := os.Open(path)
	if err != nil {
		return false, err
	}
	defer f.Close()
	rec, err := recording.Open(f, path, names)
	if err != nil {
		return false, err
	}
	for _, extra := range rec.Extra() {
		fmt.Fprintf(warn, "warning: %s: the column %q belongs to no probe of the configuration and is left out\n", path, extra)
	}
	due, err := r.readMarks(rec)
	if err != nil {
		return false, err
	}
	buffered := bufio.NewWriter(out)
	relative := rec.Relative()
	story := chronicle{relative: relative, open: map[alarmKey]*alarmReport{}}
	line := records.NewTimeline()
	left, err := feed(ctx, rec, engine, due, func(told []rules.Mark, events []rules.Event) {
		for i := range events {
			story.add(&events[i])
		}
		if !r.json {
			line.Add(told, events)
		}
	})
	if err != nil {
		return false, err
	}
	for i := range left {
		fmt.Fprintf(warn, "warning: %s: the mark %s at %s lies after the recording's last row and is left out\n", r.marks, left[i].Kind, stamp(left[i].At, relative))
	}
	st := engine.State()
	if r.json {
		err = writeReport(buffered, rec, st, &story)
	} else {
		if err = line.Write(buffered, st, time.UTC, relative); err == nil {
			err = summary(buffered, rec, st)
		}
	}
	if err != nil {
		return false, err
	}
	ok = true
	for i := range st.Lots {
		ok = ok && st.Lots[i].Verdict == rules.OK
	}
	return ok, buffered.Flush()
}

// feed gives every sweep of rec to the engine, each with the marks up to it, and what it took in and decided to
// each. left are the marks after the last sweep, which have nothing to be judged by.
func feed(ctx context.Context, rec sensor.Source, engine *rules.Engine, due []rules.Mark, each func([]rules.Mark, []rules.Event)) (left []rules.Mark, err error) {
	for {
		sweep, err := rec.Next(ctx)
		if errors.Is(err, io.EOF) {
			return due, nil
		}
		if err != nil {
			return nil, err
		}
		in := rules.Input{Sweep: sweep}
		if len(due) > 0 {
			n := upTo(due, sweep.At)
			in.Marks, due = due[:n], due[n:]
		}
		each(in.Marks, engine.Step(in))
	}
}

// upTo counts the marks at or before the instant: at equal time a mark precedes the sweep.
func upTo(due []rules.Mark, at sensor.Instant) int {
	for i := range due {
		if d, _ := due[i].At.Sub(at); d > 0 {
			return i
		}
	}
	return len(due)
}

// readMarks reads the file of marks whole: one bad row and nothing is replayed.
func (r *replay) readMarks(rec span) ([]rules.Mark, error) {
	if r.marks == "" {
		return nil, nil
	}
	f, err := os.Open(r.marks)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	return marks.Read(f, r.marks, rec.Relative(), rec.Start())
}

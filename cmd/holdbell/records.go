package main

import (
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"holdbell/cmd/internal/records"
	"holdbell/configs"
	"holdbell/publish/ledger"
	"holdbell/rules"
)

func recordsVerb() *cobra.Command {
	var o recordsOf
	cmd := &cobra.Command{
		Use:   "records [--compare LOT LOT]",
		Short: "Prints the record for people and inspectors",
		Long: "records prints what a ledger holds of a span of time: lots with their stages, clocks and verdicts, hand checks,\n" +
			"corrective actions, alarms, marks and who signed them. It reads beside a running daemon, or a copy elsewhere,\n" +
			"and changes neither. Times are local (TZ chooses another zone). Verdicts and alarms stand as they were said\n" +
			"then; figures are worked out from the readings, for which it needs the configuration.\n\n" +
			"A time is RFC 3339, a day such as 2026-05-02, or how long before the record's end: -24h, -7d.\n\n" +
			"With --compare two lots stand side by side: the pit, the time to each stage, the hold, what was noted. A name\n" +
			"that was used on several days is the newest; NAME@DATE is the one that began on that day, and the same name\n" +
			"twice the newest two.\n\n" +
			"With --summary it is a line a day and what somebody has to answer for, to be signed each week: at most two\n" +
			"sheets with --format html.\n\n" +
			"With --format html either is one document that needs nothing else, with charts, and prints on A4 and Letter.\n" +
			"With --format openmetrics it writes the readings, for promtool tsdb create-blocks-from openmetrics.",
		Args: func(cmd *cobra.Command, args []string) error {
			switch {
			case o.compare && len(args) != 2:
				return fmt.Errorf("--compare takes two lots, not %d, such as: records --compare ribs@2026-05-02 ribs@2026-05-09", len(args))
			case !o.compare:
				return cobra.NoArgs(cmd, args)
			}
			return nil
		},
		RunE: func(cmd *cobra.Command, args []string) error {
			if o.calibrations {
				return o.checks(cmd, cmd.OutOrStdout())
			}
			if o.summary {
				return o.summed(cmd, cmd.OutOrStdout())
			}
			if o.compare {
				return o.side(cmd, args, cmd.OutOrStdout())
			}
			return o.run(cmd, cmd.OutOrStdout())
		},
	}
	flags := cmd.Flags()
	configFlag(cmd, &o.config)
	flags.StringVar(&o.ledger, "ledger", "", "read the record in `FILE`; with --config too, that is a copy of this kitchen's")
	flags.StringVar(&o.from, "from", "", "the `TIME` from which on; the last 24 h unless told, with --lot all of the record")
	flags.StringVar(&o.to, "to", "", "the `TIME` up to which; the record's end unless told")
	flags.StringVar(&o.lot, "lot", "", "only this `LOT`; NAME@DATE is the one that began on that day")
	flags.StringVar(&o.format, "format", "text", "`FORMAT`: "+strings.Join(formats(), " or "))
	flags.BoolVar(&o.compare, "compare", false, "two lots side by side, named after the flags")
	flags.BoolVar(&o.calibrations, "calibrations", false, "every check of every probe against a known temperature, over the years")
	flags.BoolVar(&o.summary, "summary", false, "a line a day, and what somebody has to answer for; the last seven whole days unless told")
	cmd.MarkFlagsMutuallyExclusive("calibrations", "compare", "summary")
	cmd.MarkFlagsMutuallyExclusive("lot", "summary")
	for _, other := range []string{"from", "to", "lot"} {
		cmd.MarkFlagsMutuallyExclusive("compare", other)
	}
	cmd.AddCommand(verifyVerb())
	return cmd
}

// recordsOf is one run of the verb.
type recordsOf struct {
	config, ledger        string
	from, to, lot, format string
	compare, calibrations bool
	summary               bool
}

// checks writes how the probes have drifted.
func (o *recordsOf) checks(cmd *cobra.Command, out io.Writer) error {
	var opts records.Options
	if err := o.configure(cmd, &opts); err != nil {
		return err
	}
	units := rules.Celsius
	if opts.Setup != nil {
		units = opts.Setup.Units
	}
	return o.reading(func(l *ledger.Ledger) error {
		return records.Calibrations(cmd.Context(), out, l, units, time.Local)
	})
}

// side writes two lots side by side.
func (o *recordsOf) side(cmd *cobra.Command, lots []string, out io.Writer) error {
	if !slices.Contains(records.SideFormats(), o.format) {
		return &exit{exitUsage, fmt.Errorf("--compare is not written as %s; write one of: %s", o.format, strings.Join(records.SideFormats(), ", "))}
	}
	opts := records.Options{Trace: o.format == "html"}
	if err := o.configure(cmd, &opts); err != nil {
		return err
	}
	for _, lot := range lots {
		name, err := records.ParseName(lot, time.Local)
		if err != nil {
			return &exit{exitUsage, err}
		}
		opts.Lots = append(opts.Lots, name)
	}
	return o.reading(func(l *ledger.Ledger) error {
		c, err := records.Compare(cmd.Context(), l, opts, time.Local)
		if err != nil {
			return err
		}
		if o.format == "html" {
			return c.HTML(out, time.Local)
		}
		return c.Text(out, time.Local)
	})
}

// summed writes the summary of a span.
func (o *recordsOf) summed(cmd *cobra.Command, out io.Writer) error {
	if err := o.known(records.Formats()); err != nil {
		return err
	}
	var opts records.Options
	if err := o.configure(cmd, &opts); err != nil {
		return err
	}
	return o.reading(func(l *ledger.Ledger) error {
		if err := o.span(cmd, l, &opts); err != nil {
			return err
		}
		s, err := records.Summarize(cmd.Context(), l, opts, time.Local)
		if err != nil {
			return err
		}
		return s.Write(out, o.format, time.Local)
	})
}

// known refuses a format that is not among those.
func (o *recordsOf) known(formats []string) error {
	if slices.Contains(formats, o.format) {
		return nil
	}
	return &exit{exitUsage, fmt.Errorf("--format %s is none; write one of: %s", o.format, strings.Join(formats, ", "))}
}

// span reads the bounds that were told.
func (o *recordsOf) span(cmd *cobra.Command, l *ledger.Ledger, opts *records.Options) error {
	_, last, err := l.Span(cmd.Context())
	if err != nil {
		return err
	}
	if opts.From, err = records.ParseTime(o.from, last, time.Local, false); err != nil {
		return fmt.Errorf("--from %w", err)
	}
	if opts.To, err = records.ParseTime(o.to, last, time.Local, true); err != nil {
		return fmt.Errorf("--to %w", err)
	}
	if o.from == "" && o.lot == "" && !o.summary {
		end := last
		if !opts.To.IsZero() && opts.To.Before(end) {
			end = opts.To
		}
		opts.From = end.Add(-defaultSpan)
	}
	return nil
}

// defaultSpan is how much of the record is printed unless told.
const defaultSpan = 24 * time.Hour

func (o *recordsOf) run(cmd *cobra.Command, out io.Writer) error {
	if err := o.known(formats()); err != nil {
		return err
	}
	var opts records.Options
	if err := o.configure(cmd, &opts); err != nil {
		return err
	}
	if o.format == openMetrics && (opts.Setup == nil || o.lot != "") {
		return &exit{exitUsage, errors.New("--format openmetrics writes the readings of all probes, with the labels of their configuration; name it with --config, and leave --lot out")}
	}
	if o.lot != "" {
		name, err := records.ParseName(o.lot, time.Local)
		if err != nil {
			return &exit{exitUsage, fmt.Errorf("--lot %w", err)}
		}
		opts.Lots = []records.Name{name}
	}
	return o.reading(func(l *ledger.Ledger) error {
		if err := o.span(cmd, l, &opts); err != nil {
			return err
		}
		if o.format == openMetrics {
			return readings(cmd, out, l, &opts)
		}
		opts.Trace = o.format == "html"
		r, err := records.Read(cmd.Context(), l, opts)
		if err != nil {
			return err
		}
		return r.Write(out, o.format, time.Local)
	})
}

// openMetrics is the format of the readings; the others are of what was said and done.
const openMetrics = "openmetrics"

func formats() []string { return append(records.Formats(), openMetrics) }

// readings writes the readings themselves, for a Prometheus that was never told of them.
func readings(cmd *cobra.Command, out io.Writer, l *ledger.Ledger, opts *records.Options) error {
	left, err := records.OpenMetrics(cmd.Context(), out, l, opts.Setup, opts.From, opts.To)
	if left > 0 {
		fmt.Fprintf(cmd.ErrOrStderr(), "%d readings are left out: nobody knows their time, or the clock was set back to before others\n", left)
	}
	return err
}

// configure reads the configuration where one is named, or none but the default's ledger is. A ledger named
// alone may be any kitchen's: the configuration of this one must not judge it.
func (o *recordsOf) configure(cmd *cobra.Command, opts *records.Options) error {
	if o.ledger != "" && !cmd.Flags().Changed("config") {
		return nil
	}
	cfg, err := loadConfig(o.config)
	if err != nil {
		var e *exit
		if !cmd.Flags().Changed("config") && errors.As(err, &e) {
			return &exit{exitUsage, fmt.Errorf("%w, or the record alone with --ledger FILE", e.Err)}
		}
		return err
	}
	return o.use(cfg, opts)
}

func (o *recordsOf) use(cfg *configs.Config, opts *records.Options) error {
	setup, err := cfg.Setup()
	if err != nil {
		return &exit{exitUsage, err}
	}
	opts.Setup = &setup
	if o.ledger == "" {
		o.ledger = cfg.Ledger
	}
	return nil
}

// reading opens the ledger for f. What it says in closing makes what was read doubtful, so it is an error.
func (o *recordsOf) reading(f func(*ledger.Ledger) error) error {
	l, err := ledger.OpenReader(o.ledger)
	if err != nil {
		return &exit{exitUsage, err}
	}
	if err := errors.Join(f(l), l.Close()); err != nil {
		return &exit{exitUsage, err}
	}
	return nil
}

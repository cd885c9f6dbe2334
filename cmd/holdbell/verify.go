package main

import (
	"errors"
	"fmt"
	"io"
	"os"
	"time"

	"github.com/spf13/cobra"

	"holdbell/cmd/internal/records"
	"holdbell/publish/ledger"
)

// verifyOf is one run of the verb.
type verifyOf struct {
	config, ledger, head, heads string
}

func verifyVerb() *cobra.Command {
	var o verifyOf
	cmd := &cobra.Command{
		Use:   "verify",
		Short: "Shows whether the record still is what was written",
		Long: "verify goes through the chain over all events, marks, notices and readings of a record, beside a running daemon or\n" +
			"in a copy, and names the first place that was altered, taken out, put in or moved. It ends with the head, the\n" +
			"newest link: whoever keeps it elsewhere can tell later, with --head or --heads, that nothing up to then was cut\n" +
			"off or written anew. The copy of the state beside the record remembers a head, too.",
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			return o.run(cmd, cmd.OutOrStdout())
		},
	}
	configFlag(cmd, &o.config)
	cmd.Flags().StringVar(&o.ledger, "ledger", "", "verify the record in `FILE`")
	cmd.Flags().StringVar(&o.head, "head", "", "the `HASH` of a head that you hold, or its first 16 digits: is it on the chain?")
	cmd.Flags().StringVar(&o.heads, "heads", "", "a `FILE` of heads that were kept over the time, a line each, as the broker's topic gives them: is each on the chain?")
	return cmd
}

func (o *verifyOf) run(cmd *cobra.Command, out io.Writer) error {
	var opts ledger.VerifyOptions
	var err error
	if cmd.Flags().Changed("head") {
		if opts.Held, err = ledger.ParseHash(o.head); err != nil {
			return &exit{exitUsage, fmt.Errorf("--head %w", err)}
		}
	}
	if o.heads != "" {
		if opts.Kept, err = keptHeads(o.heads); err != nil {
			return &exit{exitUsage, err}
		}
	}
	path := o.ledger
	if path == "" {
		cfg, err := loadConfig(o.config)
		if err != nil {
			return err
		}
		path = cfg.Ledger
	}
	// The copy first: what it remembers was in the record before.
	opts.Copy, err = ledger.LoadCopy(ledger.CopyPath(path))
	if err != nil && !errors.Is(err, ledger.ErrNoCopy) {
		return &exit{exitUsage, err}
	}
	l, err := ledger.OpenReader(path)
	if err != nil {
		return &exit{exitUsage, err}
	}
	v, err := l.Verify(cmd.Context(), opts)
	if err = errors.Join(err, l.Close()); err != nil {
		return &exit{exitUsage, err}
	}
	if err := records.WriteVerification(out, v, opts.Copy, time.Local); err != nil {
		return &exit{exitUsage, err}
	}
	if v.Break != nil || v.Held != nil && !v.Held.Found || v.Kept != nil && (len(v.Kept.Lost) > 0 || v.Kept.Heads == 0) {
		return &exit{exitBroken, nil}
	}
	return nil
}

// keptHeads reads a file of heads.
func keptHeads(path string) ([]ledger.Head, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, fmt.Errorf("--heads: %w", err)
	}
	defer f.Close()
	heads, err := ledger.ReadHeads(f)
	if err != nil {
		return nil, fmt.Errorf("--heads %s: %w", path, err)
	}
	return heads, nil
}

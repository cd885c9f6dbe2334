package main

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"net/http"
	"os"
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"

	"holdbell/publish/page"
	"holdbell/rules"
	"holdbell/rules/terms"
)

func markVerb() *cobra.Command {
	var f rules.MarkFields
	var socket string
	var celsius, fahrenheit float64
	cmd := &cobra.Command{
		Use:   "mark KIND",
		Short: "Tells the running daemon what a person did",
		Long: "mark tells the running daemon what a person did, and prints what follows from it once it is recorded.\n" +
			"Kinds:\n" + kinds(),
		Args:      cobra.ExactArgs(1),
		ValidArgs: completions(),
		RunE: func(cmd *cobra.Command, args []string) error {
			f.Mark = args[0]
			if cmd.Flags().Changed("celsius") {
				f.Celsius = &celsius
			}
			if cmd.Flags().Changed("fahrenheit") {
				f.Fahrenheit = &fahrenheit
			}
			if f.ID == "" {
				// Drawn here and not by the daemon, so that whoever gives up waiting can say it again.
				f.ID = rand.Text()
			}
			answer, err := sendMark(cmd.Context(), socket, f)
			if err != nil {
				return err
			}
			_, err = fmt.Fprintln(cmd.OutOrStdout(), answer)
			return err
		},
	}
	flags := cmd.Flags()
	flags.StringVar(&f.Lot, "lot", "", "the `LOT` that it is about")
	flags.StringVar(&f.Station, "station", "", "the `STATION`")
	flags.StringVar(&f.Note, "note", "", "key=value words, then free `TEXT`")
	flags.Float64Var(&celsius, "celsius", 0, "what the hand thermometer read, in °C")
	flags.Float64Var(&fahrenheit, "fahrenheit", 0, "what the hand thermometer read, in °F")
	flags.StringVar(&f.By, "by", "", "`WHO` did it; some marks stand unsigned without")
	flags.StringVar(&f.ID, "id", "", "a name of its own, so that the same `ID` said twice counts once")
	cmd.MarkFlagsMutuallyExclusive("celsius", "fahrenheit")
	socketFlag(cmd, &socket)
	return cmd
}

// kinds lists the kinds of marks with what each tells.
func kinds() string {
	var all strings.Builder
	for _, k := range rules.MarkKinds() {
		fmt.Fprintf(&all, "  %-15s %s\n", k, terms.Of(k).Means)
	}
	return strings.TrimSuffix(all.String(), "\n")
}

func completions() (all []cobra.Completion) {
	for _, k := range rules.MarkKinds() {
		all = append(all, cobra.CompletionWithDesc(string(k), terms.Of(k).Means))
	}
	return all
}

// sendMark checks a mark before it bothers the daemon.
func sendMark(ctx context.Context, socket string, f rules.MarkFields) (string, error) {
	if _, err := rules.ParseMark(f); err != nil {
		return "", &exit{exitUsage, err}
	}
	answer, err := page.NewClient(socket).Mark(ctx, f)
	var refused *page.RefusedError
	switch {
	case err == nil:
		return answer, nil
	case errors.Is(err, page.ErrUnreachable):
		return "", &exit{exitUnreachable, fmt.Errorf("%w; start it, or name its socket with --socket", err)}
	case errors.As(err, &refused) && refused.Status != http.StatusServiceUnavailable:
		return "", &exit{exitUsage, err}
	}
	return "", &exit{exitFailed, fmt.Errorf("%w (the mark's id is %s)", err, f.ID)}
}

// socketFlag adds --socket to a verb that speaks to the daemon, or is it.
func socketFlag(cmd *cobra.Command, path *string) {
	cmd.Flags().StringVar(path, "socket", defaultSocket(), "the daemon's control `SOCKET`")
}

// defaultSocket lies in the folder that the service manager makes.
func defaultSocket() string {
	dir := os.Getenv("RUNTIME_DIRECTORY")
	if dir == "" {
		dir = "/run/holdbell"
	}
	return filepath.Join(dir, "control.sock")
}

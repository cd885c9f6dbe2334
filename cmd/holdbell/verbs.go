package main

import (
	"errors"
	"fmt"
	"io"

	"github.com/spf13/cobra"
)

// The exit statuses that scripts and the service manager rely on.
const (
	exitOK          = 0
	exitFailed      = 1 // restart me
	exitUsage       = 2 // the command line, the configuration or the recording: do not restart
	exitNotOK       = 3 // some lot is act or discard
	exitSilentProbe = 4
	exitUnreachable = 5
	exitBroken      = 6 // the record is not what was written
)

// defaultConfig is where the package puts the configuration.
const defaultConfig = "/etc/holdbell/kitchen.yaml"

// exit is an error with the status that it ends in. A nil Err says nothing more.
type exit struct {
	Status int
	Err    error
}

func (e *exit) Error() string {
	if e.Err == nil {
		return fmt.Sprintf("exit status %d", e.Status)
	}
	return e.Err.Error()
}

func (e *exit) Unwrap() error { return e.Err }

// holdbell runs one command line and gives the status to exit with.
func holdbell(args []string, stdout, stderr io.Writer) int {
	root := &cobra.Command{
		Use:   "holdbell",
		Short: "Watches food that is held hot, cold or by time, and rings before it is unsafe",
		Long: "holdbell reads the probes of a kitchen's cabinets, applies the food code's limits and clocks, rings a\n" +
			"phone, and keeps the record. Its verdicts are advice: local code and the health department decide.",
		SilenceUsage:  true,
		SilenceErrors: true,
		Args:          cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			return cmd.Help()
		},
	}
	root.SetArgs(args)
	root.SetOut(stdout)
	root.SetErr(stderr)
	root.AddCommand(runVerb(), demoVerb(), replayVerb(), checkVerb(), probesVerb(), markVerb(), calibrateVerb(), recordsVerb(), versionVerb())
	err := root.Execute()
	var e *exit
	switch {
	case err == nil:
		return exitOK
	case errors.As(err, &e):
		if e.Err != nil {
			fmt.Fprintf(stderr, "holdbell: %v\n", e.Err)
		}
		return e.Status
	default:
		// What is left are cobra's own errors: the command line.
		fmt.Fprintf(stderr, "holdbell: %v; see holdbell --help\n", err)
		return exitUsage
	}
}

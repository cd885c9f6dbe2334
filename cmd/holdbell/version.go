package main

import (
	"fmt"
	"runtime"
	"runtime/debug"

	"github.com/spf13/cobra"
)

func versionVerb() *cobra.Command {
	return &cobra.Command{
		Use:   "version",
		Short: "Prints version, commit and Go version",
		Args:  cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			version, commit := build()
			_, err := fmt.Fprintf(cmd.OutOrStdout(), "holdbell %s, commit %s, %s %s/%s\n", version, commit, runtime.Version(), runtime.GOOS, runtime.GOARCH)
			return err
		},
	}
}

// build is what the linker and the version control left in the binary.
func build() (version, commit string) {
	version, commit = "(devel)", "unknown"
	info, ok := debug.ReadBuildInfo()
	if !ok {
		return version, commit
	}
	if info.Main.Version != "" {
		version = info.Main.Version
	}
	for _, s := range info.Settings {
		if s.Key == "vcs.revision" {
			commit = s.Value
		}
	}
	return version, commit
}

package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"maps"
	"os"
	"path"
	"regexp"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	aboard "holdbell/cmd/internal/board"
	"holdbell/publish/page"
	"holdbell/sensor/bus"
	"holdbell/sensor/sysfs"
)

func probesVerb() *cobra.Command {
	var socket, root string
	cmd := &cobra.Command{
		Use:   "probes",
		Short: "What buses and kernel thermometers this board has, with a line of configuration for each",
		Long: "probes looks at files alone: it sends nothing over a bus, for some chips hang when they are asked by\n" +
			"somebody who does not know them. What chip sits on a bus is printed on the chip.",
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			return listProbes(cmd.Context(), cmd.OutOrStdout(), socket, root)
		},
	}
	socketFlag(cmd, &socket)
	rootFlag(cmd, &root)
	return cmd
}

// listProbes prints what the board has, and what the running daemon reads of it.
func listProbes(ctx context.Context, out io.Writer, socket, root string) error {
	nodes := bus.List(root)
	fmt.Fprintln(out, "Buses")
	for _, n := range nodes {
		listNode(out, n)
	}
	for _, line := range bus.Missing(nodes) {
		fmt.Fprintf(out, "  %s\n", line)
	}
	fmt.Fprintln(out, "\nThermometers of the kernel's drivers")
	found := sysfs.List(os.DirFS(root))
	for _, f := range found {
		listKernel(out, f)
	}
	if len(found) == 0 {
		fmt.Fprintln(out, "  none in /sys/bus/iio, /sys/bus/w1 and /sys/class/hwmon")
	}
	fmt.Fprintln(out, "\nThe daemon")
	st, err := runningProbes(ctx, socket)
	switch {
	case errors.Is(err, page.ErrUnreachable):
		fmt.Fprintln(out, "  does not run here, or this user may not ask it")
	case err != nil:
		return &exit{exitFailed, err}
	}
	for _, name := range slices.Sorted(maps.Keys(st.Probes)) {
		words, _ := said(st.Probes[name], st.Stale, st.Units)
		fmt.Fprintf(out, "  %s: %s\n", name, words)
	}
	return nil
}

func listNode(out io.Writer, n bus.Node) {
	switch {
	case n.Refused != "":
		fmt.Fprintf(out, "  %s  %s: may not be used: %s\n", n.Name, n.Path, n.Refused)
	case n.Holder != 0:
		fmt.Fprintf(out, "  %s  %s: in use by process %d\n", n.Name, n.Path, n.Holder)
	case n.Hz != 0:
		fmt.Fprintf(out, "  %s  %s: free, %d kHz\n", n.Name, n.Path, n.Hz/1000)
	default:
		fmt.Fprintf(out, "  %s  %s: free\n", n.Name, n.Path)
	}
	if len(n.Claimed) > 0 {
		fmt.Fprintf(out, "      held by kernel drivers: %s\n", strings.Join(n.Claimed, ", "))
	}
	if n.Holder == 0 {
		fmt.Fprintf(out, "      - %s\n", stanza(n.Name))
	}
	if strings.HasPrefix(n.Name, "I2C") && n.Hz > 10_000 {
		fmt.Fprintf(out, "      %s:\n      %s\n", aboard.Stretch, aboard.StretchMend)
	}
}

// stanza is a line of configuration to be finished by whoever reads what is printed on the chip.
func stanza(busName string) string {
	if strings.HasPrefix(busName, "I2C") {
		return fmt.Sprintf("{ name: NAME, chip: mcp9600, bus: %s, address: 0x60, type: K }   # or ads1115, mcp9808", busName)
	}
	return fmt.Sprintf("{ name: NAME, chip: max31855, bus: %s, type: K }   # or max31856, max31865, max6675", busName)
}

var notInNames = regexp.MustCompile(`[^a-z0-9]+`)

func listKernel(out io.Writer, f sysfs.Found) {
	label := f.Driver
	if f.Label != "" {
		label += ", " + f.Label
	}
	fmt.Fprintf(out, "  %s  %s\n", label, f.Path)
	name := strings.Trim(notInNames.ReplaceAllString(strings.ToLower(f.Label), "-"), "-")
	if name == "" {
		name = strings.Trim(notInNames.ReplaceAllString(strings.ToLower(path.Base(f.Path)), "-"), "-")
	}
	line := fmt.Sprintf("{ name: %s, file: %q", name, f.Path)
	if f.Driver != "" && !strings.Contains(f.Driver, " ") {
		line += ", driver: " + f.Driver
	}
	fmt.Fprintf(out, "      - %s }\n", line)
}

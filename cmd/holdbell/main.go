// Command holdbell watches food that is held hot, cold or by time, and says what the food code makes of it.
package main

import (
	"os"
	"runtime/debug"
)

func main() {
	// Go exits with status 2 on a panic, which tells the service manager not to start the daemon again; to
	// die by the signal is to be restarted.
	debug.SetTraceback("crash")
	// On a small board memory is dearer than the little time that collecting it more often takes.
	if os.Getenv("GOGC") == "" {
		debug.SetGCPercent(50)
	}
	os.Exit(holdbell(os.Args[1:], os.Stdout, os.Stderr))
}

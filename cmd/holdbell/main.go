// Command holdbell watches food that is held hot, cold or by time, and says what the food code makes of it.
package main

import (
	"os"
)

func main() {
	os.Exit(holdbell(os.Args[1:], os.Stdout, os.Stderr))
}

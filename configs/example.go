package configs

import (
	"embed"
	"fmt"
	"strings"
)

//go:embed examples/*.yaml
var examples embed.FS

// Example gives a shipped configuration by its name without ".yaml": one of ExampleNames.
func Example(name string) ([]byte, error) {
	data, err := examples.ReadFile("examples/" + name + ".yaml")
	if err != nil {
		return nil, fmt.Errorf("no example is called %q; there are %s", name, strings.Join(ExampleNames(), ", "))
	}
	return data, nil
}

// ExampleNames lists the shipped configurations.
func ExampleNames() []string {
	entries, err := examples.ReadDir("examples")
	if err != nil {
		return nil // the folder is embedded: it is there
	}
	var names []string
	for _, e := range entries {
		names = append(names, strings.TrimSuffix(e.Name(), ".yaml"))
	}
	return names
}

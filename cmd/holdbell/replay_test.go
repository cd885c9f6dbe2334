package main

import (
	"bytes"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"testing"
)

// BenchmarkReplay is the verb from file to verdict: eight probes at 1 Hz for an hour that is all well.
func BenchmarkReplay(b *testing.B) {
	const probes, sweeps = 8, 3600
	dir := b.TempDir()
	config, path := filepath.Join(dir, "kitchen.yaml"), filepath.Join(dir, "hour.csv")
	var yaml, csv bytes.Buffer
	yaml.WriteString("rules: { food_code: us-fda-2022 }\nprobes:\n")
	csv.WriteString("time")
	for p := range probes {
		fmt.Fprintf(&yaml, "  - { name: p%d, offset: 0C }\n", p)
		fmt.Fprintf(&csv, ",p%d [C]", p)
	}
	yaml.WriteString("stations:\n")
	for s := range probes / 2 {
		fmt.Fprintf(&yaml, "  - { name: s%d, purpose: hot-holding, air: p%d, food: [p%d] }\n", s, 2*s, 2*s+1)
	}
	for at := range sweeps {
		fmt.Fprintf(&csv, "\n%d", at)
		for p := range probes {
			// A thermostat's slow swing, with the last digit of a converter that is never quiet.
			fmt.Fprintf(&csv, ",%.2f", 66+float64(p)/2+float64((at/60)%5)/4+float64(at*7%11)/100)
		}
	}
	for name, data := range map[string][]byte{config: yaml.Bytes(), path: csv.Bytes()} {
		if err := os.WriteFile(name, data, 0o600); err != nil {
			b.Fatal(err)
		}
	}
	b.SetBytes(int64(csv.Len()))
	for b.Loop() {
		if got := holdbell([]string{"replay", "--config", config, path}, io.Discard, io.Discard); got != exitOK {
			b.Fatalf("exit status %d", got)
		}
	}
	b.ReportMetric(float64(probes*sweeps)*float64(b.N)/b.Elapsed().Seconds(), "readings/s")
}

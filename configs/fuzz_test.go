package configs

import (
	"os"
	"path/filepath"
	"reflect"
	"testing"
)

// FuzzParse: whatever the bytes, Parse returns; an error has positions and fixes, and what is accepted
// gives a setup and is read alike a second time.
func FuzzParse(f *testing.F) {
	f.Add([]byte(contract))
	f.Add([]byte(least))
	for _, name := range ExampleNames() {
		data, err := Example(name)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(data)
	}
	files, err := filepath.Glob("testdata/bad/*.yaml")
	if err != nil || len(files) == 0 {
		f.Fatalf("no seeds: %v", err)
	}
	for _, file := range files {
		data, err := os.ReadFile(file)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(data)
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		c, err := Parse("kitchen.yaml", data)
		if err != nil {
			if c != nil {
				t.Fatal("half a configuration")
			}
			checkProblems(t, err)
			return
		}
		if _, err := c.Setup(); err != nil {
			t.Fatalf("accepted, but: %v", err)
		}
		again, err := Parse("kitchen.yaml", data)
		if err != nil || !reflect.DeepEqual(c, again) {
			t.Fatalf("read differently the second time: %v", err)
		}
	})
}

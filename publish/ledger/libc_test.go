package ledger_test

import (
	"encoding/json"
	"os"
	"os/exec"
	"regexp"
	"testing"
)

// The database driver works with exactly the C library that it was built against: its package comment
// ("Fragile modernc.org/libc dependency") says so, and a newer one has crashed on 32-bit boards after hours.
func TestLibcVersion(t *testing.T) {
	type module struct{ Path, Version, GoMod string }
	list := func(path string) (m module) {
		t.Helper()
		out, err := exec.Command("go", "list", "-m", "-json", path).Output()
		if err != nil {
			t.Fatalf("go list -m %s: %v", path, err)
		}
		if err := json.Unmarshal(out, &m); err != nil {
			t.Fatal(err)
		}
		return m
	}
	text, err := os.ReadFile(list("modernc.org/sqlite").GoMod)
	if err != nil {
		t.Fatal(err)
	}
	wants := regexp.MustCompile(`(?m)^\s*(?:require\s+)?modernc\.org/libc\s+(v\S+)`).FindSubmatch(text)
	if wants == nil {
		t.Fatal("the driver's go.mod names no modernc.org/libc")
	}
	if have := list("modernc.org/libc").Version; have != string(wants[1]) {
		t.Errorf("go.mod has modernc.org/libc %s, the driver wants %s; set that version", have, wants[1])
	}
}

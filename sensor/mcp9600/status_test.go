package mcp9600

import (
	"testing"

	"holdbell/sensor"
)

// A line that goes high in the middle of a reading gives a status of all ones, which is no open thermocouple.
func TestStatusOfAllOnes(t *testing.T) {
	for _, id := range []byte{0x40, id9601} {
		if f, words := judge(id, 0xff); f != sensor.BusFault {
			t.Errorf("identity %#02x: %v, %s", id, f, words)
		}
	}
	if f, _ := judge(id9601, statusUpdated|statusInput); f != sensor.Open {
		t.Errorf("an open thermocouple is %v", f)
	}
}

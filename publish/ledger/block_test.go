package ledger

import (
	"bytes"
	"encoding/binary"
	"encoding/hex"
	"errors"
	"hash/crc32"
	"math"
	"os"
	"reflect"
	"runtime"
	"testing"
	"time"

	"pgregory.net/rapid"

	"holdbell/sensor"
)

// drawSweeps draws sweeps as they come, and as no board ever made them.
func drawSweeps(t *rapid.T, probes int) []sensor.Sweep {
	var all []sensor.Sweep
	now := sensor.Instant{Wall: noon, Mono: time.Hour, Boot: sensor.BootID{1}, Believed: true}
	temps := make([]sensor.Temp, probes)
	for range rapid.IntRange(1, 80).Draw(t, "sweeps") {
		switch rapid.IntRange(0, 12).Draw(t, "clock") {
		case 0:
			now.Believed = !now.Believed
		case 1:
			now.Boot = sensor.BootID(rapid.SliceOfN(rapid.Byte(), 16, 16).Draw(t, "boot"))
			now.Mono = 0
		case 2:
			now.Wall = now.Wall.Add(time.Duration(rapid.Int64().Draw(t, "step")))
		case 3:
			now.Mono = time.Duration(rapid.Int64().Draw(t, "mono"))
		case 4:
			now.Wall = time.Unix(rapid.Int64Range(-1e11, 1e11).Draw(t, "sec"), rapid.Int64Range(0, 999999999).Draw(t, "nsec")).UTC()
		case 5:
			now = now.Add(time.Duration(rapid.Int64Range(0, 1e12).Draw(t, "odd")))
		default:
			now = now.Add(time.Duration(rapid.IntRange(990, 1010).Draw(t, "ms")) * time.Millisecond)
		}
		s := sensor.Sweep{At: now, Readings: make([]sensor.Reading, probes)}
		for i := range s.Readings {
			switch rapid.IntRange(0, 8).Draw(t, "reading") {
			case 0:
				s.Readings[i] = sensor.Bad(sensor.Fault(rapid.IntRange(1, int(sensor.NumFaults)-1).Draw(t, "fault")))
				continue
			case 1:
				temps[i] = sensor.Temp(rapid.Int32().Draw(t, "temp"))
			default:
				temps[i] += sensor.Temp(rapid.IntRange(-300, 300).Draw(t, "move"))
			}
			s.Readings[i] = sensor.Reading{Temp: temps[i]}
		}
		all = append(all, s)
	}
	return all
}

func TestBlockRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		probes := rapid.IntRange(0, 9).Draw(t, "probes")
		want := drawSweeps(t, probes)
		b, err := encodeBlock(want, probes)
		if err != nil {
			t.Fatal(err)
		}
		got, err := decodeBlock(b)
		if err != nil {
			t.Fatal(err)
		}
		if !reflect.DeepEqual(got, want) {
			t.Fatalf("got %v\nwant %v", got, want)
		}
	})
}

// goldenBlock is the first format, as every later holdbell must read it.
const goldenBlock = "testdata/block1.hex"

func TestBlockGolden(t *testing.T) {
	want := sweepsFrom(1, 25, 3)
	want[20].At = sensor.Instant{Wall: noon.Add(-time.Hour + 1), Mono: 3, Boot: sensor.BootID{9}}
	want[24].Readings[2] = sensor.Reading{Temp: math.MinInt32}
	text, err := os.ReadFile(goldenBlock)
	if err != nil {
		t.Fatal(err)
	}
	raw, err := hex.DecodeString(string(bytes.Join(bytes.Fields(text), nil)))
	if err != nil {
		t.Fatal(err)
	}
	if got, err := decodeBlock(raw); err != nil || !reflect.DeepEqual(got, want) {
		t.Errorf("decoded %v, %v", got, err)
	}
	if b, err := encodeBlock(want, 3); err != nil || !bytes.Equal(b, raw) {
		t.Errorf("encoded %x, %v", b, err)
	}
}

// Every cut and every altered bit of a block is noticed.
func TestBlockDamage(t *testing.T) {
	b, err := encodeBlock(sweepsFrom(1, 20, 3), 3)
	if err != nil {
		t.Fatal(err)
	}
	for n := range b {
		if _, err := decodeBlock(b[:n]); !errors.Is(err, errBlock) {
			t.Errorf("cut after %d bytes: %v", n, err)
		}
	}
	for bit := range 8 * len(b) {
		c := bytes.Clone(b)
		c[bit/8] ^= 1 << (bit % 8)
		if _, err := decodeBlock(c); !errors.Is(err, errBlock) {
			t.Errorf("bit %d: %v", bit, err)
		}
	}
}

// lying are bodies whose counts promise what is not there, each under a right checksum.
func lying() [][]byte {
	var all [][]byte
	for _, counts := range [][2]uint64{{1 << 40, 1 << 40}, {math.MaxUint64, 0}, {0, math.MaxUint64}, {math.MaxUint64, 1},
		{1 << 62, 2}, {1 << 20, 0}, {1, 1 << 20}, {1 << 63, math.MaxUint64 - 1}} {
		b := []byte{blockFormat}
		b = binary.AppendUvarint(b, counts[0])
		b = binary.AppendUvarint(b, counts[1])
		b = append(b, make([]byte, 64)...)
		all = append(all, binary.LittleEndian.AppendUint32(b, crc32.Checksum(b, castagnoli)))
	}
	return all
}

func TestBlockLyingCounts(t *testing.T) {
	for _, b := range lying() {
		var before, after runtime.MemStats
		runtime.ReadMemStats(&before)
		sweeps, err := decodeBlock(b)
		runtime.ReadMemStats(&after)
		if !errors.Is(err, errBlock) {
			t.Errorf("%x gives %d sweeps, %v", b[:12], len(sweeps), err)
		}
		if n := after.TotalAlloc - before.TotalAlloc; n > 64<<10 {
			t.Errorf("%x: %d bytes allocated", b[:12], n)
		}
	}
}

func FuzzDecodeBlock(f *testing.F) {
	for _, n := range []int{1, 3, 60} {
		b, err := encodeBlock(sweepsFrom(1, n, 1+n%3), 1+n%3)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(b[:len(b)-4])
	}
	for _, b := range lying() {
		f.Add(b[:len(b)-4])
	}
	f.Fuzz(func(t *testing.T, body []byte) {
		sweeps, err := decodeBody(body)
		if err != nil {
			return
		}
		if len(sweeps) == 0 {
			return
		}
		probes := len(sweeps[0].Readings)
		if len(sweeps)*(2+probes) > len(body) {
			t.Fatalf("%d bytes give %d sweeps of %d probes", len(body), len(sweeps), probes)
		}
		// What was read can be written, and reads the same again.
		b, err := encodeBlock(sweeps, probes)
		if err != nil {
			t.Fatal(err)
		}
		if again, err := decodeBlock(b); err != nil || !reflect.DeepEqual(again, sweeps) {
			t.Fatalf("%v\nand again %v, %v", sweeps, again, err)
		}
	})
}

func FuzzUnpack(f *testing.F) {
	for _, raw := range []string{"", "{}", string(bytes.Repeat([]byte("holdbell "), 100))} {
		b, err := pack([]byte(raw))
		if err != nil {
			f.Fatal(err)
		}
		f.Add(b)
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		raw, err := unpack(b)
		if err != nil {
			return
		}
		if again, err := pack(raw); err != nil {
			t.Fatal(err)
		} else if back, err := unpack(again); err != nil || !bytes.Equal(back, raw) {
			t.Fatalf("%q reads back as %q, %v", raw, back, err)
		}
	})
}

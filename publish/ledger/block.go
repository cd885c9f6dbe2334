package ledger

import (
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"math"
	"time"

	"holdbell/sensor"
)

// A block of sweeps as bytes: the format's number, how many sweeps and probes (uvarints), the sweeps, and
// a CRC-32C of all that, little-endian. A sweep is a byte of flags, its instant, and a uvarint a reading.
const blockFormat = 1

// milli is a millisecond in the monotonic clock's unit.
const milli = int64(time.Millisecond)

// Flags of a sweep. Without flagAbsolute the instant is one zigzag varint: how much the step of the
// monotonic clock differs from the step before; the wall moved by as much. In steady running that is 0.
const (
	flagBelieved = 1 << iota // the wall is believed
	flagBoot                 // 16 bytes of a new boot id follow
	flagAbsolute             // wall (zigzag seconds, nanoseconds) and monotonic nanoseconds (zigzag) follow
	flagMillis               // the difference of steps is in milliseconds
	flagsKnown   = 1<<iota - 1
)

// A reading is 1 to faultRoom-1 for a fault, else faultRoom plus the zigzag difference to the probe's last
// valid temperature in the block; 0 stands for no difference.
const faultRoom = 16

// Every fault must fit below faultRoom: this does not compile otherwise.
const _ = uint(faultRoom - sensor.NumFaults)

var (
	errBlock   = errors.New("the block of readings is damaged")
	errUnfit   = errors.New("the readings of a sweep do not fit the layout")
	castagnoli = crc32.MakeTable(crc32.Castagnoli)
)

// encodeBlock turns sweeps of probes readings each into bytes. Temperatures of faulty readings, which hold
// nothing by contract, are not kept.
func encodeBlock(sweeps []sensor.Sweep, probes int) ([]byte, error) {
	b := make([]byte, 0, 16+len(sweeps)*(probes+6))
	b = append(b, blockFormat)
	b = binary.AppendUvarint(b, uint64(len(sweeps)))
	b = binary.AppendUvarint(b, uint64(probes))
	last := make([]int64, probes)
	prev, step := sensor.Instant{}, int64(0)
	for i := range sweeps {
		s := &sweeps[i]
		if len(s.Readings) != probes {
			return nil, fmt.Errorf("%w: %d readings, %d probes", errUnfit, len(s.Readings), probes)
		}
		b = appendInstant(b, s.At, &prev, &step)
		for j, r := range s.Readings {
			switch {
			case r.Fault >= sensor.NumFaults:
				return nil, fmt.Errorf("%w: %v", errUnfit, r.Fault)
			case !r.Valid():
				b = append(b, byte(r.Fault))
			case int64(r.Temp) == last[j]:
				b = append(b, 0)
			default:
				b = binary.AppendUvarint(b, faultRoom+zigzag(int64(r.Temp)-last[j]))
				last[j] = int64(r.Temp)
			}
		}
	}
	return binary.LittleEndian.AppendUint32(b, crc32.Checksum(b, castagnoli)), nil
}

func appendInstant(b []byte, at sensor.Instant, prev *sensor.Instant, step *int64) []byte {
	var flags byte
	if at.Believed {
		flags |= flagBelieved
	}
	if at.Boot != prev.Boot {
		flags |= flagBoot
	}
	moved := int64(at.Mono) - int64(prev.Mono) // wraps; decoding wraps back
	diff := moved - *step
	inStep := moved >= 0 && prev.Wall.Add(time.Duration(moved)).Equal(at.Wall)
	switch {
	case !inStep:
		flags |= flagAbsolute
	case diff%milli == 0:
		flags |= flagMillis
	}
	b = append(b, flags)
	if flags&flagBoot != 0 {
		b = append(b, at.Boot[:]...)
	}
	switch {
	case !inStep:
		b = binary.AppendVarint(b, at.Wall.Unix())
		b = binary.AppendUvarint(b, uint64(at.Wall.Nanosecond()))
		b = binary.AppendVarint(b, int64(at.Mono))
	case flags&flagMillis != 0:
		b = binary.AppendVarint(b, diff/milli)
	default:
		b = binary.AppendVarint(b, diff)
	}
	*prev, *step = at, moved
	return b
}

// decodeBlock is the inverse of encodeBlock. It allocates no more than b's own length calls for, whatever
// the counts in it say.
func decodeBlock(b []byte) ([]sensor.Sweep, error) {
	if len(b) < 4 {
		return nil, errBlock
	}
	body, sum := b[:len(b)-4], binary.LittleEndian.Uint32(b[len(b)-4:])
	if crc32.Checksum(body, castagnoli) != sum {
		return nil, errBlock
	}
	return decodeBody(body)
}

func decodeBody(body []byte) ([]sensor.Sweep, error) {
	d := decoder{b: body}
	if d.byte() != blockFormat {
		return nil, errBlock
	}
	count, probes := d.uvarint(), d.uvarint()
	// A sweep takes two bytes and one a reading at least.
	if rest := uint64(len(d.b)); d.bad || probes > rest || count > rest/(2+probes) {
		return nil, errBlock
	}
	sweeps := make([]sensor.Sweep, count)
	readings := make([]sensor.Reading, count*probes)
	last := make([]int64, probes)
	prev, step := sensor.Instant{}, int64(0)
	for i := range sweeps {
		s := &sweeps[i]
		s.At = d.instant(&prev, &step)
		s.Readings, readings = readings[:probes:probes], readings[probes:]
		for j := range s.Readings {
			v := d.uvarint()
			if v > 0 && v < faultRoom {
				if sensor.Fault(v) >= sensor.NumFaults {
					return nil, errBlock
				}
				s.Readings[j] = sensor.Bad(sensor.Fault(v))
				continue
			}
			if v > 0 {
				last[j] += unzigzag(v - faultRoom)
			}
			if last[j] < math.MinInt32 || last[j] > math.MaxInt32 {
				return nil, errBlock
			}
			s.Readings[j] = sensor.Reading{Temp: sensor.Temp(last[j])}
		}
	}
	if d.bad || len(d.b) > 0 {
		return nil, errBlock
	}
	return sweeps, nil
}

// decoder takes values off b; once something does not fit it is bad and gives zeros.
type decoder struct {
	b   []byte
	bad bool
}

func (d *decoder) instant(prev *sensor.Instant, step *int64) sensor.Instant {
	flags := d.byte()
	if flags&^byte(flagsKnown) != 0 {
		d.bad = true
	}
	at := sensor.Instant{Boot: prev.Boot, Believed: flags&flagBelieved != 0}
	if flags&flagBoot != 0 {
		copy(at.Boot[:], d.take(len(at.Boot)))
	}
	if flags&flagAbsolute != 0 {
		sec, nsec := d.varint(), d.uvarint()
		if nsec >= uint64(time.Second) {
			d.bad, nsec = true, 0
		}
		at.Wall = time.Unix(sec, int64(nsec)).UTC()
		at.Mono = time.Duration(d.varint())
	} else {
		diff := d.varint()
		if flags&flagMillis != 0 {
			diff *= milli
		}
		moved := *step + diff
		at.Mono = prev.Mono + time.Duration(moved)
		at.Wall = prev.Wall.Add(time.Duration(moved))
	}
	*step = int64(at.Mono) - int64(prev.Mono)
	*prev = at
	return at
}

func (d *decoder) take(n int) []byte {
	if len(d.b) < n {
		d.bad, d.b = true, nil
		return nil
	}
	t := d.b[:n]
	d.b = d.b[n:]
	return t
}

func (d *decoder) byte() byte {
	if t := d.take(1); t != nil {
		return t[0]
	}
	return 0
}

func (d *decoder) uvarint() uint64 {
	v, n := binary.Uvarint(d.b)
	if n <= 0 {
		d.bad, d.b = true, nil
		return 0
	}
	d.b = d.b[n:]
	return v
}

func (d *decoder) varint() int64 { return unzigzag(d.uvarint()) }

func zigzag(v int64) uint64   { return uint64(v<<1) ^ uint64(v>>63) }
func unzigzag(v uint64) int64 { return int64(v>>1) ^ -int64(v&1) }

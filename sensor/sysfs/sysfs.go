// Package sysfs reads temperatures from the files of Linux kernel drivers: industrial I/O (Documentation/ABI/
// testing/sysfs-bus-iio), hardware monitoring (sysfs-class-hwmon) and 1-wire thermometers (Documentation/w1/
// slaves/w1_therm.rst). Every tree is an fs.FS, so that fixtures and a foreign root do as well as /.
//
// A kernel driver hides its chip: which fault it was is told by an error number at best, and the numbers of
// devices change with the order in which drivers load. So a device may be held by its name as well, and a
// fault says what the file gave.
package sysfs

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"path"
	"strconv"
	"strings"
	"syscall"
	"time"

	"holdbell/sensor"
	"holdbell/sensor/resist"
)

// Opts says more about a kernel file than its path does.
type Opts struct {
	// Name is what the device's file "name" must hold; empty takes any. A device of that name is looked for
	// beside the path, under whatever number it has now.
	Name string
	// RTD and Reference, in ohms, turn the code of a MAX31865 into degrees: its driver gives no offset.
	RTD       resist.RTD
	Reference float64
	// Linearise takes the straight line of a MAX31855 in °C, and its cold junction, to the true temperature;
	// nil leaves it.
	Linearise func(hot, cold float64) (float64, error)
}

// Dev is one temperature in the kernel's files. It implements sensor.Probe.
type Dev struct {
	what    string
	every   time.Duration
	measure func() (float64, error)
	done    chan result // room for one: a late answer never holds up its goroutine
	busy    bool
}

type result struct {
	celsius float64
	err     error
}

// failure is an error with the fault that it means.
type failure struct {
	fault sensor.Fault
	err   error
}

func (f *failure) Error() string { return f.err.Error() }
func (f *failure) Unwrap() error { return f.err }

func fail(f sensor.Fault, format string, args ...any) error {
	return &failure{f, fmt.Errorf(format, args...)}
}

// New makes a probe of what lies at name, an absolute path such as /sys/bus/iio/devices/iio:device0 (the only
// channel of the device), /sys/bus/iio/devices/iio:device0/in_temp0_raw, /sys/class/hwmon/hwmon1,
// /sys/class/hwmon/hwmon1/temp2_input or /sys/bus/w1/devices/28-0316a2791234. Nothing is read yet: a device
// whose driver loads later is found then. The error is for a path that belongs to no such tree.
func New(tree fs.FS, name string, o Opts) (*Dev, error) {
	if tree == nil {
		return nil, errors.New("sysfs: no tree to read from")
	}
	clean := strings.TrimPrefix(path.Clean("/"+name), "/")
	d := &Dev{what: "kernel file /" + clean, every: time.Millisecond, done: make(chan result, 1)}
	place := place{tree: tree, dir: clean, name: o.Name}
	switch {
	case strings.HasPrefix(path.Base(clean), "in_temp"), strings.HasPrefix(path.Base(clean), "temp") && strings.HasSuffix(clean, "_input"):
		place.dir, place.channel = path.Split(clean)
		place.dir = path.Clean(place.dir)
	case path.Base(clean) == "w1_slave", path.Base(clean) == "temperature":
		place.dir = path.Dir(clean)
	}
	switch {
	case strings.HasPrefix(path.Base(place.dir), "iio:device"):
		i := &iio{place: place, o: o}
		d.measure = i.read
	case strings.HasPrefix(path.Base(place.dir), "hwmon"):
		h := &hwmon{place: place}
		d.measure = h.read
	case familyForm.MatchString(path.Base(place.dir)):
		w := &oneWire{place: place}
		d.measure, d.every = w.read, conversion
	default:
		return nil, fmt.Errorf("%s is no thermometer of the kernel's: give a folder such as /sys/bus/iio/devices/iio:device0, "+
			"/sys/class/hwmon/hwmon0 or /sys/bus/w1/devices/28-0316a2791234, or one of its temperature files", name)
	}
	return d, nil
}

// String names the file.
func (d *Dev) String() string { return d.what }

// MinInterval is a conversion's time where the kernel waits for one, else next to nothing.
func (d *Dev) MinInterval() time.Duration { return d.every }

// Read gives the temperature. The kernel may block for as long as it likes, so the reading is done by a
// goroutine, never two at once, and one that comes too late is thrown away.
func (d *Dev) Read(ctx context.Context) (sensor.Reading, error) {
	for d.busy {
		select {
		case <-d.done:
			d.busy = false
		case <-ctx.Done():
			return sensor.Bad(sensor.Stale), fmt.Errorf("%s: the kernel has not answered an earlier reading yet: %w", d.what, ctx.Err())
		}
	}
	d.busy = true
	go func() {
		c, err := d.measure()
		d.done <- result{c, err}
	}()
	select {
	case r := <-d.done:
		d.busy = false
		return d.reading(r)
	case <-ctx.Done():
		return sensor.Bad(sensor.Stale), fmt.Errorf("%s: no answer in time: %w", d.what, ctx.Err())
	}
}

func (d *Dev) reading(r result) (sensor.Reading, error) {
	if r.err != nil {
		fault := sensor.BusFault
		var f *failure
		if errors.As(r.err, &f) {
			fault = f.fault
		}
		return sensor.Bad(fault), fmt.Errorf("%s: %w", d.what, r.err)
	}
	t, ok := sensor.FromCelsius(r.celsius)
	if !ok || r.celsius < coldest || r.celsius > hottest {
		return sensor.Bad(sensor.Range), fmt.Errorf("%s: %g °C is no temperature that a probe gives: look at its scale and offset", d.what, r.celsius)
	}
	return sensor.Reading{Temp: t}, nil
}

// The span of every thermometer that the kernel knows: types E to T from -270 °C, type B to 1820 °C.
const (
	coldest = -270
	hottest = 1820
)

// place is a device's folder, its channel's file, and the name that holds it when numbers move.
type place struct {
	tree    fs.FS
	dir     string
	channel string
	name    string
}

// find gives the device's folder and its name now.
func (p *place) find() (dir, name string, err error) {
	name, err = p.text(path.Join(p.dir, "name"))
	if p.name == "" || err == nil && name == p.name {
		if _, statErr := fs.Stat(p.tree, p.dir); statErr != nil {
			return "", "", absent(p.dir, statErr)
		}
		return p.dir, name, nil // a 1-wire device may have no name
	}
	entries, err := fs.ReadDir(p.tree, path.Dir(p.dir))
	if err != nil {
		return "", "", absent(path.Dir(p.dir), err)
	}
	for _, e := range entries {
		other := path.Join(path.Dir(p.dir), e.Name())
		if n, err := p.text(path.Join(other, "name")); err != nil || n != p.name {
			continue
		}
		if dir != "" {
			return "", "", fail(sensor.BusFault, "both /%s and /%s are called %s, and neither is /%s: leave the name out and give the right path", dir, other, p.name, p.dir)
		}
		dir = other
	}
	if dir == "" {
		return "", "", fail(sensor.BusFault, "nothing in /%s is called %s: %w", path.Dir(p.dir), p.name, sensor.ErrNoDevice)
	}
	return dir, p.name, nil
}

func absent(file string, err error) error {
	if errors.Is(err, fs.ErrNotExist) {
		return fail(sensor.BusFault, "/%s is not there: is the driver loaded? %w", file, sensor.ErrNoDevice)
	}
	return fail(sensor.BusFault, "/%s: %w", file, err)
}

// text reads a small file without the newline at its end.
func (p *place) text(file string) (string, error) {
	f, err := p.tree.Open(file)
	if err != nil {
		return "", err
	}
	defer f.Close() // it was read: closing it can lose nothing
	var buffer [512]byte
	n := 0
	for n < len(buffer) {
		m, err := f.Read(buffer[n:])
		n += m
		if m == 0 || err != nil {
			if err != nil && !isEnd(err) {
				return "", err
			}
			break
		}
	}
	return strings.TrimRight(string(buffer[:n]), "\n\x00 "), nil
}

func isEnd(err error) bool { return errors.Is(err, io.EOF) }

// number reads a file that holds one number. A file that is there and empty is a conversion that failed.
func (p *place) number(file string) (float64, error) {
	s, err := p.text(file)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return 0, absent(file, err)
	case err != nil:
		return 0, kernelError(file, err)
	case s == "":
		return 0, fail(sensor.Stale, "/%s is empty: the conversion failed or is under way", file)
	}
	v, err := strconv.ParseFloat(s, 64)
	if err != nil {
		return 0, fail(sensor.BusFault, "/%s holds %q, no number", file, s)
	}
	return v, nil
}

// kernelError gives the fault that an error number stands for: drivers have no other way to tell.
func kernelError(file string, err error) error {
	switch {
	case errors.Is(err, syscall.ETIMEDOUT), errors.Is(err, syscall.EAGAIN), errors.Is(err, syscall.EBUSY):
		return fail(sensor.Stale, "/%s: %w", file, err)
	case errors.Is(err, syscall.ERANGE):
		return fail(sensor.Range, "/%s: %w", file, err)
	case errors.Is(err, fs.ErrPermission):
		return fail(sensor.BusFault, "/%s may not be read by this user: %w", file, err)
	}
	return fail(sensor.BusFault, "/%s: %w", file, err)
}

// optional reads a number that need not be there.
func (p *place) optional(file string, otherwise float64) (float64, error) {
	if _, err := fs.Stat(p.tree, file); errors.Is(err, fs.ErrNotExist) {
		return otherwise, nil
	}
	return p.number(file)
}

// flag reports whether a file is there and holds 1.
func (p *place) flag(file string) bool {
	s, err := p.text(file)
	return err == nil && s == "1"
}

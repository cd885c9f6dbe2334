package bus

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	"strings"
	"syscall"

	"periph.io/x/conn/v3/i2c"
	"periph.io/x/conn/v3/physic"
	"periph.io/x/conn/v3/spi"
	"periph.io/x/host/v3/sysfs"

	"holdbell/sensor"
)

// spiPort is a chip select, and the lock on it.
type spiPort struct {
	port *sysfs.SPI
	conn spi.Conn
	lock *os.File
}

// openSPI opens /dev/spidevB.C. Two programs on one chip give both of them nonsense, so the node is locked
// (advisory, released by the kernel when the process ends).
func (b board) openSPI(bus, cs int, c sensor.SPIConfig) (Port, error) {
	lock, err := lockNode(fmt.Sprintf("%s/dev/spidev%d.%d", b.root, bus, cs))
	if err != nil {
		return nil, err
	}
	port, err := sysfs.NewSPI(bus, cs)
	if err != nil {
		return nil, errors.Join(err, lock.Close())
	}
	conn, err := port.Connect(physic.Frequency(c.Hz)*physic.Hertz, spi.Mode(c.Mode), 8)
	if err != nil {
		return nil, errors.Join(err, port.Close(), lock.Close())
	}
	return &spiPort{port, conn, lock}, nil
}

func (p *spiPort) Tx(w, r []byte) error { return p.conn.Tx(w, r) }

func (p *spiPort) Close() error { return errors.Join(p.port.Close(), p.lock.Close()) }

// lockNode opens and locks a device node.
func lockNode(node string) (*os.File, error) {
	f, err := os.OpenFile(node, os.O_RDWR, 0)
	if err != nil {
		return nil, err
	}
	err = syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB)
	if err == nil {
		return f, nil
	}
	if errors.Is(err, syscall.EWOULDBLOCK) {
		err = fmt.Errorf("%s is in use by another program%s: stop it, or ask the running daemon instead", node, lockHolder(f))
	}
	return nil, errors.Join(err, f.Close())
}

// lockHolder names the process that has f locked, or nothing when that cannot be told.
func lockHolder(f *os.File) string {
	var stat syscall.Stat_t
	if err := syscall.Fstat(int(f.Fd()), &stat); err != nil {
		return ""
	}
	if pid := lockedBy(stat.Ino); pid != "" {
		return " (process " + pid + ")"
	}
	return ""
}

// lockedBy is the process that holds a lock on an inode, from /proc/locks; empty for none.
func lockedBy(ino uint64) string {
	locks, err := os.ReadFile("/proc/locks")
	if err != nil {
		return ""
	}
	inode := fmt.Sprintf(":%d", ino)
	for line := range bytes.Lines(locks) {
		// "1: FLOCK  ADVISORY  WRITE 4711 00:05:321 0 EOF", the sixth being major:minor:inode (man proc_locks).
		if f := strings.Fields(string(line)); len(f) >= 6 && f[1] == "FLOCK" && strings.HasSuffix(f[5], inode) {
			return f[4]
		}
	}
	return ""
}

// i2cPort is one address on a bus.
type i2cPort struct {
	bus *sysfs.I2C
	dev i2c.Dev
}

// openI2C opens /dev/i2c-N for one address. It is not locked: other programs may well use other chips on the bus.
func (b board) openI2C(bus int, addr uint16) (Port, error) {
	// periph replaces the kernel's error number by words; a plain opening first tells it.
	f, err := os.OpenFile(fmt.Sprintf("%s/dev/i2c-%d", b.root, bus), os.O_RDWR, 0)
	if err != nil {
		return nil, err
	}
	if err := f.Close(); err != nil {
		return nil, err
	}
	i, err := sysfs.NewI2C(bus)
	if err != nil {
		return nil, err
	}
	return &i2cPort{i, i2c.Dev{Bus: i, Addr: addr}}, nil
}

func (p *i2cPort) Tx(w, r []byte) error { return p.dev.Tx(w, r) }

func (p *i2cPort) Close() error { return p.bus.Close() }

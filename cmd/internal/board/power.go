package board

import (
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"

	"golang.org/x/sys/unix"

	"holdbell/rules"
	"holdbell/sensor/sysfs"
)

const silent = "this kernel does not say"

// power looks at the board's own supply and at the mains. The kernel forgets a low supply once somebody has looked:
// a running daemon may have been first.
func (b *board) power() {
	const mend = "use the board's own power supply and a short, thick cable; probes read wrongly on a low one"
	supply := sysfs.ReadSupply(os.DirFS(b.root))
	switch {
	case supply == sysfs.SupplyLow, b.running != nil && b.running.Supply == rules.SupplyIsLow:
		b.wrong("supply", "the board is or was under its lowest voltage", mend)
	case supply == sysfs.SupplyFine:
		b.ok("supply", "its voltage is high enough")
	default:
		b.ok("supply", silent)
	}
	named := b.config.Mains
	switch mains := sysfs.ReadMains(os.DirFS(b.root), named); {
	case mains == sysfs.MainsOff:
		b.wrong("mains", "the mains power is off: the board lives on its battery", "look at the plug and the breaker")
	case mains == sysfs.MainsOn:
		b.ok("mains", "on")
	case named != "":
		b.wrong("mains", named+", which the configuration names, says nothing", "name one of those in /sys/class/power_supply, or take board: { mains: } out")
	default:
		b.ok("mains", silent)
	}
}

// clock looks whether somebody sets it, and whether it goes on while the board is off. The chip's own time is not
// read: most of them hang on I2C.
func (b *board) clock() {
	var chips []string
	for _, name := range b.names("sys/class/rtc") {
		what := name
		if s, err := b.text("sys/class/rtc/" + name + "/name"); err == nil && s != "" {
			what = fmt.Sprintf("%s (%.60s)", name, s)
		}
		chips = append(chips, what)
	}
	set, known := b.synced()
	const (
		network = "give the board a network and run: sudo timedatectl set-ntp true"
		fit     = "fit one with a battery and name it in /boot/firmware/config.txt, such as dtoverlay=i2c-rtc,ds3231 on Raspberry Pi OS"
	)
	switch {
	case !known:
		b.ok("clock", silent)
	case set:
		b.ok("clock", "set by the network")
	case len(chips) > 0:
		b.look("clock", "not set by anybody since the board started: it goes by its chip alone", network)
	default:
		b.wrong("clock", "not set by anybody since the board started: the record's times cannot be believed", network)
	}
	if len(chips) == 0 {
		b.look("clock chip", "none: after a power cut without a network the length of the gap is unknown", fit)
		return
	}
	b.ok("clock chip", strings.Join(chips, ", "))
}

// How little space is wrong, and how little ought to be looked at. The record of 8 probes at 1 s grows by 0.55 GB a
// year (README, Limits): these are six weeks and nearly a year of it. Common practice.
const (
	leastSpace = 64 << 20
	smallSpace = 512 << 20
)

// card looks at the folder of the record, and at what the card says of its wear.
func (b *board) card() {
	b.space(filepath.Dir(b.config.Ledger))
	b.wear()
}

func (b *board) space(dir string) {
	const about = "card space"
	info, err := os.Stat(b.path(dir))
	var st unix.Statfs_t
	if err == nil {
		err = b.statfs(b.path(dir), &st)
	}
	switch {
	case os.IsNotExist(err):
		b.wrong("record", dir+" is not there", fmt.Sprintf("sudo install -d -o %s -m 0750 %s", b.user.name, dir))
		return
	case err != nil:
		b.look("record", fmt.Sprintf("%s cannot be looked at: %s", dir, why(err)), "run this check with sudo")
		return
	case !info.IsDir():
		b.wrong("record", dir+" is no folder", "move it away, or give the ledger another path")
		return
	case st.Flags&unix.ST_RDONLY != 0:
		b.wrong("record", dir+" lies on a file system that is read only: nothing can be recorded", "a failing card does that: look at dmesg, and put in a new card")
	case !b.may(info, 7):
		b.wrong("record", fmt.Sprintf("%s: %s: %s may not write there", dir, b.owned(info), b.user.name), fmt.Sprintf("sudo chown %s %s", b.user.name, dir))
	default:
		b.ok("record", fmt.Sprintf("%s: %s may write there", dir, b.user.name))
	}
	free, all := st.Bavail*uint64(st.Bsize), st.Blocks*uint64(st.Bsize)
	said := fmt.Sprintf("%s free of %s for %s", size(free), size(all), dir)
	const mend = "free some, or put in a larger card; see what is large: sudo du -xh / | sort -h | tail"
	switch {
	case all == 0:
		b.ok(about, silent)
	case free < leastSpace:
		b.wrong(about, said, mend)
	case free < smallSpace:
		b.look(about, said, mend)
	default:
		b.ok(about, said)
	}
}

// The words of an eMMC's wear (JEDEC JESD84-B51, EXT_CSD 267 to 269; in sysfs since Linux 46bc5c408e4e): a step of
// life_time is a tenth of what was promised, 11 more than all; pre_eol_info is 1 normal, 2 and 3 when four fifths
// and nine tenths of the spare blocks are gone (nine tenths from memory). 0 says nothing.
const (
	lateLife = 0x09
	pastLife = 0x0B
	warnEOL  = 0x02
	endEOL   = 0x03
)

// wear asks every card and built-in memory. Most plain cards keep no such books.
func (b *board) wear() {
	const mend = "put in a new card or board soon, and keep a copy of the record: holdbell records --format csv"
	told := false
	for _, name := range b.names("sys/block") {
		life, eol := 0, 0
		for _, n := range b.hexes("sys/block/" + name + "/device/life_time") {
			life = max(life, n)
		}
		for _, n := range b.hexes("sys/block/" + name + "/device/pre_eol_info") {
			eol = max(eol, n)
		}
		if life == 0 && eol == 0 {
			continue
		}
		told = true
		said := fmt.Sprintf("%s has used at most %d %% of its life", name, min(life, 10)*10)
		switch {
		case life >= pastLife:
			said = name + " has lived longer than its maker promises"
		case life == 0:
			said = name + " does not say how much it has lived"
		}
		switch {
		case eol == warnEOL:
			said += ", and most of its spare blocks are used"
		case eol >= endEOL:
			said += ", and nearly all of its spare blocks are used"
		}
		switch {
		case life >= pastLife, eol >= endEOL:
			b.wrong("card wear", said, mend)
		case life >= lateLife, eol == warnEOL:
			b.look("card wear", said, mend)
		default:
			b.ok("card wear", said)
		}
	}
	if !told {
		b.ok("card wear", "this card does not say")
	}
}

// hexes reads numbers such as "0x01 0x02"; what is none is left out.
func (b *board) hexes(file string) []int {
	text, err := b.text(file)
	if err != nil {
		return nil
	}
	var all []int
	for _, w := range strings.Fields(text) {
		if n, err := strconv.ParseUint(w, 0, 8); err == nil {
			all = append(all, int(n))
		}
	}
	return all
}

// size writes bytes for people.
func size(n uint64) string {
	switch {
	case n >= 1e9:
		return fmt.Sprintf("%.1f GB", float64(n)/1e9)
	case n >= 1e6:
		return fmt.Sprintf("%d MB", n/1e6)
	}
	return fmt.Sprintf("%d kB", n/1e3)
}

// Package board looks at the board that holdbell runs on, and says what is right with it, what is wrong, and what
// mends it. It looks at files, at the clock and at ports: nothing goes over a bus, for that is the daemon's, and no
// temperature of the kernel's is read, for that goes over one too.
package board

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net"
	"os"
	"path/filepath"
	"strings"
	"time"

	"golang.org/x/sys/unix"

	"holdbell/cmd/internal/daemon"
	"holdbell/configs"
	"holdbell/publish/page"
)

// Word is what came of one look.
type Word string

// OK also stands where nobody can say: what a kernel does not tell is no fault. Look is for what works now and ought
// to be looked at. Wrong wants mending.
const (
	OK    Word = "ok"
	Look  Word = "look"
	Wrong Word = "wrong"
)

// Finding is one line of the page.
type Finding struct {
	Word  Word
	About string // a word or two: "SPI0.1", "clock"
	Found string
	Mend  string // what to do about it; empty with OK
}

// Options say what is looked at.
type Options struct {
	Root   string // of the kernel's and the system's files, / on a board
	Config *configs.Config
	Socket string // of the daemon, as this machine names it
	Test   bool   // send a test message through each phone target
}

// Examine looks at everything, in the order in which a person mends: what the probes need, the power, the clock, the
// card, the ways out, and who restarts what hangs.
func Examine(ctx context.Context, o Options) []Finding {
	return examine(ctx, newBoard(o))
}

func examine(ctx context.Context, b *board) []Finding {
	b.service = readService(b.root)
	b.user = b.subject()
	alive, running := b.daemon(ctx)
	b.running = running
	for _, w := range b.config.Warnings {
		b.look("config", fmt.Sprintf("%s:%d:%d: %s", w.File, w.Line, w.Column, w.What), w.Fix)
	}
	b.inForce()
	b.users()
	b.nodes()
	b.kernelFiles()
	b.panel()
	b.power()
	b.clock()
	b.card()
	b.broker(ctx)
	b.receiver(ctx)
	b.phones(ctx)
	b.found = append(b.found, alive)
	b.unit()
	b.watchdog()
	return b.found
}

// board is one look under way. What is not in files is asked through its fields, so that a test can answer.
type board struct {
	root    string
	config  *configs.Config
	socket  string
	test    bool
	service service
	user    user
	running *page.StateReport // nil without a daemon that answers
	found   []Finding

	owner  func(fs.FileInfo) (uid, gid int)
	self   func() user
	synced func() (set, known bool)
	statfs func(path string, st *unix.Statfs_t) error
	dial   func(ctx context.Context, network, address string) (net.Conn, error)
	state  func(ctx context.Context, socket string) ([]byte, error)
	send   func(ctx context.Context, p *configs.Phone) error
}

func newBoard(o Options) *board {
	root := filepath.Clean(o.Root)
	b := &board{
		root: root, config: o.Config, socket: o.Socket, test: o.Test,
		owner: owner, self: thisProcess, synced: func() (bool, bool) { return daemon.ClockSet(root) }, statfs: unix.Statfs,
		dial:  new(net.Dialer).DialContext,
		state: func(ctx context.Context, socket string) ([]byte, error) { return page.NewClient(socket).State(ctx) },
	}
	b.send = b.ring
	return b
}

func (b *board) ok(about, found string)          { b.say(OK, about, found, "") }
func (b *board) look(about, found, mend string)  { b.say(Look, about, found, mend) }
func (b *board) wrong(about, found, mend string) { b.say(Wrong, about, found, mend) }

func (b *board) say(w Word, about, found, mend string) {
	b.found = append(b.found, Finding{w, about, found, mend})
}

// path is where a file of the board's lies for this process.
func (b *board) path(file string) string { return filepath.Join(b.root, file) }

// mostText is far more than any file that is read here has.
const mostText = 64 << 10

// text reads a small file, without blanks around it. It gives fs.ErrNotExist for one that is not there.
func (b *board) text(file string) (string, error) { return readText(b.path(file)) }

func readText(path string) (string, error) {
	info, err := os.Stat(path)
	if err != nil {
		return "", err
	}
	if !info.Mode().IsRegular() { // a pipe would hold us for ever
		return "", fmt.Errorf("%s is no file", path)
	}
	f, err := os.Open(path)
	if err != nil {
		return "", err
	}
	defer f.Close()
	raw, err := io.ReadAll(io.LimitReader(f, mostText+1))
	switch {
	case err != nil:
		return "", err
	case len(raw) > mostText:
		return "", fmt.Errorf("%s is larger than %d bytes", path, mostText)
	}
	return strings.Trim(string(raw), " \t\r\n\x00"), nil
}

// names lists a folder of the board's in order; none when it is not there.
func (b *board) names(dir string) []string {
	entries, err := os.ReadDir(b.path(dir))
	if err != nil {
		return nil
	}
	names := make([]string, len(entries))
	for i, e := range entries {
		names[i] = e.Name()
	}
	return names
}

// why is an error without the path that its sentence names already.
func why(err error) string {
	var p *fs.PathError
	if errors.As(err, &p) {
		return p.Err.Error()
	}
	return err.Error()
}

// Write prints the page, and gives how many lines are wrong.
func Write(out io.Writer, found []Finding) (wrong int, err error) {
	count := map[Word]int{}
	width := 0
	for _, f := range found {
		count[f.Word]++
		width = max(width, len(f.About))
	}
	var page strings.Builder
	for _, f := range found {
		fmt.Fprintf(&page, "%-5s  %-*s  %s\n", f.Word, width, f.About, f.Found)
		if f.Mend != "" {
			fmt.Fprintf(&page, "%*s  mend: %s\n", 5+2+width, "", f.Mend)
		}
	}
	fmt.Fprintf(&page, "\n%d wrong, %d to look at, %d ok\n", count[Wrong], count[Look], count[OK])
	_, err = io.WriteString(out, page.String())
	return count[Wrong], err
}

// patience is how long a port or the daemon may take to answer.
const patience = 2 * time.Second

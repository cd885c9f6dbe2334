package ledger

import (
	"bytes"
	"context"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"holdbell/rules"
)

const (
	// faultFolder is set for a child of TestFaults: where its ledger and its copy lie.
	faultFolder = "HOLDBELL_TEST_FAULT_FOLDER"
	// faultsShort is about how many faults the normal run makes in each of the two folders.
	faultsShort = 12
)

// errnos say with what each call to the file system is made to fail.
var errnos = map[string][]string{
	"pwrite64": {"EIO", "ENOSPC"}, "write": {"EIO", "ENOSPC"}, "fsync": {"EIO", "ENOSPC"}, "fdatasync": {"EIO", "ENOSPC"},
	"ftruncate": {"EIO", "ENOSPC"}, "open": {"EIO", "ENOSPC"}, "openat": {"EIO", "ENOSPC"}, "renameat": {"EIO", "ENOSPC"}, "unlinkat": {"EIO"}, "unlink": {"EIO"},
	"pread64": {"EIO"}, "read": {"EIO"}, "newfstatat": {"EIO"}, "fstat": {"EIO"}, "stat": {"EIO"}, "lstat": {"EIO"}, "statfs": {"EIO"},
	"access": {"EIO"}, "flock": {"ENOLCK"}, "fcntl": {"EIO"}, "mmap": {"ENOMEM"}, "fchmod": {"EIO"}, "fchown": {"EPERM"}, "lseek": {"EIO"},
}

// unhurt are calls that are left alone: to close and to unmap cannot fail for want of a disk. epoll_ctl and getdents are the
// Go runtime's own.
var unhurt = []string{"close", "munmap", "epoll_ctl", "getcwd", "readlink", "readlinkat"}

// wound is one fault: the n-th call of its name in a thread, and with stays all after it.
type wound struct {
	where string // ledger or copy
	call  string
	errno string
	n     int
	stays bool
}

func (f wound) String() string {
	s := fmt.Sprintf("%s/%s/%s/%d", f.where, f.call, f.errno, f.n)
	if f.stays {
		s += "+"
	}
	return s
}

// TestFaults makes every call of the ledger to the file system fail, one after the other, once or from then on, in a
// child that lives through a watch with all that a ledger does. The child goes on whatever happens. What it said was
// durable has to be there afterwards, what it told and is missing was told as unrecorded, the numbers are
// dense, the chain fits, and a restart stands where the child stood.
//
// The normal run takes a few of the faults, others each time. HOLDBELL_FAULTS=all takes them all; a regular expression
// takes those whose names it fits, such as ledger/fsync/EIO/12+ with its plus sign escaped.
func TestFaults(t *testing.T) {
	if folder := os.Getenv(faultFolder); folder != "" {
		faultChild(t, folder)
		return
	}
	needStrace(t)
	begun := time.Now()
	which := os.Getenv("HOLDBELL_FAULTS")
	fits, err := regexp.Compile("^(" + strings.ReplaceAll(which, "all", ".*") + ")$")
	if err != nil {
		t.Fatalf("HOLDBELL_FAULTS=%s: %v; write all, or a regular expression", which, err)
	}
	var wounds []wound
	for _, where := range []string{"ledger", "copy"} {
		all := faultPlan(t, where)
		if which == "" { // half a minute each, now and then: SQLite waits for locks by its own clock
			all = slices.DeleteFunc(all, func(f wound) bool { return f.call == "fcntl" })
		}
		every, first := 1, 0
		if which == "" {
			every = max(1, len(all)/faultsShort)
			first = rand.IntN(every)
		}
		t.Logf("%s: %d faults to make, from %d on every %d", where, len(all), first, every)
		for i := first; i < len(all); i += every {
			if which == "" || fits.MatchString(all[i].String()) {
				wounds = append(wounds, all[i])
			}
		}
	}
	if len(wounds) == 0 {
		t.Fatalf("HOLDBELL_FAULTS=%s: no such fault; write all, or a name as a failure has it", which)
	}
	rand.Shuffle(len(wounds), func(i, j int) { wounds[i], wounds[j] = wounds[j], wounds[i] })
	var mu sync.Mutex
	var made, moved int
	var workers sync.WaitGroup
	next := make(chan wound)
	for range runtime.GOMAXPROCS(0) {
		workers.Go(func() {
			for f := range next {
				start := time.Now()
				v := runWound(t, f)
				t.Logf("%v: %d calls failed, %v", f, v.made, time.Since(start).Round(time.Millisecond))
				mu.Lock()
				made += v.made
				moved += v.moved
				mu.Unlock()
			}
		})
	}
	for _, f := range wounds {
		next <- f
	}
	close(next)
	workers.Wait()
	if made < len(wounds) {
		t.Errorf("%d faults were made in %d runs", made, len(wounds))
	}
	t.Logf("%d runs, %d calls failed, %d times the record was moved aside, %v", len(wounds), made, moved, time.Since(begun).Round(time.Second))
}

// needStrace skips without the tracer, or where it may trace nobody; with HOLDBELL_REQUIRE=1 that fails.
func needStrace(t *testing.T) {
	t.Helper()
	if out, err := exec.Command("strace", "-f", "--seccomp-bpf", "-o", os.DevNull, "true").CombinedOutput(); err != nil {
		if os.Getenv("HOLDBELL_REQUIRE") == "1" {
			t.Fatalf("strace: %v %s; apt-get install strace, and let this user trace", err, out)
		}
		t.Skipf("strace: %v %s; apt-get install strace, and let this user trace", err, out)
	}
}

// traced runs a child in folder under the tracer with more arguments, and gives what it said and the trace.
func traced(t *testing.T, folder, where string, args ...string) (said, trace string) {
	t.Helper()
	for _, name := range []string{"ledger", "copy"} {
		if err := os.MkdirAll(filepath.Join(folder, name), 0o700); err != nil {
			t.Error(err)
		}
	}
	dir, log := filepath.Join(folder, where), filepath.Join(folder, "trace")
	all := []string{"-f", "--seccomp-bpf", "-qq", "-o", log, "-P", dir}
	for _, name := range []string{"ledger.db", "ledger.db.new", "memory.a", "memory.b", "memory.a.new", "memory.b.new"} {
		for _, tail := range []string{"", "-wal", "-shm", "-journal", "-lock"} {
			all = append(all, "-P", filepath.Join(dir, name+tail))
		}
	}
	all = append(append(all, args...), os.Args[0], "-test.run=^TestFaults$", "-test.timeout=3m")
	cmd := exec.Command("strace", all...)
	cmd.Env = append(os.Environ(), faultFolder+"="+folder)
	var out bytes.Buffer
	cmd.Stdout, cmd.Stderr = &out, &out
	err := cmd.Run()
	said = out.String()
	if err != nil {
		t.Errorf("%s: the child ended with %v", args, err)
	}
	b, err := os.ReadFile(log)
	if err != nil {
		t.Error(err)
	}
	return said, string(b)
}

// faultPlan gives every fault that can be made: it counts the calls of a child that is left alone.
func faultPlan(t *testing.T, where string) (all []wound) {
	t.Helper()
	folder := fastDir(t)
	said, trace := traced(t, folder, where)
	wound{where: where}.judge(t, folder, said)
	if strings.Contains(said, "fails") || !strings.Contains(said, "durable") {
		t.Fatalf("a child without faults says\n%s", said)
	}
	counts := map[[2]string]int{} // of a thread and a call
	most := map[string]int{}
	for _, m := range regexp.MustCompile(`(?m)^(\d+) +(\w+)\(`).FindAllStringSubmatch(trace, -1) {
		if slices.Contains(unhurt, m[2]) {
			continue
		}
		if errnos[m[2]] == nil {
			t.Errorf("the ledger calls %s, which this test has no fault for", m[2])
		}
		key := [2]string{m[1], m[2]}
		counts[key]++
		most[m[2]] = max(most[m[2]], counts[key])
	}
	var calls []string
	for call := range most {
		calls = append(calls, call)
	}
	slices.Sort(calls)
	for _, call := range calls {
		t.Logf("%s: %d times %s", where, most[call], call)
		for n := 1; n <= most[call]; n++ {
			for _, errno := range errnos[call] {
				all = append(all, wound{where, call, errno, n, false})
				if call != "fcntl" { // for a lock SQLite waits 5 s each time, and not by the bubble's clock
					all = append(all, wound{where, call, errno, n, true})
				}
			}
		}
	}
	return all
}

// verdict is what came of a fault.
type verdict struct{ made, moved int }

// runWound makes one fault in a child, and judges what it leaves behind.
func runWound(t *testing.T, f wound) (v verdict) {
	folder, err := os.MkdirTemp(fastRoot, "holdbell")
	if err != nil {
		t.Error(err)
		return v
	}
	defer os.RemoveAll(folder)
	when := strconv.Itoa(f.n)
	if f.stays {
		when += "+"
	}
	said, trace := traced(t, folder, f.where, "-e", "trace="+f.call, "-e", "inject="+f.call+":error="+f.errno+":when="+when)
	v.made = strings.Count(trace, "(INJECTED)")
	if v.made == 0 {
		t.Errorf("%v was not made", f)
	}
	path, _ := faultyPaths(folder)
	aside, _ := filepath.Glob(path + ".*Z")
	v.moved = len(aside)
	if !f.judge(t, folder, said) {
		t.Logf("%v: the child said\n%s", f, said)
	}
	return v
}

// judge holds what lies in folder to what the child said.
func (f wound) judge(t *testing.T, folder, said string) (well bool) {
	well = true
	bad := func(format string, args ...any) {
		well = false
		t.Errorf("%v: "+format, append([]any{f}, args...)...)
	}
	if strings.Contains(said, "panic") || strings.Contains(said, "--- FAIL") || !strings.Contains(said, "\nPASS") {
		bad("the child did not end well")
		return well
	}
	path, copyPath := faultyPaths(folder)
	l, err := Open(path, Options{CopyPath: copyPath})
	if err != nil {
		bad("opening: %v", err)
		return well
	}
	defer l.Close()
	// What cannot be read for good is moved aside, and still holds what it held.
	aside, _ := filepath.Glob(path + ".*Z")
	if len(aside) > 0 && (f.call != "pread64" || !f.stays) {
		bad("a disk that fails is taken for a damaged record: %v", aside)
	}
	there, marks := map[uint64]rules.Event{}, map[string]bool{}
	for _, name := range append(aside, path) {
		one := l
		if name != path {
			if one, err = Open(name, Options{}); err != nil {
				bad("%s: %v", name, err)
				continue
			}
			defer one.Close()
		}
		recorded, err := one.Events(context.Background(), 0, 1<<20)
		if err != nil {
			bad("events: %v", err)
		}
		for _, ev := range recorded {
			if _, twice := there[ev.Seq]; twice {
				bad("event %d is recorded twice", ev.Seq)
			}
			there[ev.Seq] = ev
		}
		for in, err := range one.Inputs(0, nil) {
			if err != nil {
				bad("inputs: %v", err)
				break
			}
			for _, m := range in.Marks {
				marks[m.ID] = true
			}
		}
		if v, err := one.Verify(context.Background(), VerifyOptions{}); err != nil || v.Break != nil {
			bad("the chain: %+v %v", v, err)
		}
	}
	r, err := Resume(l, copyPath)
	if r == nil {
		bad("resume: %v", err)
		return well
	}
	end, at, failed, troubled := "", "", false, false
	lost, last := 0, r.LastSeq
	synced := true // whether anything can be durable any more
	for line := range strings.Lines(said) {
		words := strings.Fields(line)
		if len(words) > 1 && !synced && (words[0] == "durable" || words[0] == "got") {
			bad("%sand not one fsync succeeded any more", line)
		}
		switch {
		case len(words) == 2 && words[0] == "durable":
			if !marks[words[1]] {
				bad("mark %s was answered and is not recorded", words[1])
			}
		case len(words) == 3 && (words[0] == "got" || words[0] == "unrecorded"):
			seq, err := strconv.ParseUint(words[1], 10, 64)
			ev, ok := there[seq]
			switch {
			case err != nil:
				bad("%s: %v", line, err)
			case ok && contentOf(ev) != words[2]:
				bad("event %d was told with another content than is recorded", seq)
			case ok && ev.Unrecorded != (words[0] == "unrecorded"):
				bad("event %d was told as %s, and stands in the record with unrecorded %v", seq, words[0], ev.Unrecorded)
			case !ok && words[0] == "got":
				bad("event %d was told as recorded, and is not", seq)
			case !ok && seq > last:
				bad("event %d was told, and a restart would give its number again after %d", seq, last)
			case !ok:
				lost++
			}
		case len(words) == 1 && (words[0] == "begun" || words[0] == "closing"):
			at = words[0]
		case len(words) == 1 && words[0] == "troubled":
			troubled = true
		case len(words) > 1 && words[0] == "fails":
			failed = failed || at == "begun" && (words[1] == "commit" || words[1] == "reopen")
			synced = synced && (f.call != "fsync" || !f.stays)
		case len(words) > 1 && words[0] == "unwritten" && strings.Contains(line, "not recorded") && !f.stays:
			bad("one failure at the end, and not all was written: %s", line)
		case len(words) > 1 && words[0] == "end":
			end = strings.Join(words[1:], " ")
		}
	}
	if failed && !troubled {
		bad("writing failed, and nobody said so")
	}
	if uint64(len(there)+lost) != last || lost > 0 && !f.stays {
		bad("%d events up to number %d are recorded, and %d were told as unrecorded", len(there), last, lost)
	}
	w, err := revived(r.Snapshot)
	if err != nil {
		bad("%v", err)
		return well
	}
	for in, err := range l.Inputs(r.Sweep, nil) {
		if err != nil {
			bad("inputs: %v", err)
			break
		}
		w.step(in)
	}
	if w.String() != end {
		bad("a restart goes on from %v, the child was at %s", w, end)
	}
	c, err := LoadCopy(copyPath)
	if slots, _ := filepath.Glob(copyPath + ".[ab]"); err != nil && (!f.stays || len(slots) > 0) {
		bad("the copy: %v", err)
	}
	if v, err := l.Verify(context.Background(), VerifyOptions{Copy: c}); err != nil || v.Break != nil {
		bad("the chain: %+v %v", v, err)
	}
	sound(t, l)
	return well
}

package main

import (
	"bytes"
	"cmp"
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"syscall"
	"testing"
	"time"

	_ "modernc.org/sqlite"

	"holdbell/configs"
	"holdbell/publish/ledger"
	"holdbell/publish/page"
	"holdbell/rules"
)

// kills is how often TestKilledDaemon kills, unless HOLDBELL_KILLS says another number.
const kills = 50

// victim is a daemon that is killed again and again, with all around it: the kernel files that it reads, the
// broker, the person who marks, and what each of them knows.
type victim struct {
	t      *testing.T
	dir    string
	config string
	socket string
	chance *rand.Rand
	ear    *ear
	air    *flipping

	ids      int               // of the marks so far
	answered []string          // ids of the marks that a person was answered
	found    int               // so many of them are in the record
	missing  []standing        // alarms that stood before the last restart and did not after it: their end has to be recorded
	record   string            // the ledger's id
	alarms   map[standing]bool // that stand by the record
	audited  uint64            // up to this event
	first    watched           // the first state with the reference lot in it
	ready    int               // rounds in which the daemon came to answer before it was killed
}

// standing names an alarm.
type standing struct{ alarm, station, lot, probe string }

// TestKilledDaemon kills the whole daemon at random moments, in the middle of marks, alarms and deliveries, and
// holds each restart to what was told outside before: the record is sound and its numbers are dense, no answered
// mark and no told event is missing, no alarm is lost, and the danger clock of a lot that lies in the danger zone
// went on as if nothing had been. In the end every event was told, and the record fed to the rules anew
// decides the same.
func TestKilledDaemon(t *testing.T) {
	n := kills
	if text := os.Getenv("HOLDBELL_KILLS"); text != "" {
		var err error
		if n, err = strconv.Atoi(text); err != nil || n < 1 {
			t.Fatalf("HOLDBELL_KILLS=%s: write how often to kill, such as 1000", text)
		}
	}
	seed := rand.Uint64()
	t.Logf("seed %d", seed)
	v := newVictim(t)
	v.chance = rand.New(rand.NewPCG(seed, 0))
	v.air = flip(t, v.device(1), seed)
	for range n {
		v.round()
		v.audit()
		if t.Failed() {
			return
		}
	}
	v.rest()
	v.found, v.audited = 0, 0 // all of it once more
	v.audit()
	v.again()
	if v.ready < n/3 || len(v.answered) < n/3 || v.audited < uint64(n/3) {
		t.Errorf("in %d rounds the daemon answered in %d, to %d marks and with %d events: too little to prove anything", n, v.ready, len(v.answered), v.audited)
	}
	t.Logf("%d kills, %d of them in full work: %d marks answered, %d events recorded, %d told, %.1f s in the danger zone",
		n, v.ready, len(v.answered), v.audited, v.ear.count(), v.first.danger("reference"))
}

// newVictim gives a kitchen with nobody in it yet: three probes that stand still, a broker that is down.
func newVictim(t *testing.T) *victim {
	dir := shortDir(t)
	v := &victim{t: t, dir: dir, config: filepath.Join(dir, "kitchen.yaml"), socket: filepath.Join(dir, "s"),
		ear: newEar(t, "127.0.0.1:"+freePort(t)), alarms: map[standing]bool{}}
	for i, start := range []string{"50000", "60000", "64000"} {
		if err := os.MkdirAll(v.device(i), 0o755); err != nil {
			t.Fatal(err)
		}
		put(t, filepath.Join(v.device(i), "in_temp_input"), start)
	}
	put(t, v.config, fmt.Sprintf(`site: killed
units: celsius
period: 100ms
rules:
  food_code: us-fda-2022
  alarms:
    below-hot-limit: { raise_delay: 0s, clear_delay: 0s }
    probe-fault: { raise_delay: 0s, clear_delay: 0s }
probes:
  - { name: steady, file: "/sys/bus/iio/devices/iio:device0", offset: 0C }
  - { name: swing, file: "/sys/bus/iio/devices/iio:device1", offset: 0C, max_slew: 0C }
  - { name: loose, file: "/sys/bus/iio/devices/iio:device2", offset: 0C }
stations:
  - { name: counter, purpose: hot-holding, food: [steady] }
  - { name: warmer, purpose: hot-holding, air: loose, food: [swing] }
publish:
  http: { listen: "127.0.0.1:0" }
  mqtt: { broker: "tcp://%s" }
ledger: { path: %s }`, v.ear.addr, v.ledger()))
	return v
}

func (v *victim) ledger() string { return filepath.Join(v.dir, "ledger.db") }
func (v *victim) device(i int) string {
	return filepath.Join(v.dir, "root/sys/bus/iio/devices", fmt.Sprint("iio:device", i))
}

// put writes a kernel file so that a reader sees the old number or the new one.
func put(t *testing.T, path, text string) {
	if err := os.WriteFile(path+".new", []byte(text+"\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.Rename(path+".new", path); err != nil {
		t.Fatal(err)
	}
}

// soon waits for less than so many milliseconds: the random moment of this test.
func (v *victim) soon(below int) {
	<-time.After(time.Duration(v.chance.IntN(below)) * time.Millisecond)
}

// round starts the daemon, lets it work for a moment and kills it.
func (v *victim) round() {
	v.t.Helper()
	v.ear.listen(v.chance.IntN(4) > 0)
	cmd, said := v.start()
	if v.chance.IntN(4) == 0 { // in its first steps
		v.soon(200)
	} else {
		after := v.state(cmd, said)
		v.ready++
		v.goesOn(after)
		marking := make(chan []string)
		ctx, cancel := context.WithCancel(v.t.Context())
		go func() { marking <- v.mark(ctx) }()
		v.soon(250)
		if v.chance.IntN(3) == 0 {
			v.ear.listen(!v.ear.listening())
		}
		v.probe(v.chance.IntN(3) > 0)
		v.soon(250)
		defer func() { // once the daemon is dead
			cancel()
			v.answered = append(v.answered, <-marking...)
		}()
	}
	if err := cmd.Process.Kill(); err != nil {
		v.t.Fatal(err)
	}
	if err := cmd.Wait(); err == nil || cmd.ProcessState.ExitCode() != -1 {
		v.t.Fatalf("the daemon did not die of the kill: %v\n%s", err, said)
	}
}

func (v *victim) start() (*exec.Cmd, *bytes.Buffer) {
	v.t.Helper()
	said := new(bytes.Buffer)
	cmd := exec.Command("holdbell", "run", "--config", v.config, "--socket", v.socket, "--root", filepath.Join(v.dir, "root"))
	cmd.Stdout, cmd.Stderr = said, said
	cmd.SysProcAttr = &syscall.SysProcAttr{Pdeathsig: syscall.SIGKILL}
	if err := cmd.Start(); err != nil {
		v.t.Fatal(err)
	}
	return cmd, said
}

// state waits for the first state of the daemon.
func (v *victim) state(cmd *exec.Cmd, said *bytes.Buffer) (w watched) {
	v.t.Helper()
	look := time.NewTicker(5 * time.Millisecond)
	defer look.Stop()
	for deadline := time.After(patience); ; {
		raw, err := page.NewClient(v.socket).State(v.t.Context())
		if err == nil && json.Unmarshal(raw, &w) == nil && w.Sweeps > 0 {
			return w
		}
		select {
		case <-look.C:
		case <-deadline:
			_ = cmd.Process.Kill()
			_ = cmd.Wait()
			v.t.Fatalf("the daemon does not answer: %v\n%s", err, said)
		}
	}
}

// goesOn holds the state after a restart to the record and to the first state.
func (v *victim) goesOn(w watched) {
	v.t.Helper()
	if w.Seq < v.audited {
		v.t.Errorf("%d events are recorded, and the daemon goes on from %d", v.audited, w.Seq)
	}
	now := map[standing]bool{}
	for _, a := range w.Alarms {
		if a.Active {
			now[standing{string(a.Alarm), a.Station, a.Lot, a.Probe}] = true
		}
	}
	v.missing = nil
	for a := range v.alarms {
		if !now[a] {
			v.missing = append(v.missing, a)
		}
	}
	switch danger := w.danger("reference"); {
	case v.first.danger("reference") < 0:
		v.first = w
	case danger < 0:
		v.t.Error("the reference lot is gone")
	default:
		// It lies between the limits all along, so it has aged as the clock did, to the millisecond.
		aged, went := danger-v.first.danger("reference"), w.Monotonic-v.first.Monotonic
		if d := aged - went; d > 0.002 || d < -0.002 {
			v.t.Errorf("%.3f s went by and the lot aged %.3f s", went, aged)
		}
	}
}

// mark tells the daemon marks until it is dead, and gives the ids of those that it answered.
func (v *victim) mark(ctx context.Context) (answered []string) {
	client := page.NewClient(v.socket)
	for ctx.Err() == nil {
		v.ids++
		f := rules.MarkFields{Mark: "note", Station: "warmer", Note: "looked at it", ID: fmt.Sprint("m", v.ids)}
		switch {
		case !slices.Contains(append(answered, v.answered...), "reference"):
			f = rules.MarkFields{Mark: "load", Lot: "reference", Station: "counter", Note: "food=beef probe=steady", ID: "reference"}
		case !slices.Contains(append(answered, v.answered...), "swinger"):
			f = rules.MarkFields{Mark: "load", Lot: "swinger", Station: "warmer", Note: "food=beef probe=swing", ID: "swinger"}
		case v.ids%10 == 2:
			f = rules.MarkFields{Mark: "load", Lot: fmt.Sprint("piece-", v.ids), Station: "warmer", Note: "food=pork probe=swing", ID: f.ID}
		case v.ids%10 == 4:
			f = rules.MarkFields{Mark: "close", Lot: fmt.Sprint("piece-", v.ids-2), By: "first", ID: f.ID}
		}
		_, err := client.Mark(ctx, f)
		if errors.Is(err, page.ErrUnreachable) || ctx.Err() != nil {
			return answered
		}
		var refused *page.RefusedError
		if err == nil && !errors.As(err, &refused) {
			answered = append(answered, f.ID)
		}
	}
	return answered
}

// probe lets the air's probe read, or not.
func (v *victim) probe(works bool) {
	path := filepath.Join(v.device(2), "in_temp_input")
	if works {
		put(v.t, path, "64000")
	} else if err := os.Remove(path); err != nil && !errors.Is(err, fs.ErrNotExist) {
		v.t.Fatal(err)
	}
}

// audit looks into a copy of what the dead daemon left, as a power cut's finder would.
func (v *victim) audit() {
	v.t.Helper()
	db := v.copy()
	if db == nil {
		return
	}
	defer db.Close()
	var sound, id string
	var n, last uint64
	v.scan(db.QueryRow(`PRAGMA integrity_check`), &sound)
	v.scan(db.QueryRow(`SELECT value FROM meta WHERE key = 'id'`), &id)
	v.scan(db.QueryRow(`SELECT count(*), coalesce(max(seq), 0) FROM events`), &n, &last)
	v.record = cmp.Or(v.record, id)
	if sound != "ok" || id != v.record || n != last || last < v.audited {
		v.t.Fatalf("integrity: %s; record %s, was %s; %d events up to number %d, were %d", sound, id, v.record, n, last, v.audited)
	}
	for ; v.found < len(v.answered); v.found++ {
		var found bool
		id := v.answered[v.found]
		if v.scan(db.QueryRow(`SELECT EXISTS (SELECT 1 FROM marks WHERE id = ?)`, id), &found); !found {
			v.t.Errorf("mark %s was answered and is not recorded", id)
		}
	}
	told := v.ear.since(v.audited)
	ended := map[standing]bool{}
	rows, err := db.Query(`SELECT event FROM events WHERE seq > ? ORDER BY seq`, v.audited)
	if err != nil {
		v.t.Fatal(err)
	}
	defer rows.Close()
	for rows.Next() {
		var raw []byte
		var ev rules.Event
		if err := errors.Join(rows.Scan(&raw), json.Unmarshal(raw, &ev)); err != nil {
			v.t.Fatal(err)
		}
		if text, ok := told[ev.Seq]; ok && text != ev.Text {
			v.t.Errorf("event %d was told as %q and is recorded as %q", ev.Seq, text, ev.Text)
		}
		delete(told, ev.Seq)
		switch a := (standing{string(ev.Alarm), ev.Station, ev.Lot, ev.Probe}); ev.Kind {
		case rules.AlarmRaised:
			v.alarms[a] = true
		case rules.AlarmCleared:
			delete(v.alarms, a)
			ended[a] = true
		}
	}
	if err := rows.Err(); err != nil {
		v.t.Fatal(err)
	}
	for seq, text := range told {
		v.t.Errorf("event %d was told and is not recorded: %s", seq, text)
	}
	for _, a := range v.missing {
		if !ended[a] {
			v.t.Errorf("alarm %v stood, and after the restart neither stands nor has an end", a)
		}
	}
	v.audited, v.missing = last, nil
}

// copy opens a copy of the record and its log; nil when the daemon has not made one yet.
func (v *victim) copy() *sql.DB {
	v.t.Helper()
	to := filepath.Join(v.dir, "copy.db")
	for _, tail := range []string{"", "-wal", "-shm"} {
		if err := os.Remove(to + tail); err != nil && !errors.Is(err, fs.ErrNotExist) {
			v.t.Fatal(err)
		}
	}
	for _, tail := range []string{"", "-wal"} {
		b, err := os.ReadFile(v.ledger() + tail)
		switch {
		case errors.Is(err, fs.ErrNotExist) && (tail != "" || v.audited == 0):
			if tail == "" {
				return nil
			}
			continue
		case err != nil:
			v.t.Fatal(err)
		}
		if err := os.WriteFile(to+tail, b, 0o600); err != nil {
			v.t.Fatal(err)
		}
	}
	if aside, _ := filepath.Glob(v.ledger() + ".[ce]*-*"); len(aside) > 0 {
		v.t.Fatalf("a sound record was moved aside: %v", aside)
	}
	db, err := sql.Open("sqlite", to)
	if err != nil {
		v.t.Fatal(err)
	}
	return db
}

// scan reads a query's one row.
func (v *victim) scan(row *sql.Row, to ...any) {
	v.t.Helper()
	if err := row.Scan(to...); err != nil {
		v.t.Fatal(err)
	}
}

// rest starts the daemon once more, waits until everything was told, and stops it.
func (v *victim) rest() {
	v.t.Helper()
	v.ear.listen(true)
	cmd, said := v.start()
	v.goesOn(v.state(cmd, said))
	eventually(v.t, "every event is told", func() bool {
		return v.ear.count() >= v.state(cmd, said).Seq
	})
	v.first = v.state(cmd, said)
	if err := cmd.Process.Signal(syscall.SIGTERM); err != nil {
		v.t.Fatal(err)
	}
	if err := cmd.Wait(); err != nil {
		v.t.Errorf("SIGTERM ended it with %v\n%s", err, said)
	}
}

// again feeds the whole record to rules that know nothing of any kill: they decide the same events, and the same
// time in the danger zone to the nanosecond.
func (v *victim) again() {
	v.t.Helper()
	text, err := os.ReadFile(v.config)
	if err != nil {
		v.t.Fatal(err)
	}
	cfg, err := configs.Parse(v.config, text)
	if err != nil {
		v.t.Fatal(err)
	}
	setup, err := cfg.Setup()
	if err != nil {
		v.t.Fatal(err)
	}
	engine, err := rules.New(setup)
	if err != nil {
		v.t.Fatal(err)
	}
	l, err := ledger.OpenReader(v.ledger())
	if err != nil {
		v.t.Fatal(err)
	}
	defer l.Close()
	recorded, err := l.Events(v.t.Context(), 0, 1<<20)
	if err != nil {
		v.t.Fatal(err)
	}
	seq := 0
	var last time.Duration               // of the sweep before, once the lot is loaded
	var gaps, truth, doubt time.Duration // what the kills cost; the lot's time in the zone, and how far it may be off
	const lot, late = "swinger", 100 * time.Millisecond
	for in, err := range l.Inputs(0, nil) {
		if err != nil {
			v.t.Fatal(err)
		}
		now := in.Sweep.At.Mono
		if last > 0 {
			span := now - last
			if span > 2*cfg.Period {
				gaps += span - cfg.Period
			}
			truth += v.air.low(last, now)
			// Between two readings that are alike, and no turn between them, there is nothing to guess.
			if v.air.turns(last-late, now+late) {
				doubt += span
			}
		}
		if last > 0 || slices.ContainsFunc(in.Marks, func(m rules.Mark) bool { return m.Lot == lot }) {
			last = now
		}
		for _, ev := range engine.Step(in) {
			if seq >= len(recorded) || recorded[seq].Seq != ev.Seq || recorded[seq].Kind != ev.Kind || recorded[seq].Text != ev.Text {
				v.t.Fatalf("fed again the record decides %+v as event %d, recorded are %d:\n%+v", ev, seq+1, len(recorded), recorded[min(seq, len(recorded)-1)])
			}
			seq++
		}
	}
	if seq != len(recorded) || seq == 0 {
		v.t.Errorf("fed again the record decides %d events, recorded are %d", seq, len(recorded))
	}
	for _, l := range engine.State().Lots {
		if l.Lot != lot {
			continue
		}
		if d := (l.DangerZone - truth).Abs(); d > doubt+late {
			v.t.Errorf("the swinging lot was in the danger zone for %v, and its clock has %v; %v were between two readings", truth, l.DangerZone, doubt)
		}
		v.t.Logf("readings of %v were lost to the kills; the swinging lot was in the zone for %v, its clock has %v, and %v were between two readings", gaps, truth, l.DangerZone, doubt)
		return
	}
	v.t.Error("the swinging lot is gone")
}

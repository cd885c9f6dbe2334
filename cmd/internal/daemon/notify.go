package daemon

import (
	"context"
	"fmt"
	"log/slog"
	"os"
	"strconv"
	"time"

	systemd "github.com/coreos/go-systemd/v22/daemon"

	"holdbell/rules"
)

// notifier tells the service manager how the daemon is, through a goroutine of its own: a manager that
// does not read cannot hold the loop up.
type notifier struct {
	send  func(state string) error
	alive chan struct{} // one step of the loop; nothing else feeds the watchdog
	say   chan string
}

// newNotifier uses the socket that NOTIFY_SOCKET names; without one everything is swallowed. period is
// how often the loop makes progress: a watchdog shorter than three of them is asked for more time.
func newNotifier(period time.Duration, log *slog.Logger) *notifier {
	n := &notifier{
		send: func(state string) error {
			_, err := systemd.SdNotify(false, state)
			return err
		},
		alive: make(chan struct{}, 1),
		say:   make(chan string, 8),
	}
	interval, err := systemd.SdWatchdogEnabled(false)
	if err != nil {
		log.Warn("the service manager's watchdog is set up wrongly", "err", err)
	}
	if need := 3 * period; interval > 0 && interval < need {
		n.tell("WATCHDOG_USEC=" + strconv.FormatInt(need.Microseconds(), 10))
	}
	return n
}

// progress says that the loop went round and that no courier of alarms is stuck.
func (n *notifier) progress() {
	select {
	case n.alive <- struct{}{}:
	default: // the step before is still to be told: it says the same
	}
}

// tell queues a state; with the queue full the state is dropped, for a later one will say more.
func (n *notifier) tell(state string) {
	select {
	case n.say <- state:
	default:
	}
}

// run forwards until ctx ends. A failed send is logged once, until one succeeds.
func (n *notifier) run(ctx context.Context, log *slog.Logger) {
	failing := false
	report := func(err error) {
		if err != nil && !failing {
			log.Warn("the service manager does not take notifications", "err", err, "socket", os.Getenv("NOTIFY_SOCKET"))
		}
		failing = err != nil
	}
	for {
		select {
		case s := <-n.say:
			report(n.send(s))
		case <-n.alive:
			report(n.send(systemd.SdNotifyWatchdog))
		case <-ctx.Done():
			return
		}
	}
}

// statusLine is the STATUS= line: one sentence.
func statusLine(st *rules.State) string {
	open := 0
	for i := range st.Lots {
		if !st.Lots[i].Ended {
			open++
		}
	}
	return fmt.Sprintf("STATUS=Watching %d probes and %d lots; %d alarms are not normal.", len(st.Probes), open, len(st.Alarms))
}

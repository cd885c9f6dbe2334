// Package nats runs the three nodes of configs/nats for a test.
package nats

import (
	"context"
	"fmt"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
)

// patience ends a wait that would hang.
const patience = time.Minute

// Cluster is three nodes on this machine, with the configuration that is shipped.
type Cluster struct {
	t     testing.TB
	path  string
	dir   string
	nodes [3]node
}

type node struct {
	mqtt, monitor string
	cmd           *exec.Cmd
}

// Start starts the three, or skips the test where there is no nats-server; with HOLDBELL_REQUIRE=1 its absence
// fails. configs is the folder configs/nats; sites are the boards that are let in. change edits each file's text before it
// is used; nil leaves all as it is shipped, but for ports and folders.
func Start(t testing.TB, configs string, sites []string, change func(file, text string) string) *Cluster {
	t.Helper()
	c := &Cluster{t: t, path: program(t), dir: t.TempDir()}
	c.write("users.conf", users(t, configs, sites), change)
	ports := map[string]string{}
	for _, file := range []string{"mqtt.conf", "node-1.conf", "node-2.conf", "node-3.conf"} {
		text, err := os.ReadFile(filepath.Join(configs, file))
		must(t, err)
		moved := loopback.ReplaceAllStringFunc(string(text), func(at string) string {
			if ports[at] == "" {
				ports[at] = freePort(t)
			}
			return ports[at]
		})
		c.write(file, strings.ReplaceAll(moved, "/var/lib/nats", filepath.Join(c.dir, "store")), change)
	}
	for i := range c.nodes {
		c.nodes[i].mqtt, c.nodes[i].monitor = ports[fmt.Sprintf("127.0.0.1:1832%d", i+1)], ports[fmt.Sprintf("127.0.0.1:1822%d", i+1)]
	}
	t.Cleanup(func() {
		for i := range c.nodes {
			c.Kill(i)
			if t.Failed() {
				t.Logf("node %d:\n%s", i+1, c.tail(i))
			}
		}
	})
	for i := range c.nodes {
		c.start(i)
	}
	for i := range c.nodes {
		c.await(i)
	}
	return c
}

// Settle waits until a client of these options is let in. The very first one has the nodes make their streams, and may
// have to come back. address names a node to the options.
func (c *Cluster) Settle(options func(address string) *paho.ClientOptions) {
	c.t.Helper()
	for i := range c.nodes {
		until := time.Now().Add(patience)
		for {
			client := paho.NewClient(options(c.nodes[i].mqtt).SetAutoReconnect(false))
			token := client.Connect()
			token.Wait()
			if token.Error() == nil {
				client.Disconnect(0)
				break
			}
			if time.Now().After(until) {
				c.t.Fatalf("node %d lets nobody in: %v", i+1, token.Error())
			}
		}
	}
}

// chatter is what a node says over and over while another is gone.
var chatter = regexp.MustCompile(`(?m)^.*(Healthcheck failed|Error trying to connect to route|Route).*\n`)

var loopback = regexp.MustCompile(`127\.0\.0\.1:[0-9]+`)

// program finds the server: on the path, or where go install leaves it.
func program(t testing.TB) string {
	path, err := exec.LookPath("nats-server")
	if err == nil {
		return path
	}
	if out, err := exec.Command("go", "env", "GOPATH").Output(); err == nil {
		path = filepath.Join(strings.TrimSpace(string(out)), "bin", "nats-server")
		if _, err := os.Stat(path); err == nil {
			return path
		}
	}
	const missing = "the program nats-server is missing; go install github.com/nats-io/nats-server/v2@v2.15.2"
	if os.Getenv("HOLDBELL_REQUIRE") == "1" {
		t.Fatal(missing)
	}
	t.Skip(missing)
	return ""
}

// users gives users.conf, by the script that is shipped.
func users(t testing.TB, configs string, sites []string) string {
	cmd := exec.Command(filepath.Join(configs, "users.sh"))
	cmd.Stdin = strings.NewReader(strings.Join(sites, "\n") + "\n")
	out, err := cmd.Output()
	must(t, err)
	return string(out)
}

func (c *Cluster) write(file, text string, change func(file, text string) string) {
	if change != nil {
		text = change(file, text)
	}
	must(c.t, os.WriteFile(filepath.Join(c.dir, file), []byte(text), 0o600))
}

// start starts a node and does not wait for it.
func (c *Cluster) start(i int) {
	log, err := os.OpenFile(c.log(i), os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o600)
	must(c.t, err)
	defer log.Close()
	cmd := exec.Command(c.path, "-c", filepath.Join(c.dir, fmt.Sprintf("node-%d.conf", i+1)))
	cmd.Stdout, cmd.Stderr = log, log
	must(c.t, cmd.Start())
	c.nodes[i].cmd = cmd
}

func (c *Cluster) log(i int) string { return filepath.Join(c.dir, fmt.Sprintf("node-%d.log", i+1)) }

// await waits until a node has caught up with the others.
func (c *Cluster) await(i int) {
	c.t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), patience)
	defer cancel()
	tick := time.NewTicker(50 * time.Millisecond)
	defer tick.Stop()
	for ctx.Err() == nil {
		if r, err := http.Get("http://" + c.nodes[i].monitor + "/healthz"); err == nil {
			r.Body.Close()
			if r.StatusCode == http.StatusOK {
				return
			}
		}
		<-tick.C
	}
	c.t.Fatalf("node %d is not well after %v", i+1, patience)
}

// tail is the end of a node's log.
func (c *Cluster) tail(i int) []byte {
	log, _ := os.ReadFile(c.log(i))
	log = chatter.ReplaceAll(log, nil)
	return log[max(0, len(log)-4000):]
}

// Kill ends a node as a power cut does, without a farewell.
func (c *Cluster) Kill(i int) {
	if n := &c.nodes[i]; n.cmd != nil {
		n.cmd.Process.Kill()
		n.cmd.Wait()
		n.cmd = nil
	}
}

// Restart starts a node that was killed, and waits until it has caught up.
func (c *Cluster) Restart(i int) {
	c.t.Helper()
	c.start(i)
	c.await(i)
}

// Reload has every node read its configuration again, with these boards on the list.
func (c *Cluster) Reload(t testing.TB, configs string, sites []string) {
	t.Helper()
	c.write("users.conf", users(t, configs, sites), nil)
	for i := range c.nodes {
		must(t, exec.Command(c.path, "--signal", fmt.Sprintf("reload=%d", c.PID(i))).Run())
	}
}

// Addr is where a node listens for MQTT.
func (c *Cluster) Addr(i int) string { return c.nodes[i].mqtt }

// Brokers gives the three as the boards' configuration has them.
func (c *Cluster) Brokers(scheme string) []string {
	all := make([]string, len(c.nodes))
	for i := range c.nodes {
		all[i] = scheme + "://" + c.nodes[i].mqtt
	}
	return all
}

// PID is a node's process, 0 while it is killed.
func (c *Cluster) PID(i int) int {
	if c.nodes[i].cmd == nil {
		return 0
	}
	return c.nodes[i].cmd.Process.Pid
}

func freePort(t testing.TB) string {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	must(t, err)
	defer l.Close()
	return l.Addr().String()
}

func must(t testing.TB, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

package daemon

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"net"
	"net/http"
	"regexp"
	"strings"
	"sync"
	"time"

	"github.com/prometheus/exporter-toolkit/web"
	"golang.org/x/net/netutil"

	"holdbell/publish"
	"holdbell/publish/page"
)

// The first and the longest pause before a port or a file is tried again.
const (
	firstRetry = time.Second
	lastRetry  = time.Minute
)

// retry calls attempt until it succeeds or ctx ends. The first failure and the success after it are
// logged; what lies between is silent.
func retry(ctx context.Context, log *slog.Logger, what string, attempt func() error) {
	pause, failed := firstRetry, false
	for {
		err := attempt()
		if err == nil {
			if failed {
				log.Info(what + ": works now")
			}
			return
		}
		if ctx.Err() != nil {
			return
		}
		if !failed {
			log.Error(what+": tried again until it works; the watch goes on", "err", err)
		}
		failed = true
		select {
		case <-time.After(pause):
			pause = min(2*pause, lastRetry)
		case <-ctx.Done():
			return
		}
	}
}

// httpServer is the one HTTP port: page, /metrics and /healthz.
type httpServer struct {
	listen    func() (net.Listener, error)
	handler   http.Handler
	webConfig string // a file of exporter-toolkit with TLS and login; empty for neither
	door      *door
	ready     func(net.Addr)
}

// run serves until ctx ends. A port that is taken is tried again.
func (h *httpServer) run(ctx context.Context, log *slog.Logger) {
	for ctx.Err() == nil {
		var l net.Listener
		retry(ctx, log, "the page's port", func() (err error) {
			l, err = h.listen()
			return err
		})
		if l == nil {
			return
		}
		if h.ready != nil {
			h.ready(l.Addr())
		}
		err := h.serve(ctx, l, log)
		if ctx.Err() != nil {
			return
		}
		log.Error("the page has stopped; it is started again", "err", err)
		select {
		case <-time.After(lastRetry):
		case <-ctx.Done():
		}
	}
}

func (h *httpServer) serve(ctx context.Context, l net.Listener, log *slog.Logger) error {
	webConfig, err := publish.SecretPath(h.webConfig)
	if err != nil {
		l.Close()
		return err
	}
	h.door.opened(l.Addr())
	s := page.Server(behind(h.door.guard(h.handler)), log)
	s.ConnContext = know
	// exporter-toolkit puts its login before s.Handler, and then accepts: so the gate comes before the login.
	gate, began := newGate(h.door.tries, h.door.rare), false
	l = &fronted{newCrowd(netutil.LimitListener(l, page.MaxConns), h.door.rare),
		sync.OnceFunc(func() { s.Handler, began = greet(gate.before(s.Handler)), true })}
	stop := context.AfterFunc(ctx, func() {
		end, cancel := context.WithTimeout(context.Background(), time.Second)
		defer cancel()
		if s.Shutdown(end) != nil {
			s.Close()
		}
	})
	defer stop()
	err = web.Serve(l, s, &web.FlagConfig{WebConfigFile: &webConfig}, slog.New(slog.DiscardHandler))
	// A file that cannot be used ends it before it listens.
	l.Close()
	switch {
	case errors.Is(err, http.ErrServerClosed):
		return nil
	case err != nil && !began && webConfig != "":
		return wrongWebConfig(webConfig, err)
	}
	return err
}

// yamlValue is what the parser of a web_config quotes from it: the hash of a password, or whatever else somebody
// wrote there by mistake.
var yamlValue = regexp.MustCompile("`[^`]*`|\"[^\"]*\"|field \\S+")

// wrongWebConfig says what is wrong with a web_config, without what stands in it, and what mends it.
func wrongWebConfig(file string, err error) error {
	what, fix := err.Error(), "mend the file; without web_config the page keeps to the board itself"
	switch {
	case strings.HasPrefix(what, "yaml:"):
		what = yamlValue.ReplaceAllString(what, "…")
		fix = "mend that line: its keys are tls_server_config, http_server_config, basic_auth_users and rate_limit"
	case strings.Contains(what, "bcrypt"):
		fix = "write each user of basic_auth_users with the bcrypt hash of the password, such as htpasswd -nB prints it"
	case errors.Is(err, fs.ErrNotExist), strings.HasSuffix(what, "no such file or directory"):
		fix = "name files that are there"
	case errors.Is(err, fs.ErrPermission), strings.HasSuffix(what, "permission denied"):
		fix = "let the daemon's user read it"
	case strings.Contains(what, "X509KeyPair"):
		fix = "give tls_server_config a PEM certificate as cert_file and its own key as key_file"
	}
	return fmt.Errorf("web_config %s: %s; %s", file, what, fix)
}

// fronted does something before the first connection is accepted.
type fronted struct {
	net.Listener
	first func()
}

// Accept implements net.Listener.
func (f *fronted) Accept() (net.Conn, error) {
	f.first()
	return f.Listener.Accept()
}

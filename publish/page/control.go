package page

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net"
	"net/http"
	"os"
	"syscall"
	"time"

	"holdbell/rules"
)

// ErrUnreachable is wrapped by a Client whose daemon does not answer.
var ErrUnreachable = errors.New("the daemon is not reachable")

// RefusedError is a daemon's answer that a request was not done, in a sentence for the person. Status
// is the HTTP status: 503 when a mark could not be made durable in time, so that it may be said again with
// the same id; another one when it is wrong as it stands. Zero counts as 400.
type RefusedError struct {
	Status int
	Text   string
}

// Error gives the sentence.
func (r *RefusedError) Error() string { return r.Text }

// ErrOtherDaemon is wrapped by ListenControl when a daemon answers on the socket.
var ErrOtherDaemon = errors.New("another holdbell is running")

// maxSocketPath is the longest path that Linux takes for a socket (unix(7): sun_path holds 108 bytes
// with the closing zero).
const maxSocketPath = 107

// ListenControl opens the control socket with mode 0660. A socket that a dead daemon left behind is
// replaced; one on which a daemon answers, or a file that is no socket, is an error. Closing the
// listener removes the socket.
func ListenControl(path string) (net.Listener, error) {
	if len(path) > maxSocketPath {
		return nil, fmt.Errorf("control socket: the path has %d bytes and the system takes %d; choose a shorter one with --socket", len(path), maxSocketPath)
	}
	if err := removeStale(path); err != nil {
		return nil, err
	}
	l, err := net.Listen("unix", path)
	if err != nil {
		return nil, fmt.Errorf("control socket: %w; the folder has to exist and be writable for this user", err)
	}
	if err := os.Chmod(path, 0o660); err != nil {
		l.Close()
		return nil, fmt.Errorf("control socket: %w", err)
	}
	return l, nil
}

// removeStale removes the socket of a dead daemon. Nothing but a refused connection proves it dead: a
// busy daemon's full queue gives another error.
func removeStale(path string) error {
	info, err := os.Lstat(path)
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err != nil {
		return fmt.Errorf("control socket: %w", err)
	}
	if info.Mode().Type() != fs.ModeSocket {
		return fmt.Errorf("control socket: %s is there and is no socket; move it away, or choose another path with --socket", path)
	}
	conn, err := net.DialTimeout("unix", path, time.Second)
	switch {
	case err == nil:
		conn.Close()
		return fmt.Errorf("%w: it answers on %s; stop it first, or choose another path with --socket", ErrOtherDaemon, path)
	case errors.Is(err, syscall.ECONNREFUSED):
	case errors.Is(err, syscall.ENOENT):
		return nil
	default:
		return fmt.Errorf("%w, or so it seems: %w", ErrOtherDaemon, err)
	}
	if err := os.Remove(path); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("control socket: the one that a dead daemon left cannot be removed: %w", err)
	}
	return nil
}

// Client speaks to a running daemon over its control socket.
type Client struct {
	path string
	http *http.Client
}

// NewClient builds a Client for the socket at path. It does not connect yet.
func NewClient(path string) *Client {
	var d net.Dialer
	return &Client{path: path, http: &http.Client{
		Timeout: markPatience + 5*time.Second,
		Transport: &http.Transport{
			DisableKeepAlives: true,
			DialContext: func(ctx context.Context, _, _ string) (net.Conn, error) {
				return d.DialContext(ctx, "unix", path)
			},
		},
	}}
}

// Mark tells the daemon a mark and returns its answer once the mark is durable. The error wraps
// ErrUnreachable, or is a *RefusedError.
func (c *Client) Mark(ctx context.Context, f rules.MarkFields) (string, error) {
	body, err := json.Marshal(f)
	if err != nil {
		return "", fmt.Errorf("the mark cannot be written as JSON: %w", err)
	}
	raw, err := c.do(ctx, http.MethodPost, "/mark", body)
	if err != nil {
		return "", err
	}
	var said markAnswer
	if err := json.Unmarshal(raw, &said); err != nil {
		return "", fmt.Errorf("the daemon's answer to the mark cannot be read: %w", err)
	}
	return said.Answer, nil
}

// State gives the present state as GET /state answers it: one JSON object in the field names of
// StateReport. The error wraps ErrUnreachable, or is a *RefusedError.
func (c *Client) State(ctx context.Context) (json.RawMessage, error) {
	return c.do(ctx, http.MethodGet, "/state", nil)
}

// maxAnswer bounds what the client reads: the state of a very large kitchen.
const maxAnswer = 16 << 20

func (c *Client) do(ctx context.Context, method, path string, body []byte) ([]byte, error) {
	req, err := http.NewRequestWithContext(ctx, method, "http://holdbell"+path, bytes.NewReader(body))
	if err != nil {
		return nil, err
	}
	req.Header.Set("Content-Type", "application/json")
	resp, err := c.http.Do(req)
	if err != nil {
		return nil, fmt.Errorf("%w on %s: %w", ErrUnreachable, c.path, err)
	}
	defer resp.Body.Close()
	raw, err := io.ReadAll(io.LimitReader(resp.Body, maxAnswer))
	if err != nil {
		return nil, fmt.Errorf("%w on %s: it stopped in the middle of its answer: %w", ErrUnreachable, c.path, err)
	}
	if resp.StatusCode == http.StatusOK {
		return raw, nil
	}
	var no markRefusal
	if json.Unmarshal(raw, &no) != nil || no.Error == "" {
		no.Error = fmt.Sprintf("the daemon answered %s", resp.Status)
	}
	return nil, &RefusedError{Status: resp.StatusCode, Text: no.Error}
}

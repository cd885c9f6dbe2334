package mqtt

import (
	"bytes"
	"errors"
	"io"
	"net"
	"runtime"
	"strings"
	"testing"

	paho "github.com/eclipse/paho.mqtt.golang"
	"github.com/eclipse/paho.mqtt.golang/packets"
	"pgregory.net/rapid"
)

// stream is a connection of which only the reading counts.
type stream struct {
	net.Conn
	io.Reader
}

func (s stream) Read(b []byte) (int, error) { return s.Reader.Read(b) }

// length writes a packet's remaining length (MQTT 3.1.1, 2.2.3).
func length(n int) []byte {
	var b []byte
	for {
		c := byte(n & 0x7f)
		if n >>= 7; n > 0 {
			b = append(b, c|0x80)
			continue
		}
		return append(b, c)
	}
}

// TestAMessageOf200MiB: it is skipped, takes no memory, and the next one comes.
func TestAMessageOf200MiB(t *testing.T) {
	const size = 200 << 20
	head := append([]byte{publishKind << 4}, length(size)...)
	small := []byte{publishKind << 4, 4, 0, 1, 't', 'x'}
	var dropped []int
	n := newNarrow(stream{Reader: io.MultiReader(bytes.NewReader(head), io.LimitReader(zeros{}, size), bytes.NewReader(small))},
		func(size int) { dropped = append(dropped, size) })
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	p, err := packets.ReadPacket(n)
	runtime.ReadMemStats(&after)
	must(t, err)
	if m, ok := p.(*packets.PublishPacket); !ok || m.TopicName != "t" || string(m.Payload) != "x" {
		t.Errorf("behind it came %v", p)
	}
	if used := after.TotalAlloc - before.TotalAlloc; used > 1<<20 {
		t.Errorf("%d bytes were allocated", used)
	}
	if len(dropped) != 1 || dropped[0] != size+5 {
		t.Errorf("dropped %v", dropped)
	}
}

type zeros struct{}

func (zeros) Read(b []byte) (int, error) { clear(b); return len(b), nil }

// What fits comes through byte for byte, however it is cut; of the rest whole packets are missing.
func TestWhatFitsComesThrough(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var all, want []byte
		for range rapid.IntRange(0, 6).Draw(t, "packets") {
			kind := byte(rapid.IntRange(1, 14).Draw(t, "kind"))
			size := rapid.OneOf(rapid.IntRange(0, 300), rapid.IntRange(maxPacket-6, maxPacket+300)).Draw(t, "size")
			p := append([]byte{kind << 4}, length(size)...)
			p = append(p, bytes.Repeat([]byte{kind}, size)...)
			if len(p) > maxPacket {
				p[0] = publishKind << 4
			} else {
				want = append(want, p...)
			}
			all = append(all, p...)
		}
		cut := rapid.IntRange(200, 9000).Draw(t, "cut")
		n := newNarrow(stream{Reader: &crumbs{all, cut}}, func(int) {})
		got, err := io.ReadAll(n)
		if err != nil || !bytes.Equal(got, want) {
			t.Fatalf("%d bytes of %d, %v; want %d", len(got), len(all), err, len(want))
		}
	})
}

// crumbs gives at most so many bytes at a time.
type crumbs struct {
	left []byte
	most int
}

func (c *crumbs) Read(b []byte) (int, error) {
	if len(c.left) == 0 {
		return 0, io.EOF
	}
	n := copy(b[:min(len(b), c.most)], c.left)
	c.left = c.left[n:]
	return n, nil
}

func TestWhatIsNoPacket(t *testing.T) {
	for _, c := range []struct {
		text []byte
		want error
	}{
		{nil, io.EOF},
		{[]byte{0x30}, io.ErrUnexpectedEOF},
		{[]byte{0x30, 0xff}, io.ErrUnexpectedEOF},
		{[]byte{0x30, 0xff, 0xff, 0xff, 0xff, 1}, errNoPacket},
		{append([]byte{0x20}, length(maxPacket)...), errNoPacket},
		{append([]byte{0x30}, length(maxPacket)...), io.EOF},
	} {
		if got, err := io.ReadAll(newNarrow(stream{Reader: bytes.NewReader(c.text)}, func(int) {})); len(got) > 0 || !errors.Is(err, c.want) && !(err == nil && c.want == io.EOF) {
			t.Errorf("%x: %x, %v; want %v", c.text, got, err, c.want)
		}
	}
}

// TestAHugeMark: at a broker that takes it, a mark of 256 KiB is not read, told once, and the next one is answered.
func TestAHugeMark(t *testing.T) {
	h := mosquitto(t, "allow_anonymous true\n")
	var book logbook
	o, marks := marking(h.own(options()))
	o.Log = book.logger()
	c, _ := run(t, o)
	s := newSpy(t, h.addr)
	_, err := c.connected(t.Context())
	must(t, err)
	raw := rawClient(t, paho.NewClientOptions().AddBroker("tcp://"+h.addr))
	for range 3 {
		done(t, raw.Publish(site+"command/mark", 1, false, `{"note":"`+strings.Repeat("x", 256<<10)+`"}`))
	}
	done(t, raw.Publish(site+"command/mark", 1, false, `{"mark":"note","note":"x","id":"a1"}`))
	s.has(site+"command/mark/answer", `{"id":"a1","ok":true,"text":"taken"}`)
	<-marks
	if n := strings.Count(book.String(), "longer than any"); n != 1 {
		t.Errorf("told %d times:\n%s", n, book.String())
	}
}

// TestAFloodOfRetainedMarks is told once.
func TestAFloodOfRetainedMarks(t *testing.T) {
	var book logbook
	o := options()
	o.Brokers, o.Log = []string{"tcp://127.0.0.1:1"}, book.logger()
	c, err := New(o)
	must(t, err)
	for range 1000 {
		c.take(nil, retainedMark{})
	}
	if n := strings.Count(book.String(), "retained mark is ignored"); n != 1 || len(c.commands) != 0 {
		t.Errorf("told %d times, %d marks wait", n, len(c.commands))
	}
}

type retainedMark struct{ paho.Message }

func (retainedMark) Retained() bool  { return true }
func (retainedMark) Topic() string   { return site + "command/mark" }
func (retainedMark) Payload() []byte { return []byte(`{"mark":"note","note":"x"}`) }

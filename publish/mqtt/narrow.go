package mqtt

import (
	"bufio"
	"errors"
	"io"
	"net"
)

// narrow keeps from the library what is longer than any message that we ask for. The library makes room for
// what a packet claims to hold, twice, and MQTT lets it claim 256 MiB.
type narrow struct {
	net.Conn
	in      *bufio.Reader
	left    int            // bytes of the packet that is being read
	dropped func(size int) // hears of each message that was not read
}

func newNarrow(conn net.Conn, dropped func(size int)) *narrow {
	return &narrow{Conn: conn, in: bufio.NewReader(conn), dropped: dropped}
}

var errNoPacket = errors.New("what the broker sends is no MQTT")

// Read implements net.Conn.
func (n *narrow) Read(b []byte) (int, error) {
	for n.left == 0 {
		kind, size, err := n.next()
		switch {
		case err != nil:
			return 0, err
		case size <= maxPacket:
			n.left = size
		case kind != publishKind:
			return 0, errNoPacket
		default:
			n.dropped(size)
			if _, err := n.in.Discard(size); err != nil {
				return 0, err
			}
		}
	}
	got, err := n.in.Read(b[:min(len(b), n.left)])
	n.left -= got
	return got, err
}

// publishKind is the type of a packet with a message (MQTT 3.1.1, 2.2.1).
const publishKind = 3

// next looks at a packet's fixed header (MQTT 3.1.1, 2.2). size counts the header too.
func (n *narrow) next() (kind byte, size int, err error) {
	length := 0
	for i := 1; i <= 4; i++ {
		head, err := n.in.Peek(1 + i)
		if err != nil {
			if len(head) > 0 && errors.Is(err, io.EOF) {
				err = io.ErrUnexpectedEOF
			}
			return 0, 0, err
		}
		length |= int(head[i]&0x7f) << (7 * (i - 1))
		if head[i]&0x80 == 0 {
			return head[0] >> 4, 1 + i + length, nil
		}
	}
	return 0, 0, errNoPacket
}

package ledger

import (
	"bytes"
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
)

// Copy is a snapshot kept apart from the database, for the day on which the database is damaged.
type Copy struct {
	Ledger   string // the ledger's id, 32 hexadecimal digits; empty while there is none
	Sweep    uint64 // the sweep that Snapshot was taken after
	LastSeq  uint64 // of the newest event then
	Links    uint64 // how many links the ledger's chain had when this was saved; 0: not known
	Hash     Hash   // of the last of them
	Snapshot []byte
}

// ErrNoCopy is given by LoadCopy when neither slot holds a whole copy.
var ErrNoCopy = errors.New("there is no copy of the state")

// A slot's bytes: copyMagic, then 8 bytes each of the copy's own number, the sweep and the event, 16 of the
// ledger's id, 8 of the number of links and 32 of the last one's hash, the packed snapshot, and a SHA-256 of
// all that. Numbers are little-endian. The first version, which older programs left behind, has no links.
const (
	copyMagic  = "holdbell state 2\n"
	copyMagic1 = "holdbell state 1\n"
	idSize     = 16
	copyHead1  = len(copyMagic1) + 3*8 + idSize
	copyHead   = copyHead1 + 8 + len(Hash{})
)

// CopyPath is where a daemon keeps the copy of the state beside the ledger at path.
func CopyPath(path string) string { return path + ".memory" }

func slots(path string) [2]string { return [2]string{path + ".a", path + ".b"} }

// SaveCopy writes c into the older of the two slots path.a and path.b. It returns once the copy would
// survive a power cut; one in the middle leaves the newer slot as it was.
func SaveCopy(path string, c Copy) error {
	id := make([]byte, idSize) // all zero: there is none
	if c.Ledger != "" {
		var err error
		if id, err = hex.DecodeString(c.Ledger); err != nil || len(id) != idSize {
			return fmt.Errorf("a ledger's id is 32 hexadecimal digits, not %q", c.Ledger)
		}
	}
	packed, err := pack(c.Snapshot)
	if err != nil {
		return err
	}
	number, slot := uint64(1), 0
	for i, name := range slots(path) {
		if _, n, err := readSlot(name); err == nil && n >= number {
			number, slot = n+1, 1-i
		}
	}
	b := append([]byte(nil), copyMagic...)
	for _, n := range []uint64{number, c.Sweep, c.LastSeq} {
		b = binary.LittleEndian.AppendUint64(b, n)
	}
	b = binary.LittleEndian.AppendUint64(append(b, id...), c.Links)
	b = append(append(b, c.Hash[:]...), packed...)
	sum := sha256.Sum256(b)
	if err := replace(slots(path)[slot], append(b, sum[:]...)); err != nil {
		return fmt.Errorf("the copy of the state cannot be written: %w", err)
	}
	return nil
}

// replace writes a file so that a power cut leaves the old bytes or the new ones.
func replace(path string, b []byte) error {
	part := path + ".new"
	f, err := os.OpenFile(part, os.O_WRONLY|os.O_CREATE|os.O_TRUNC, 0o640)
	if err != nil {
		return err
	}
	_, err = f.Write(b)
	if err == nil {
		err = f.Sync()
	}
	if err = errors.Join(err, f.Close()); err != nil {
		return err
	}
	if err := os.Rename(part, path); err != nil {
		return err
	}
	return syncDir(filepath.Dir(path))
}

// LoadCopy gives the newer of the whole copies in the two slots; ErrNoCopy, with what is wrong with each,
// when there is none.
func LoadCopy(path string) (Copy, error) {
	var best Copy
	var number uint64
	var wrong []error
	for _, name := range slots(path) {
		c, n, err := readSlot(name)
		switch {
		case err != nil:
			wrong = append(wrong, err)
		case n > number:
			best, number = c, n
		}
	}
	if number == 0 {
		return Copy{}, errors.Join(append([]error{ErrNoCopy}, wrong...)...)
	}
	return best, nil
}

func readSlot(name string) (c Copy, number uint64, err error) {
	st, err := os.Stat(name)
	if err != nil {
		return Copy{}, 0, err
	}
	if st.Size() > maxSnapshot {
		return Copy{}, 0, fmt.Errorf("%s: %d bytes are no copy of the state", name, st.Size())
	}
	b, err := os.ReadFile(name)
	if err != nil {
		return Copy{}, 0, err
	}
	c, number, err = decodeCopy(b)
	if err != nil {
		return Copy{}, 0, &fs.PathError{Op: "read", Path: name, Err: err}
	}
	return c, number, nil
}

func decodeCopy(b []byte) (c Copy, number uint64, err error) {
	head := copyHead
	if bytes.HasPrefix(b, []byte(copyMagic1)) {
		head = copyHead1
	} else if !bytes.HasPrefix(b, []byte(copyMagic)) {
		return Copy{}, 0, errSnapshot
	}
	if len(b) < head+sha256.Size {
		return Copy{}, 0, errSnapshot
	}
	body := b[:len(b)-sha256.Size]
	if sum := sha256.Sum256(body); !bytes.Equal(sum[:], b[len(body):]) {
		return Copy{}, 0, errSnapshot
	}
	n := body[len(copyMagic):]
	number, c.Sweep, c.LastSeq = binary.LittleEndian.Uint64(n), binary.LittleEndian.Uint64(n[8:]), binary.LittleEndian.Uint64(n[16:])
	if id := n[24:][:idSize]; !bytes.Equal(id, make([]byte, idSize)) {
		c.Ledger = hex.EncodeToString(id)
	}
	if head == copyHead {
		c.Links, c.Hash = binary.LittleEndian.Uint64(body[copyHead1:]), Hash(body[copyHead1+8:copyHead])
	}
	c.Snapshot, err = unpack(body[head:])
	return c, number, err
}

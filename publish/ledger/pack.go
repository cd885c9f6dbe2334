package ledger

import (
	"bytes"
	"compress/flate"
	"encoding/binary"
	"errors"
	"hash/crc32"
	"io"
	"math"
)

// maxSnapshot bounds what a damaged or hostile packed snapshot may unpack to. A large kitchen's is 100 KB.
const maxSnapshot = 16 << 20

var errSnapshot = errors.New("the snapshot is damaged")

// pack compresses a snapshot: its CRC-32C, little-endian, then a deflate stream. A snapshot is JSON and
// shrinks to about a fifth, which is most of what a quiet minute writes.
func pack(raw []byte) ([]byte, error) { return packAt(raw, flate.BestSpeed) }

// packTight is pack for what is kept for years.
func packTight(raw []byte) ([]byte, error) { return packAt(raw, flate.BestCompression) }

func packAt(raw []byte, level int) ([]byte, error) {
	var b bytes.Buffer
	b.Write(binary.LittleEndian.AppendUint32(nil, crc32.Checksum(raw, castagnoli)))
	z, err := flate.NewWriter(&b, level)
	if err != nil {
		return nil, err
	}
	if _, err := z.Write(raw); err != nil {
		return nil, err
	}
	if err := z.Close(); err != nil {
		return nil, err
	}
	return b.Bytes(), nil
}

func unpack(b []byte) ([]byte, error) {
	if len(b) < 4 {
		return nil, errSnapshot
	}
	z := flate.NewReader(bytes.NewReader(b[4:]))
	raw, err := io.ReadAll(io.LimitReader(z, maxSnapshot+1))
	if err != nil || len(raw) > maxSnapshot || crc32.Checksum(raw, castagnoli) != binary.LittleEndian.Uint32(b) {
		return nil, errSnapshot
	}
	return raw, nil
}

// clampInt keeps a number that SQLite stores as a signed one in its range.
func clampInt(n uint64) int64 { return int64(min(n, math.MaxInt64)) }

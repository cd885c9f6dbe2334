package bustrace

import (
	"bufio"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"strconv"
	"strings"
	"time"
)

// longest is the longest line that is read: far beyond a transaction of any chip here.
const longest = 64 << 10

// Read reads a trace. A last line that does not end was cut off by a power cut, and is left out. The errors
// name the line.
func Read(r io.Reader) ([]Transaction, error) {
	text := bufio.NewReaderSize(r, longest)
	var all []Transaction
	for n := 1; ; n++ {
		line, err := text.ReadSlice('\n')
		switch {
		case errors.Is(err, io.EOF):
			if n == 1 {
				return nil, errors.New("line 1: this is no bus trace; it begins with " + strconv.Quote(strings.TrimSpace(header)))
			}
			return all, nil
		case errors.Is(err, bufio.ErrBufferFull):
			return nil, fmt.Errorf("line %d: longer than %d bytes, which no transaction is", n, longest)
		case err != nil:
			return nil, fmt.Errorf("line %d: %w", n, err)
		case n == 1 && string(line) != header:
			return nil, errors.New("line 1: this is no bus trace; it begins with " + strconv.Quote(strings.TrimSpace(header)))
		case n == 1:
			continue
		}
		x, err := parse(strings.TrimSuffix(string(line), "\n"))
		if err != nil {
			return nil, fmt.Errorf("line %d: %w", n, err)
		}
		all = append(all, x)
	}
}

func parse(line string) (x Transaction, err error) {
	f := strings.Split(line, "\t")
	if len(f) != 6 {
		return x, fmt.Errorf("%d fields with tabs between, and a transaction has 6", len(f))
	}
	if x.At, err = time.Parse(time.RFC3339Nano, f[0]); err != nil {
		return x, fmt.Errorf("%q is no time", f[0])
	}
	if x.Place = f[1]; x.Place == "" {
		return x, errors.New("the place is empty")
	}
	took, err := strconv.ParseInt(f[2], 10, 64)
	if err != nil || took < 0 || took > int64(time.Hour/time.Microsecond) {
		return x, fmt.Errorf("%q are no microseconds", f[2])
	}
	x.Took = time.Duration(took) * time.Microsecond
	if x.W, err = unhex(f[3]); err != nil {
		return x, err
	}
	if x.R, err = unhex(f[4]); err != nil {
		return x, err
	}
	if f[5] == "-" {
		return x, nil
	}
	if x.Err, err = strconv.Unquote(f[5]); err != nil || x.Err == "" || f[5][0] != '"' {
		return x, fmt.Errorf("%s is no error in double quotes", f[5])
	}
	if x.R != nil {
		return x, errors.New("a transaction that failed has read nothing")
	}
	return x, nil
}

func unhex(s string) ([]byte, error) {
	if s == "-" {
		return nil, nil
	}
	b, err := hex.DecodeString(s)
	if err != nil || len(b) == 0 {
		return nil, fmt.Errorf("%q are no bytes in hexadecimal", s)
	}
	return b, nil
}

package persistence

import (
	"bytes"
	"encoding/binary"
	"errors"
	"sync"

	"github.com/klauspost/compress/zstd"
)

// partSize is how much of a file one row holds, in bytes of the original.
const partSize = 1 << 20

var (
	zstdEncoder, _ = zstd.NewWriter(nil, zstd.WithEncoderLevel(zstd.SpeedFastest), zstd.WithWindowSize(partSize))
	zstdDecoder, _ = zstd.NewReader(nil, zstd.WithDecoderMaxMemory(2*partSize))
)

// pack returns the bytes that stand for a part of a file, p: a Zstandard frame (RFC 8878), or,
// where most lines are of one length, whose columns then hold much the same in each,
//
//	'T' <1 byte> | length of a line, its end included <uvarint> | frame of the bytes of p by columns
//
// by columns: of p cut into rows of that length, the first byte of each row, then the second
// of each, to the last, then what is left of p after whole rows. A log takes a quarter of the
// room by columns, and less than half the time to pack.
func pack(p []byte) []byte {
	n := lineLength(p)
	if n == 0 {
		return zstdEncoder.EncodeAll(p, nil)
	}
	turned := partBuffers.Get().(*[partSize]byte)
	defer partBuffers.Put(turned)
	byColumns(turned[:len(p)], p, n)
	return zstdEncoder.EncodeAll(turned[:len(p)], binary.AppendUvarint([]byte{'T'}, uint64(n)))
}

var errPacked = errors.New("a part of a file is damaged")

// unpack returns what [pack] packed, in buf if it has room.
func unpack(packed, buf []byte) ([]byte, error) {
	if len(packed) == 0 || packed[0] != 'T' {
		return zstdDecoder.DecodeAll(packed, buf[:0])
	}
	n, size := binary.Uvarint(packed[1:])
	if size <= 0 || n == 0 || n > partSize {
		return nil, errPacked
	}
	scratch := partBuffers.Get().(*[partSize]byte)
	defer partBuffers.Put(scratch)
	turned, err := zstdDecoder.DecodeAll(packed[1+size:], scratch[:0])
	if err == nil && len(turned) > partSize {
		err = errPacked
	}
	if err != nil {
		return nil, err
	}
	if cap(buf) < len(turned) {
		buf = make([]byte, partSize)[:len(turned)]
	}
	buf = buf[:len(turned)]
	byRows(buf, turned, int(n))
	return buf, nil
}

var partBuffers = sync.Pool{New: func() any { return new([partSize]byte) }}

// lineLength returns the length of most lines of p, their end included, and 0 where
// few are of one length, or long: then columns would not hold the same.
func lineLength(p []byte) int {
	const places, longest = 64, 1 << 10
	length, agree := 0, 0
	for i := range places {
		at := i * len(p) / places
		end := bytes.IndexByte(p[at:min(at+longest, len(p))], '\n')
		if end < 0 {
			continue
		}
		next := p[at+end+1:]
		n := bytes.IndexByte(next[:min(longest, len(next))], '\n') + 1
		if agree == 0 {
			length = n
		}
		if n == length { // majority vote
			agree++
		} else {
			agree--
		}
	}
	if length == 0 || agree < places/2 {
		return 0
	}
	return length
}

// byColumns writes the bytes of p, rows of n bytes, to turned by columns.
func byColumns(turned, p []byte, n int) {
	rows := len(p) / n
	for column := range n {
		in := p[column:]
		out := turned[column*rows : (column+1)*rows]
		at := 0
		for i := range out {
			out[i] = in[at]
			at += n
		}
	}
	copy(turned[rows*n:], p[rows*n:])
}

// byRows undoes [byColumns].
func byRows(p, turned []byte, n int) {
	rows := len(p) / n
	for column := range n {
		out := p[column:]
		at := 0
		for _, b := range turned[column*rows : (column+1)*rows] {
			out[at] = b
			at += n
		}
	}
	copy(p[rows*n:], turned[rows*n:])
}

// Package levels turns the samples of a series into the bytes of blocks and day
// aggregates and back. FORMAT.md beside it draws them.
package levels

import (
	"encoding/binary"
	"errors"
	"hash/crc32"
	"time"

	"leveltrail/domain/acoustic"
)

// ErrCorrupt is returned for bytes that no version of this package wrote.
var ErrCorrupt = errors.New("levels: bytes are corrupt")

// The first byte of what is written. Whatever was written once stays readable.
const (
	version      = 1 // a block, or a day in quarter hours
	hoursVersion = 2 // a day in hours
)

// steps are what differences of levels are divided by; a block holds the index.
var steps = [...]acoustic.Level{1, 5, 10}

// units are what gaps between runs are divided by, from coarse to fine; a block holds
// the index. The first stands for the interval of the series.
var units = [...]time.Duration{0, time.Second, time.Millisecond, time.Microsecond, time.Nanosecond}

var castagnoli = crc32.MakeTable(crc32.Castagnoli)

// seal appends the checksum of what was appended to dst after start.
func seal(dst []byte, start int) []byte {
	return binary.LittleEndian.AppendUint32(dst, crc32.Checksum(dst[start:], castagnoli))
}

// open returns the bytes between the first byte, which must be that, and the checksum.
func open(b []byte, first byte) ([]byte, error) {
	n := len(b) - 4
	if n < 1 || b[0] != first || binary.LittleEndian.Uint32(b[n:]) != crc32.Checksum(b[:n], castagnoli) {
		return nil, ErrCorrupt
	}
	return b[1:n], nil
}

// reader takes values from the front of bytes. After a failure it has none left and bad is set.
type reader struct {
	b   []byte
	bad bool
}

func (r *reader) fail() { r.b, r.bad = nil, true }

func (r *reader) byte() byte {
	if len(r.b) == 0 {
		r.fail()
		return 0
	}
	c := r.b[0]
	r.b = r.b[1:]
	return c
}

func (r *reader) take(n uint64) []byte {
	if n > uint64(len(r.b)) {
		r.fail()
		return nil
	}
	b := r.b[:n]
	r.b = r.b[n:]
	return b
}

func (r *reader) uvarint() uint64 {
	switch { // most take one byte or two
	case len(r.b) > 0 && r.b[0] < 0x80:
		x := uint64(r.b[0])
		r.b = r.b[1:]
		return x
	case len(r.b) > 1 && r.b[1] < 0x80:
		x := uint64(r.b[0]&0x7f) | uint64(r.b[1])<<7
		r.b = r.b[2:]
		return x
	}
	x, n := binary.Uvarint(r.b)
	if n <= 0 {
		r.fail()
		return 0
	}
	r.b = r.b[n:]
	return x
}

// atMost takes a number and fails if it is above limit.
func (r *reader) atMost(limit uint64) uint64 {
	x := r.uvarint()
	if x > limit {
		r.fail()
		return 0
	}
	return x
}

// level takes a level.
func (r *reader) level() acoustic.Level {
	return acoustic.MinLevel + acoustic.Level(r.atMost(uint64(acoustic.MaxLevel-acoustic.MinLevel)))
}

func appendLevel(dst []byte, l acoustic.Level) []byte {
	return binary.AppendUvarint(dst, uint64(l-acoustic.MinLevel))
}

package levels

import (
	"bytes"
	"encoding/binary"
	"math/bits"

	"github.com/klauspost/compress/huff0"
)

// The codings of a plane: one byte each of a chunk's differences.
const (
	constant = iota // one byte stands for all
	raw             // the bytes themselves
	sparse          // zeros but for a list of places and bytes
	huffman1        // one Huffman stream with its table
	huffman4        // four, quicker to read
)

// streams4 is the length from which four streams are written: their six more bytes are then lost in the rest.
const streams4 = 1024

// appendPlane appends p, which is not empty, in the coding that looks shortest.
func appendPlane(dst, p []byte, s *huff0.Scratch) []byte {
	if bytes.Count(p, p[:1]) == len(p) {
		return append(dst, constant, p[0])
	}
	if others := len(p) - bytes.Count(p, []byte{0}); others*(2+bits.Len(uint(len(p)/others))/8) < len(p)/8 {
		return appendSparse(dst, p, others)
	}
	coding, compress := byte(huffman4), huff0.Compress4X
	if len(p) < streams4 {
		coding, compress = huffman1, huff0.Compress1X
	}
	s.Reuse = huff0.ReusePolicyNone
	out, _, err := compress(p, s)
	if err != nil || len(out) >= len(p) { // not compressible
		return append(append(dst, raw), p...)
	}
	dst = binary.AppendUvarint(append(dst, coding), uint64(len(out)))
	return append(dst, out...)
}

func appendSparse(dst, p []byte, n int) []byte {
	dst = binary.AppendUvarint(append(dst, sparse), uint64(n))
	last := 0
	for i, c := range p {
		if c != 0 {
			dst = append(binary.AppendUvarint(dst, uint64(i-last)), c)
			last = i + 1
		}
	}
	return dst
}

// plane takes the n bytes of a plane. They are good until r's bytes or buf are changed.
// one reports that all are equal to the first, the only one returned.
func (r *reader) plane(n int, buf []byte, s *huff0.Scratch) (p []byte, one bool) {
	switch coding := r.byte(); coding {
	case constant:
		return r.take(1), true
	case raw:
		return r.take(uint64(n)), false
	case sparse:
		p = buf[:n]
		clear(p)
		i := uint64(0)
		for range r.atMost(uint64(n)) {
			i += r.atMost(uint64(n))
			c := r.byte()
			if i >= uint64(n) {
				r.fail()
			}
			if r.bad {
				return nil, false
			}
			p[i] = c
			i++
		}
		return p, false
	case huffman1, huffman4:
		_, in, err := huff0.ReadTable(r.take(r.uvarint()), s)
		if err != nil {
			r.fail()
			return nil, false
		}
		if coding == huffman4 {
			p, err = s.Decoder().Decompress4X(buf[:0:n], in)
		} else {
			p, err = s.Decoder().Decompress1X(buf[:0:n], in)
		}
		if err != nil || len(p) != n {
			r.fail()
			return nil, false
		}
		return p, false
	}
	r.fail()
	return nil, false
}

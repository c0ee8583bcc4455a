package photo

import "bytes"

// Blocks of a GIF (GIF89a, appendix A).
const (
	gifExtension   = 0x21
	gifImage       = 0x2c
	gifTrailer     = 0x3b
	gifControl     = 0xf9
	gifApplication = 0xff
)

func gif(data []byte) ([]byte, error) {
	if len(data) < 13 || !bytes.HasPrefix(data, []byte("GIF87a")) && !bytes.HasPrefix(data, []byte("GIF89a")) {
		return nil, ErrBroken
	}
	n := 13 + gifColours(data[10])
	if n > len(data) {
		return nil, ErrBroken
	}
	out, rest := bytes.Clone(data[:n]), data[n:]
	for len(rest) > 0 {
		head := 0 // bytes before the sub-blocks
		switch rest[0] {
		case gifTrailer:
			return append(out, gifTrailer), nil
		case gifExtension:
			head = 2
		case gifImage:
			if len(rest) < 11 {
				return nil, ErrBroken
			}
			head = 11 + gifColours(rest[9]) // with the size of its codes
		default:
			return nil, ErrBroken
		}
		n, ok := gifSubBlocks(rest, head)
		if !ok {
			return nil, ErrBroken
		}
		block := rest[:n]
		rest = rest[n:]
		repeats := bytes.HasPrefix(block[2:], []byte("\x0bNETSCAPE2.0")) || bytes.HasPrefix(block[2:], []byte("\x0bANIMEXTS1.0"))
		if block[0] == gifImage || block[1] == gifControl || block[1] == gifApplication && repeats {
			out = append(out, block...)
		}
	}
	return nil, ErrBroken
}

// gifColours returns the length of the table of colours that packed announces.
func gifColours(packed byte) int {
	if packed&0x80 == 0 {
		return 0
	}
	return 3 << (packed&7 + 1)
}

// gifSubBlocks returns where the sub-blocks of b that begin at n end.
func gifSubBlocks(b []byte, n int) (end int, ok bool) {
	for n < len(b) {
		size := int(b[n])
		n += size + 1
		if size == 0 {
			return n, true
		}
	}
	return 0, false
}

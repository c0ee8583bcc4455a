package photo

import (
	"bytes"
	"encoding/binary"
)

// Markers of a JPEG (ITU-T T.81, table B.1).
const (
	tem  = 0x01
	rst0 = 0xd0
	rst7 = 0xd7
	soi  = 0xd8
	eoi  = 0xd9
	sos  = 0xda
	app0 = 0xe0
	app1 = 0xe1
	app2 = 0xe2
	appE = 0xee
	appF = 0xef
	jpg0 = 0xf0
	com  = 0xfe
)

func jpeg(data []byte) ([]byte, error) {
	if !bytes.HasPrefix(data, []byte{0xff, soi}) {
		return nil, ErrBroken
	}
	rest := data[2:]
	var head, body []byte // head: segments that must come first
	turn := uint16(0)
	for {
		marker, after, ok := nextMarker(rest)
		switch {
		case !ok:
			return nil, ErrBroken
		case marker == eoi:
			out := append([]byte{0xff, soi}, head...)
			if turn > 0 {
				exif := append(bytes.Clone(exifHeader), turned(turn)...)
				out = binary.BigEndian.AppendUint16(append(out, 0xff, app1), uint16(len(exif)+2))
				out = append(out, exif...)
			}
			return append(append(out, body...), 0xff, eoi), nil
		case marker == tem || marker >= rst0 && marker <= soi:
			return nil, ErrBroken // none stands alone here
		}
		if len(after) < 2 {
			return nil, ErrBroken
		}
		length := int(binary.BigEndian.Uint16(after))
		if length < 2 || length > len(after) {
			return nil, ErrBroken
		}
		payload := after[2:length]
		segment := append([]byte{0xff, marker}, after[:length]...)
		rest = after[length:]
		switch {
		case marker == app0 && bytes.HasPrefix(payload, []byte("JFIF\x00")) && head == nil:
			head = segment
		case marker == app1 && bytes.HasPrefix(payload, exifHeader) && turn == 0:
			turn = orientation(payload)
		case marker == app2 && bytes.HasPrefix(payload, []byte("ICC_PROFILE\x00")), marker == appE && bytes.HasPrefix(payload, []byte("Adobe")):
			body = append(body, segment...)
		case marker >= app0 && marker <= appF, marker >= jpg0 && marker <= com:
		default:
			body = append(body, segment...)
		}
		if marker == sos {
			n := scanEnd(rest)
			if n < 0 {
				return nil, ErrBroken
			}
			body, rest = append(body, rest[:n]...), rest[n:]
		}
	}
}

// nextMarker returns the marker that b begins with, after any fill bytes, and what follows it.
func nextMarker(b []byte) (marker byte, after []byte, ok bool) {
	if len(b) < 2 || b[0] != 0xff {
		return 0, nil, false
	}
	for len(b) > 0 && b[0] == 0xff {
		b = b[1:]
	}
	if len(b) == 0 || b[0] == 0 {
		return 0, nil, false
	}
	return b[0], b[1:], true
}

// scanEnd returns the length of the coded data that b begins with, up to the next marker; -1 if there is none.
func scanEnd(b []byte) int {
	for i := 0; i+1 < len(b); i++ {
		if m := b[i+1]; b[i] == 0xff && m != 0 && m != 0xff && (m < rst0 || m > rst7) {
			return i
		}
	}
	return -1
}

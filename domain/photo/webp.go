package photo

import (
	"bytes"
	"encoding/binary"
)

// Flags of a VP8X chunk (RFC 9649, 2.7.1).
const (
	webpExif = 0x08
	webpXMP  = 0x04
)

// webpKept are the chunks that show a picture (RFC 9649).
var webpKept = map[string]bool{"VP8 ": true, "VP8L": true, "VP8X": true, "ALPH": true, "ANIM": true, "ANMF": true, "ICCP": true}

func webp(data []byte) ([]byte, error) {
	if len(data) < 12 || string(data[:4]) != "RIFF" || string(data[8:12]) != "WEBP" {
		return nil, ErrBroken
	}
	size := uint64(binary.LittleEndian.Uint32(data[4:]))
	if size < 4 || size > uint64(len(data)-8) {
		return nil, ErrBroken
	}
	body, turn, err := webpChunks(data[12 : size+8])
	if err != nil {
		return nil, err
	}
	if bytes.HasPrefix(body, []byte("VP8X")) { // without one there is no Exif to be heeded
		if len(body) < 18 {
			return nil, ErrBroken
		}
		body[8] &^= webpExif | webpXMP
		if turn > 0 {
			body[8] |= webpExif
			body = webpChunk(body, "EXIF", turned(turn))
		}
	}
	out := binary.LittleEndian.AppendUint32([]byte("RIFF"), uint32(len(body)+4))
	return append(append(out, "WEBP"...), body...), nil
}

// webpChunks returns the chunks of b that are kept, and how they say that the image is turned.
func webpChunks(b []byte) (kept []byte, turn uint16, err error) {
	for len(b) > 0 {
		if len(b) < 8 {
			return nil, 0, ErrBroken
		}
		name, n := string(b[:4]), uint64(binary.LittleEndian.Uint32(b[4:]))
		if n > uint64(len(b)-8) {
			return nil, 0, ErrBroken
		}
		payload := b[8 : n+8]
		b = b[min(n+8+n%2, uint64(len(b))):]
		switch {
		case name == "EXIF":
			turn = orientation(payload)
			continue
		case !webpKept[name]:
			continue
		case name == "ANMF": // 16 bytes and the chunks of a frame
			if len(payload) < 16 {
				return nil, 0, ErrBroken
			}
			frame, _, err := webpChunks(payload[16:])
			if err != nil {
				return nil, 0, err
			}
			payload = append(bytes.Clone(payload[:16]), frame...)
		}
		kept = webpChunk(kept, name, payload)
	}
	return kept, turn, nil
}

func webpChunk(b []byte, name string, payload []byte) []byte {
	b = binary.LittleEndian.AppendUint32(append(b, name...), uint32(len(payload)))
	b = append(b, payload...)
	if len(payload)%2 == 1 {
		b = append(b, 0)
	}
	return b
}

package photo

import (
	"bytes"
	"encoding/binary"
	"hash/crc32"
)

const pngSignature = "\x89PNG\r\n\x1a\n"

// pngKept are the chunks that show a picture (W3C PNG, third edition).
var pngKept = map[string]bool{
	"IHDR": true, "PLTE": true, "IDAT": true, "IEND": true, "tRNS": true, "acTL": true, "fcTL": true, "fdAT": true,
	"cHRM": true, "gAMA": true, "iCCP": true, "sBIT": true, "sRGB": true, "cICP": true, "bKGD": true, "hIST": true, "pHYs": true, "sPLT": true,
}

func png(data []byte) ([]byte, error) {
	rest, ok := bytes.CutPrefix(data, []byte(pngSignature))
	if !ok {
		return nil, ErrBroken
	}
	var chunks [][]byte // kept, with length and checksum
	turn := uint16(0)
	for {
		if len(rest) < 12 {
			return nil, ErrBroken
		}
		n := uint64(binary.BigEndian.Uint32(rest))
		if n > uint64(len(rest)-12) {
			return nil, ErrBroken
		}
		name, chunk := string(rest[4:8]), rest[:n+12]
		rest = rest[n+12:]
		switch {
		case pngKept[name]:
			chunks = append(chunks, chunk)
		case name == "eXIf":
			turn = orientation(chunk[8 : n+8])
		case name[0] >= 'A' && name[0] <= 'Z':
			return nil, ErrBroken // a picture cannot be shown without it
		}
		if name == "IEND" {
			break
		}
	}
	out := []byte(pngSignature)
	for i, c := range chunks {
		out = append(out, c...)
		if i == 0 && turn > 0 {
			exif := append([]byte("eXIf"), turned(turn)...)
			out = binary.BigEndian.AppendUint32(out, uint32(len(exif)-4))
			out = binary.BigEndian.AppendUint32(append(out, exif...), crc32.ChecksumIEEE(exif))
		}
	}
	return out, nil
}

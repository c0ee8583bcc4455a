package photo

import (
	"bytes"
	"encoding/binary"
)

// exifHeader precedes Exif in a JPEG (JEITA CP-3451, 4.7.2); some write it elsewhere too.
var exifHeader = []byte("Exif\x00\x00")

const orientationTag = 0x0112

// orientation returns how an image is turned by its Exif, 2 to 8; 0 where it is upright or nobody says.
func orientation(exif []byte) uint16 {
	exif = bytes.TrimPrefix(exif, exifHeader)
	var order binary.ByteOrder
	switch {
	case bytes.HasPrefix(exif, []byte("II*\x00")):
		order = binary.LittleEndian
	case bytes.HasPrefix(exif, []byte("MM\x00*")):
		order = binary.BigEndian
	default:
		return 0
	}
	if len(exif) < 8 {
		return 0
	}
	at := uint64(order.Uint32(exif[4:]))
	if at+2 > uint64(len(exif)) {
		return 0
	}
	entries := exif[at+2:]
	for range order.Uint16(exif[at:]) {
		if len(entries) < 12 {
			return 0
		}
		if order.Uint16(entries) == orientationTag {
			if o := order.Uint16(entries[8:]); o >= 2 && o <= 8 {
				return o
			}
			return 0
		}
		entries = entries[12:]
	}
	return 0
}

// turned returns Exif that says how an image is turned and nothing else.
func turned(orientation uint16) []byte {
	b := append([]byte("MM\x00*"), 0, 0, 0, 8, 0, 1) // one directory of one entry, at byte 8
	b = binary.BigEndian.AppendUint16(b, orientationTag)
	b = append(b, 0, 3, 0, 0, 0, 1) // one short
	b = binary.BigEndian.AppendUint16(b, orientation)
	return append(b, 0, 0, 0, 0, 0, 0)
}

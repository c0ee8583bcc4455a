package logfile

import (
	"encoding/binary"

	"leveltrail/domain/acoustic"
)

// maxRecord bounds the record of the first reading; a longer file is read again.
var maxRecord = 16 << 20

// record holds the readings of a file in its order, so that a file of up to
// some millions of rows need not be parsed twice. A reading is
//
//	0 <1 byte> | level <2 bytes>
//
// if track, step and line go on as before, else
//
//	1 <1 byte> | level <2 bytes> | track <uvarint> | step <varint> | lines <uvarint>
type record struct {
	bytes []byte
	full  bool // some reading did not fit: there is no record
	track int
	at    int64
	step  int64
	line  int
}

func (r *record) add(t *track, at int64, l acoustic.Level, line int) {
	step := at - r.at
	if t.number == r.track && step == r.step && line == r.line+1 {
		r.bytes = append(r.bytes, 0, byte(l), byte(uint16(l)>>8))
	} else if !r.full {
		r.bytes = append(r.bytes, 1, byte(l), byte(uint16(l)>>8))
		r.bytes = binary.AppendUvarint(r.bytes, uint64(t.number))
		r.bytes = binary.AppendVarint(r.bytes, step)
		r.bytes = binary.AppendUvarint(r.bytes, uint64(line-r.line))
	}
	r.track, r.at, r.step, r.line = t.number, at, step, line
	if len(r.bytes) > maxRecord {
		r.full, r.bytes = true, nil
	}
	if r.full {
		r.bytes = r.bytes[:0]
	}
}

// each gives f every reading in order.
func (r *record) each(tracks []*track, f func(*track, int64, acoustic.Level, int) error) error {
	var at, step int64
	track, line := 0, 0
	for b := r.bytes; len(b) > 0; {
		l := acoustic.Level(int16(binary.LittleEndian.Uint16(b[1:])))
		if b[0] == 0 {
			line++
			b = b[3:]
		} else {
			b = b[3:]
			t, n := binary.Uvarint(b)
			b = b[n:]
			step, n = binary.Varint(b)
			b = b[n:]
			lines, n := binary.Uvarint(b)
			b = b[n:]
			track, line = int(t), line+int(lines)
		}
		at += step
		if err := f(tracks[track], at, l, line); err != nil {
			return err
		}
	}
	return nil
}

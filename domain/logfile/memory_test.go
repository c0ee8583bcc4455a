package logfile

import (
	"flag"
	"fmt"
	"io"
	"runtime"
	"testing"
	"time"

	"leveltrail/domain/series"
)

// longFile is a log file of n rows of 25 bytes that is made while it is read.
type longFile struct {
	n   int
	pos int64
	row []byte
	at  int // row held
}

const rowBytes = 25

func (f *longFile) Seek(offset int64, _ int) (int64, error) { f.pos = offset; return offset, nil }

func (f *longFile) Read(p []byte) (n int, err error) {
	for n < len(p) {
		i := int(f.pos / rowBytes)
		if i >= f.n {
			if n == 0 {
				err = io.EOF
			}
			return n, err
		}
		if f.row == nil || i != f.at {
			at := time.Date(2026, 3, 14, 0, 0, i, 0, time.UTC)
			f.row = at.AppendFormat(f.row[:0], "2006-01-02 15:04:05")
			f.row = append(f.row, ';', '3'+byte(i%5), '0'+byte(i%10), '.', '0'+byte(i%7), '\n')
			f.at = i
		}
		k := copy(p[n:], f.row[f.pos%rowBytes:])
		n += k
		f.pos += int64(k)
	}
	return n, nil
}

var long = flag.Bool("long", false, "read a log file of 1 GiB where one of 50 MB does")

// A long file is read in memory that does not grow with it, with the record of
// the first reading as large as it may be and so small that the file must be read again.
func TestReadMemory(t *testing.T) {
	for _, record := range []int{maxRecord, 1 << 20} {
		t.Run(fmt.Sprintf("record of %d bytes", record), func(t *testing.T) {
			defer func(was int) { maxRecord = was }(maxRecord)
			maxRecord = record
			readLong(t, 2*uint64(record)+16<<20) // the collector lets the record double; 80 MiB at most
		})
	}
}

// readLong reads a long file while the heap grows by at most the bytes given.
func readLong(t *testing.T, most uint64) {
	n := 2_000_000 // 50 MB
	if *long {
		n = 1 << 30 / rowBytes
	}
	heap := func() uint64 {
		var m runtime.MemStats
		runtime.ReadMemStats(&m)
		return m.HeapAlloc
	}
	runtime.GC()
	before, peak := heap(), uint64(0)
	var samples int
	rep, err := Read(&longFile{n: n}, Options{}, func(_ Part, run series.Run) error {
		for i, l := range run.Levels {
			at := samples + i
			if want := 3000 + at%5*1000 + at%10*100 + at%7*10; int(l) != want {
				return fmt.Errorf("sample %d is %s; want %d", at, l, want)
			}
		}
		samples += len(run.Levels)
		peak = max(peak, heap())
		return nil
	})
	if err != nil || rep.Refused || samples != n || len(rep.Tracks) != 1 || rep.Tracks[0].GapsTotal != 0 {
		t.Fatalf("Read: %v, %d samples, %+v", err, samples, rep)
	}
	t.Logf("%d samples; the heap grew by %d MiB", samples, (int64(peak)-int64(before))>>20)
	if peak > before+most {
		t.Errorf("the heap grew by %d bytes; want at most %d", peak-before, most)
	}
}

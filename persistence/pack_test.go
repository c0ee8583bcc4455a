package persistence

import (
	"bytes"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

// aLog returns rows of a log, a second apart.
func aLog(rows int) string {
	var b strings.Builder
	b.WriteString("Date;Time;LAF\r\n")
	for i := range rows {
		fmt.Fprintf(&b, "%s;%.1f\r\n", t0.Add(time.Duration(i)*time.Second).Format("2006-01-02;15:04:05"), 40+float64(i*i%97)/10)
	}
	return b.String()
}

func TestPack(t *testing.T) {
	log := []byte(aLog(partSize / 26))
	rapid.Check(t, func(t *rapid.T) {
		p := rapid.OneOf(
			rapid.SliceOf(rapid.Byte()),
			rapid.Map(rapid.IntRange(0, len(log)), func(n int) []byte { return log[:n] }),
			rapid.Map(rapid.SliceOf(rapid.SampledFrom([]string{"a\n", "\n", "long line\r\n", "1;2,5\n", "1;2,6\n"})), func(lines []string) []byte {
				return []byte(strings.Join(lines, ""))
			}),
		).Draw(t, "part")
		got, err := unpack(pack(p), make([]byte, rapid.IntRange(0, partSize).Draw(t, "room")))
		if err != nil || !bytes.Equal(got, p) {
			t.Fatalf("unpacked %d bytes, %v; want %d", len(got), err, len(p))
		}
	})
	if turned, plain := len(pack(log)), len(zstdEncoder.EncodeAll(log, nil)); turned*2 > plain {
		t.Errorf("a log takes %d bytes by columns, %d as it is", turned, plain)
	}
}

// Parts that were packed before columns were turned are read as ever.
func TestUnpackPlain(t *testing.T) {
	want := []byte(aLog(1000))
	got, err := unpack(zstdEncoder.EncodeAll(want, nil), nil)
	if diff := cmp.Diff(string(want), string(got)); err != nil || diff != "" {
		t.Fatal(err, diff)
	}
}

func TestUnpackDamaged(t *testing.T) {
	packed := pack([]byte(aLog(1000)))
	if packed[0] != 'T' {
		t.Fatal("the log is not packed by columns")
	}
	frame := packed[2:]
	for name, bad := range map[string][]byte{
		"empty":          {'T'},
		"no length":      append([]byte{'T', 0}, frame...),
		"endless length": append([]byte{'T', 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0x01}, frame...),
		"long lines":     append([]byte{'T', 0xff, 0xff, 0xff, 0x7f}, frame...),
		"cut":            packed[:len(packed)/2],
		"too long":       append([]byte{'T', 26}, zstdEncoder.EncodeAll(make([]byte, partSize+1), nil)...),
	} {
		if got, err := unpack(bad, nil); err == nil {
			t.Errorf("%s: unpacked %d bytes", name, len(got))
		}
	}
}

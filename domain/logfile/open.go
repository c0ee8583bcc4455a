package logfile

import (
	"bufio"
	"bytes"
	"compress/flate"
	"compress/gzip"
	"errors"
	"fmt"
	"io"
	"unicode/utf8"

	"golang.org/x/text/encoding/charmap"
	"golang.org/x/text/encoding/unicode"
	"golang.org/x/text/transform"
)

// maxUnpacked bounds what a compressed file may unpack to.
const maxUnpacked = 4 << 30

// sniffed is how many bytes tell the encoding.
const sniffed = 64 << 10

// foreign lists files that are no text, by their first bytes, and what to do about them.
var foreign = []struct{ magic, code, detail string }{
	{"\xd0\xcf\x11\xe0", "file_spreadsheet_old", "this is an old binary spreadsheet, or one with a password; open it and save it as XLSX without password, or as CSV text"},
	{"BZh", "file_compressed", "this file is packed with bzip2; unpack it, or pack it with gzip"},
	{"\xfd7zXZ", "file_compressed", "this file is packed with xz; unpack it, or pack it with gzip"},
	{"7z\xbc\xaf", "file_compressed", "this is an archive; unpack it"},
	{"%PDF", "file_binary", "this is a PDF document; send the log file itself"},
}

// open starts r from its beginning and returns its text as UTF-8 without a
// byte order mark, unpacked if it is gzip; of a spreadsheet the rows of a sheet,
// the one named unless that is "". encoding "" asks for detection. A file that is
// neither gives a Problem. The text must be closed if it is an io.Closer.
func open(r io.ReadSeeker, encoding, name string) (text io.Reader, found, sheet string, p *Problem, err error) {
	if _, err := r.Seek(0, io.SeekStart); err != nil {
		return nil, "", "", nil, fmt.Errorf("rewinding the file: %w", err)
	}
	b := bufio.NewReaderSize(r, sniffed)
	head, err := peek(b)
	if err != nil {
		return nil, "", "", nil, err
	}
	if bytes.HasPrefix(head, []byte{0x1f, 0x8b}) {
		z, err := gzip.NewReader(b)
		if err != nil {
			return nil, "", "", damaged(err), nil
		}
		b = bufio.NewReaderSize(&limited{z, maxUnpacked}, sniffed)
		if head, err = peek(b); err != nil && isPacked(err) {
			return nil, "", "", damaged(err), nil
		} else if err != nil {
			return nil, "", "", nil, err
		}
	}
	for _, f := range foreign {
		if bytes.HasPrefix(head, []byte(f.magic)) {
			return nil, "", "", &Problem{Code: f.code, Detail: f.detail, Refuses: true}, nil
		}
	}
	if bytes.HasPrefix(head, []byte("PK\x03\x04")) {
		text, sheet, p, err := openSpreadsheet(b, name)
		return text, spreadsheet, sheet, p, err
	}
	if encoding == "" || encoding == spreadsheet {
		if encoding = encodingOf(head); encoding == "" {
			return nil, "", "", &Problem{Code: "file_binary", Detail: "the file is not text", Refuses: true}, nil
		}
	}
	switch encoding {
	case "utf-16le":
		text = transform.NewReader(b, unicode.UTF16(unicode.LittleEndian, unicode.UseBOM).NewDecoder())
	case "utf-16be":
		text = transform.NewReader(b, unicode.UTF16(unicode.BigEndian, unicode.UseBOM).NewDecoder())
	case "windows-1252":
		text = transform.NewReader(b, charmap.Windows1252.NewDecoder())
	default:
		if bytes.HasPrefix(head, []byte("\xef\xbb\xbf")) {
			_, _ = b.Discard(3) // peeked above, so it is there
		}
		text = b
	}
	return text, encoding, "", nil, nil
}

// isPacked reports whether err is the fault of a packed file.
func isPacked(err error) bool {
	if _, ok := errors.AsType[flate.CorruptInputError](err); ok {
		return true
	}
	return errors.Is(err, errTooLarge) || errors.Is(err, errSheet) || errors.Is(err, errColumns) || errors.Is(err, gzip.ErrChecksum) || errors.Is(err, gzip.ErrHeader) || errors.Is(err, io.ErrUnexpectedEOF)
}

func damaged(err error) *Problem {
	if errors.Is(err, errColumns) {
		return tooManyColumns()
	}
	return &Problem{Code: "file_damaged", Detail: "the packed file cannot be read: " + err.Error(), Refuses: true}
}

func peek(b *bufio.Reader) ([]byte, error) {
	head, err := b.Peek(sniffed)
	if err != nil && !errors.Is(err, io.EOF) {
		return nil, fmt.Errorf("reading the file: %w", err)
	}
	return head, nil
}

// encodingOf tells the encoding of a file from its beginning, "" for binary.
func encodingOf(head []byte) string {
	switch {
	case bytes.HasPrefix(head, []byte{0xff, 0xfe}):
		return "utf-16le"
	case bytes.HasPrefix(head, []byte{0xfe, 0xff}):
		return "utf-16be"
	case bytes.HasPrefix(head, []byte("\xef\xbb\xbf")):
		return "utf-8"
	}
	// Without a mark, digits and delimiters in UTF-16 have every other byte zero.
	var zeros [2]int
	for i, c := range head {
		if c == 0 {
			zeros[i&1]++
		}
	}
	half := len(head) / 2
	switch {
	case half >= 4 && zeros[1]*10 > half*8 && zeros[0]*10 < half:
		return "utf-16le"
	case half >= 4 && zeros[0]*10 > half*8 && zeros[1]*10 < half:
		return "utf-16be"
	}
	// A card written when the power failed may end in zero bytes.
	head = bytes.TrimRight(head, "\x00")
	control := 0
	for _, c := range head {
		switch {
		case c == 0:
			return ""
		case c < ' ' && c != '\t' && c != '\n' && c != '\r' && c != '\f' && c != '\v' && c != 0x1a:
			control++
		}
	}
	if control*100 > len(head) {
		return ""
	}
	for cut := 0; cut < utf8.UTFMax && cut <= len(head); cut++ { // the sniffed part may end inside a character
		if utf8.Valid(head[:len(head)-cut]) {
			return "utf-8"
		}
		if len(head) < sniffed {
			break
		}
	}
	return "windows-1252"
}

var errTooLarge = errors.New("it unpacks to more than 4 GiB")

// limited fails once n bytes were read, where io.LimitReader would end.
type limited struct {
	r io.Reader
	n int64
}

func (l *limited) Read(p []byte) (int, error) {
	n, err := l.r.Read(p)
	if l.n -= int64(n); l.n < 0 {
		return n, errTooLarge
	}
	return n, err
}

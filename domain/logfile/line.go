package logfile

import (
	"bytes"
	"errors"
	"fmt"
	"io"
)

// maxLine bounds the length of a line.
const maxLine = 1 << 20

var errLineTooLong = errors.New("line too long")

// lines cuts text at LF, CR LF and lone CR.
type lines struct {
	r        io.Reader
	buf      []byte
	pos, end int // unread: buf[pos:end]
	lf       int // index of the next LF if lf >= pos
	noLF     int // no LF lies before this index
	eof      bool
	number   int // of the line last returned, from 1
	from     int // where it begins in buf
}

func newLines(r io.Reader) *lines {
	return &lines{r: r, buf: make([]byte, 256<<10), lf: -1}
}

// next returns the next line without its end; it is valid until the call after. err is io.EOF at the end.
func (s *lines) next() ([]byte, error) {
	for {
		if s.lf < s.pos {
			from := max(s.pos, s.noLF)
			if i := bytes.IndexByte(s.buf[from:s.end], '\n'); i >= 0 {
				s.lf = from + i
			} else {
				s.noLF = s.end
			}
		}
		stop, known := s.end, s.lf >= s.pos
		if known {
			stop = s.lf
		}
		line := s.buf[s.pos:stop]
		s.from = s.pos
		if i := bytes.IndexByte(line, '\r'); i >= 0 && (s.pos+i+1 < s.end || s.eof) {
			s.number++
			s.pos += i + 1
			if s.pos < s.end && s.buf[s.pos] == '\n' {
				s.pos++
			}
			return line[:i], nil
		}
		if known {
			s.number++
			s.pos = stop + 1
			return line, nil
		}
		if s.eof {
			if len(line) == 0 {
				return nil, io.EOF
			}
			s.number++
			s.pos = s.end
			return line, nil
		}
		if err := s.fill(); err != nil {
			return nil, err
		}
	}
}

// fill moves what is unread to the front of the buffer and reads more.
func (s *lines) fill() error {
	if s.pos > 0 {
		n := copy(s.buf, s.buf[s.pos:s.end])
		s.noLF = max(0, s.noLF-s.pos)
		s.pos, s.end, s.lf = 0, n, -1
	}
	if s.end == len(s.buf) {
		if s.end >= maxLine {
			return errLineTooLong
		}
		s.buf = append(s.buf, make([]byte, len(s.buf))...)
	}
	for range 100 {
		n, err := s.r.Read(s.buf[s.end:])
		s.end += n
		if errors.Is(err, io.EOF) {
			s.eof = true
			return nil
		}
		if err != nil {
			return fmt.Errorf("reading the file: %w", err)
		}
		if n > 0 {
			return nil
		}
	}
	return fmt.Errorf("reading the file: %w", io.ErrNoProgress)
}

// split cuts line into fields at delim, ' ' meaning runs of blanks, and appends
// them to fields. A field in double quotes may hold the delimiter.
func split(fields [][]byte, line []byte, delim byte) [][]byte {
	if delim == ' ' {
		return splitAligned(fields, line)
	}
	if bytes.IndexByte(line, '"') >= 0 {
		return splitQuoted(fields, line, delim)
	}
	for {
		i := bytes.IndexByte(line, delim)
		if i < 0 {
			return append(fields, line)
		}
		fields = append(fields, line[:i])
		line = line[i+1:]
	}
}

func splitQuoted(fields [][]byte, line []byte, delim byte) [][]byte {
	for {
		trimmed := bytes.TrimLeft(line, " ")
		if len(trimmed) == 0 || trimmed[0] != '"' {
			i := bytes.IndexByte(line, delim)
			if i < 0 {
				return append(fields, line)
			}
			fields = append(fields, line[:i])
			line = line[i+1:]
			continue
		}
		i := 1
		for i < len(trimmed) && (trimmed[i] != '"' || i+1 < len(trimmed) && trimmed[i+1] == '"') {
			if trimmed[i] == '"' {
				i++
			}
			i++
		}
		field := trimmed[1:min(i, len(trimmed))]
		if bytes.Contains(field, []byte(`""`)) {
			field = bytes.ReplaceAll(field, []byte(`""`), []byte(`"`))
		}
		fields = append(fields, field)
		rest := trimmed[min(i+1, len(trimmed)):]
		i = bytes.IndexByte(rest, delim)
		if i < 0 {
			return fields
		}
		line = rest[i+1:]
	}
}

// splitAligned cuts at runs of blanks; a half of the day or a bracketed
// weighting belongs to the word before it: "2:05 PM", "dB (A)".
func splitAligned(fields [][]byte, line []byte) [][]byte {
	first, lastFrom := len(fields), 0
	for i := 0; i < len(line); {
		for i < len(line) && (line[i] == ' ' || line[i] == '\t') {
			i++
		}
		from := i
		for i < len(line) && line[i] != ' ' && line[i] != '\t' {
			i++
		}
		if from == i {
			break
		}
		word := line[from:i]
		_, half := halfOfDay(word)
		bracket := len(word) == 3 && word[0] == '(' && word[2] == ')'
		if len(fields) > first && (half || bracket) {
			fields[len(fields)-1] = line[lastFrom:i]
			continue
		}
		fields, lastFrom = append(fields, word), from
	}
	return fields
}

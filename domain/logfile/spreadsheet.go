package logfile

import (
	"archive/zip"
	"bytes"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/xuri/excelize/v2"
)

// spreadsheet is the encoding of a file that is none of text.
const spreadsheet = "xlsx"

// Limits of a spreadsheet, so that a small hostile one takes neither memory nor time.
const (
	maxPackedSheet   = 16 << 20 // bytes of the file
	maxUnpackedSheet = 64 << 20 // bytes that all its parts unpack to
	maxPart          = 2 << 20  // bytes of a part that is held in memory as a tree: styles, relations
	maxShared        = 16 << 20 // bytes of the table of texts
	maxSharedItems   = 200_000  // texts in it
	maxSheets        = 64
	maxCellText      = 1000 // bytes of a cell that are read
)

var errColumns = errors.New("more than 10,000 columns")

func tooLarge(what string) *Problem {
	return &Problem{Code: "spreadsheet_too_large", Detail: "the spreadsheet is too large to be opened safely (" + what + "); save the sheet as CSV text", Refuses: true}
}

// openSpreadsheet returns the rows of a sheet of the spreadsheet r as text: a line
// each, cells parted by tabs, instants as ISO dates. It reads r, of at most
// maxPackedSheet bytes, into memory. The sheet is the one named, else the one
// that looks most like data. The text must be closed.
func openSpreadsheet(r io.Reader, name string) (text io.Reader, sheet string, p *Problem, err error) {
	b, err := io.ReadAll(io.LimitReader(r, maxPackedSheet+1))
	if err != nil {
		if isPacked(err) {
			return nil, "", damaged(err), nil
		}
		return nil, "", nil, fmt.Errorf("reading the file: %w", err)
	}
	if len(b) > maxPackedSheet {
		return nil, "", tooLarge("more than 16 MiB"), nil
	}
	if p := inspect(b); p != nil {
		return nil, "", p, nil
	}
	f, err := excelize.OpenReader(bytes.NewReader(b), excelize.Options{UnzipSizeLimit: maxUnpackedSheet, UnzipXMLSizeLimit: 1 << 20, RawCellValue: true})
	if err != nil {
		return nil, "", notRead(err), nil
	}
	t := &sheetText{file: f}
	if w, err := f.GetWorkbookProps(); err == nil && w.Date1904 != nil && *w.Date1904 {
		t.shift = 1462 // days from 1899-12-30 to 1904-01-01
	}
	sheets := f.GetSheetList()
	if len(sheets) > maxSheets {
		t.Close()
		return nil, "", tooLarge("more than 64 sheets"), nil
	}
	if name != "" && !slices.Contains(sheets, name) {
		t.Close()
		return nil, "", &Problem{
			Code: "sheet_missing", Text: name, Refuses: true,
			Detail: "the spreadsheet has no sheet of this name; it has " + strings.Join(sheets, ", "),
		}, nil
	}
	if sheet = name; sheet == "" {
		most := -1
		for _, s := range sheets {
			if score := t.score(s); score > most {
				sheet, most = s, score
			}
		}
	}
	if err := t.begin(sheet); err != nil {
		t.Close()
		return nil, "", notRead(err), nil
	}
	return t, sheet, nil, nil
}

func notRead(err error) *Problem {
	return &Problem{Code: "file_damaged", Detail: "the spreadsheet cannot be read: " + err.Error(), Refuses: true}
}

// inspect refuses what is no spreadsheet, or one that would take too much to open. It unpacks every part once.
func inspect(b []byte) *Problem {
	z, err := zip.NewReader(bytes.NewReader(b), int64(len(b)))
	if err != nil {
		return &Problem{Code: "file_spreadsheet", Detail: "this is a ZIP archive or spreadsheet that is cut off or damaged: " + err.Error(), Refuses: true}
	}
	if len(z.File) > 10_000 {
		return tooLarge("more than 10,000 parts")
	}
	book := false
	left := int64(maxUnpackedSheet)
	for _, f := range z.File {
		name := strings.ToLower(strings.ReplaceAll(f.Name, "\\", "/"))
		book = book || name == "xl/workbook.xml"
		r, err := f.Open()
		if err != nil {
			return notRead(err)
		}
		c := counter{}
		limit := left
		switch {
		case strings.HasPrefix(name, "xl/worksheets/sheet"):
		case name == "xl/sharedstrings.xml":
			limit = min(left, maxShared)
		case strings.HasSuffix(name, ".xml") || strings.HasSuffix(name, ".rels"):
			limit = min(left, maxPart)
		}
		n, err := io.Copy(&c, io.LimitReader(r, limit+1))
		_ = r.Close() // of memory
		switch {
		case n > limit:
			return tooLarge(f.Name)
		case err != nil:
			return notRead(err)
		case c.wide:
			return tooManyColumns()
		case name == "xl/sharedstrings.xml" && c.items > maxSharedItems:
			return tooLarge(f.Name)
		}
		left -= n
	}
	if !book {
		return &Problem{Code: "file_spreadsheet", Detail: "this is a ZIP archive; unpack it and send the log file itself", Refuses: true}
	}
	return nil
}

// counter counts cells of a row and texts in XML that passes through it.
type counter struct {
	name  []byte // of the tag that is being read, without its prefix
	in    bool
	cells int
	wide  bool // some row has too many
	items int
}

func (c *counter) Write(p []byte) (int, error) {
	for _, b := range p {
		switch {
		case b == '<':
			c.in, c.name = true, c.name[:0]
		case !c.in:
		case b == ':':
			c.name = c.name[:0]
		case b == ' ' || b == '>' || b == '/' && len(c.name) > 0 || b == '\t' || b == '\n' || b == '\r':
			c.in = false
			switch string(c.name) {
			case "row":
				c.cells = 0
			case "c":
				c.cells++
				c.wide = c.wide || c.cells > maxFields
			case "si":
				c.items++
			}
		case len(c.name) < 8:
			c.name = append(c.name, b)
		}
	}
	return len(p), nil
}

// sheetText writes the rows of a sheet as text. Two readers go over the rows, one
// for the numbers as stored, one for them as shown: a number shown as a date is one.
type sheetText struct {
	file       *excelize.File
	shift      float64 // days to add to a serial date
	raw, shown *excelize.Rows
	buf        bytes.Buffer
	end        error
}

// begin starts at the first row of a sheet.
func (t *sheetText) begin(sheet string) (err error) {
	t.stop()
	t.buf.Reset()
	t.end = nil
	if t.raw, err = t.file.Rows(sheet); err != nil {
		return err
	}
	t.shown, err = t.file.Rows(sheet)
	return err
}

func (t *sheetText) stop() {
	for _, r := range []*excelize.Rows{t.raw, t.shown} {
		if r != nil {
			_ = r.Close() // was only read
		}
	}
	t.raw, t.shown = nil, nil
}

// Close removes what was put into temporary files.
func (t *sheetText) Close() error {
	t.stop()
	return t.file.Close()
}

// score says how much the beginning of a sheet looks like data.
func (t *sheetText) score(sheet string) int {
	if t.begin(sheet) != nil {
		return -1
	}
	head, p, err := beginning(t)
	if p != nil || err != nil {
		return -1
	}
	return max(bestCut(head, "\t", false).score*2, bestCut(head, "\t", true).score)
}

func (t *sheetText) Read(p []byte) (int, error) {
	for t.buf.Len() == 0 {
		if t.end != nil {
			return 0, t.end
		}
		t.end = t.row()
	}
	return t.buf.Read(p)
}

// row writes the next row.
func (t *sheetText) row() error {
	if !t.raw.Next() || !t.shown.Next() {
		if err := t.raw.Error(); err != nil {
			return fmt.Errorf("%w: %w", errSheet, err)
		}
		return io.EOF
	}
	raw, err := t.raw.Columns(excelize.Options{RawCellValue: true})
	if err != nil {
		return fmt.Errorf("%w: %w", errSheet, err)
	}
	shown, err := t.shown.Columns(excelize.Options{RawCellValue: false})
	if err != nil {
		return fmt.Errorf("%w: %w", errSheet, err)
	}
	if len(raw) > maxFields {
		return errColumns
	}
	for i, v := range raw {
		if i > 0 {
			t.buf.WriteByte('\t')
		}
		if i < len(shown) && v != shown[i] {
			if at, ok := t.instant(v, shown[i]); ok {
				t.buf.WriteString(at)
				continue
			}
		}
		if len(v) > maxCellText {
			v = v[:maxCellText]
		}
		t.buf.WriteString(strings.TrimSpace(oneLine.Replace(v)))
	}
	t.buf.WriteByte('\n')
	return nil
}

var errSheet = errors.New("the sheet cannot be read")

var oneLine = strings.NewReplacer("\t", " ", "\n", " ", "\r", " ", "\"", "")

// instant returns the date, the time of day or both that the serial number v is,
// to the millisecond, if it is shown as one.
func (t *sheetText) instant(v, shown string) (string, bool) {
	days, err := strconv.ParseFloat(v, 64)
	if err != nil || !(days >= 0 && days < 110_000) || !showsTime(shown) {
		return "", false
	}
	ms := math.Round(days * 86_400_000)
	whole := ms >= 86_400_000
	if whole {
		ms += t.shift * 86_400_000
	}
	at := time.Date(1899, 12, 30, 0, 0, 0, 0, time.UTC).Add(time.Duration(math.Mod(ms, 86_400_000))*time.Millisecond).AddDate(0, 0, int(ms/86_400_000))
	layout := "2006-01-02 15:04:05.999"
	switch {
	case !whole:
		layout = "15:04:05.999"
	case math.Mod(ms, 86_400_000) == 0 && !strings.Contains(shown, ":"):
		layout = time.DateOnly
	}
	return at.Format(layout), true
}

// showsTime reports whether a number is shown as a date or a time of day.
func showsTime(shown string) bool {
	k := shapeOf(strings.TrimSpace(shown))
	if k.stamp || k.date || k.time {
		return true
	}
	if strings.Contains(shown, ":") {
		return strings.ContainsAny(shown, "0123456789")
	}
	for _, w := range strings.FieldsFunc(shown, func(r rune) bool { return strings.ContainsRune(" .,-/", r) }) {
		if monthOf(w) > 0 && len(w) > 2 && w[0]|0x20 >= 'a' {
			return true
		}
	}
	return strings.Count(shown, "/")+strings.Count(shown, "-") == 2 && strings.Trim(shown, "0123456789/-") == ""
}

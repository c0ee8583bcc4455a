package logfile_test

import (
	"archive/zip"
	"bytes"
	"compress/gzip"
	"fmt"
	"runtime"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/xuri/excelize/v2"

	"leveltrail/domain/acoustic"
	"leveltrail/domain/logfile"
	"leveltrail/domain/series"
)

// sheet returns a spreadsheet of one sheet with the rows given; dates1904 counts days from 1904.
func sheet(t testing.TB, dates1904 bool, rows [][]any) []byte {
	t.Helper()
	f := excelize.NewFile()
	if dates1904 {
		if err := f.SetWorkbookProps(&excelize.WorkbookPropsOptions{Date1904: &dates1904}); err != nil {
			t.Fatal(err)
		}
	}
	for i, row := range rows {
		if err := f.SetSheetRow("Sheet1", fmt.Sprintf("A%d", i+1), &row); err != nil {
			t.Fatal(err)
		}
	}
	var b bytes.Buffer
	if err := f.Write(&b); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// styled is a serial date or time in a cell of the number format given.
func styled(t testing.TB, dates1904 bool, format string, rows [][]any, columns ...string) []byte {
	t.Helper()
	f, err := excelize.OpenReader(bytes.NewReader(sheet(t, dates1904, rows)))
	if err != nil {
		t.Fatal(err)
	}
	style, err := f.NewStyle(&excelize.Style{CustomNumFmt: &format})
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range columns {
		if err := f.SetCellStyle("Sheet1", c+"2", fmt.Sprintf("%s%d", c, len(rows)), style); err != nil {
			t.Fatal(err)
		}
	}
	var b bytes.Buffer
	if err := f.Write(&b); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

func packed(t testing.TB, b []byte) []byte {
	t.Helper()
	var z bytes.Buffer
	w := gzip.NewWriter(&z)
	if _, err := w.Write(b); err != nil {
		t.Fatal(err)
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	return z.Bytes()
}

// Spreadsheets that hold the same four samples, of which the third is under range.
func TestReadSpreadsheets(t *testing.T) {
	t.Parallel()
	start := time.Date(2026, 3, 14, 9, 30, 0, 0, time.UTC)
	serial := func(i int, epoch time.Time) float64 {
		return start.Add(time.Duration(i)*time.Second).Sub(epoch).Hours() / 24
	}
	day1900, day1904 := time.Date(1899, 12, 30, 0, 0, 0, 0, time.UTC), time.Date(1904, 1, 1, 0, 0, 0, 0, time.UTC)
	table := func(stamp func(i int) any, level func(x float64) any) [][]any {
		rows := [][]any{{"Instant", "LAF dB(A)"}}
		for i, x := range []float64{51.2, 51.4, 0, 50.95} {
			row := []any{stamp(i), level(x)}
			if i == 2 {
				row[1] = "under"
			}
			rows = append(rows, row)
		}
		return rows
	}
	number := func(x float64) any { return x }
	text := func(i int) any { return start.Add(time.Duration(i) * time.Second).Format("2006-01-02 15:04:05") }
	tests := []struct {
		name string
		file []byte
	}{
		{"texts", sheet(t, false, table(text, number))},
		{"levels re-typed as text with a comma", sheet(t, false, table(text, func(x float64) any {
			return strings.ReplaceAll(fmt.Sprint(x), ".", ",")
		}))},
		{"serial dates from 1900", styled(t, false, "yyyy-mm-dd hh:mm:ss", table(func(i int) any { return serial(i, day1900) }, number), "A")},
		{"serial dates shown in another order", styled(t, false, "dd/mm/yyyy hh:mm:ss", table(func(i int) any { return serial(i, day1900) }, number), "A")},
		{"serial dates from 1904", styled(t, true, "yyyy-mm-dd hh:mm:ss", table(func(i int) any { return serial(i, day1904) }, number), "A")},
		{"packed", packed(t, sheet(t, false, table(text, number)))},
		{"text with the name of a spreadsheet", []byte("Instant;LAF dB(A)\n2026-03-14 09:30:00;51.2\n2026-03-14 09:30:01;51.4\n2026-03-14 09:30:02;under\n2026-03-14 09:30:03;50.95\n")},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			t.Parallel()
			rep, runs := read(t, string(tt.file), logfile.Options{})
			if rep.Refused {
				t.Fatalf("refused: %+v", rep.Problems)
			}
			want := map[int][]series.Run{0: {{Start: start, Levels: []acoustic.Level{51_20, 51_40, lo, 50_95}}}}
			if diff := cmp.Diff(want, runs); diff != "" {
				t.Errorf("runs (-want +got):\n%s", diff)
			}
			if rep.Tracks[0].Quantity != "LAF" || rep.Rows != (logfile.Rows{Read: 4, Accepted: 3, Flagged: 1}) {
				t.Errorf("%+v, %+v; want LAF, four rows of which one is flagged", rep.Tracks[0].Part, rep.Rows)
			}
		})
	}
}

// bomb returns a spreadsheet whose sheet is what write writes.
func bomb(t testing.TB, write func(w interface{ Write([]byte) (int, error) })) []byte {
	t.Helper()
	var b bytes.Buffer
	z := zip.NewWriter(&b)
	for name, text := range map[string]string{
		"[Content_Types].xml": `<Types xmlns="http://schemas.openxmlformats.org/package/2006/content-types"><Default Extension="xml" ContentType="application/xml"/></Types>`,
		"xl/workbook.xml":     `<workbook xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main"><sheets><sheet name="a" sheetId="1"/></sheets></workbook>`,
	} {
		w, err := z.Create(name)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := w.Write([]byte(text)); err != nil {
			t.Fatal(err)
		}
	}
	w, err := z.Create("xl/worksheets/sheet1.xml")
	if err != nil {
		t.Fatal(err)
	}
	write(w)
	if err := z.Close(); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// Small files that would unpack to much are refused before they do.
func TestHostileSpreadsheets(t *testing.T) {
	chunk := bytes.Repeat([]byte("<row><c><v>1</v></c></row>"), 40_000) // 1 MB
	wide := append([]byte("<row>"), bytes.Repeat([]byte("<c/>"), 1_000_000)...)
	nested := bytes.NewBuffer(nil)
	z := zip.NewWriter(nested)
	inner, err := z.Create("inner.zip")
	if err != nil {
		t.Fatal(err)
	}
	if _, err := inner.Write(bomb(t, func(interface{ Write([]byte) (int, error) }) {})); err != nil {
		t.Fatal(err)
	}
	if err := z.Close(); err != nil {
		t.Fatal(err)
	}
	tests := []struct {
		name string
		file []byte
		code string
	}{
		{"unpacks to a gigabyte", bomb(t, func(w interface{ Write([]byte) (int, error) }) {
			for range 1000 {
				if _, err := w.Write(chunk); err != nil {
					t.Fatal(err)
				}
			}
		}), "spreadsheet_too_large"},
		{"a million columns", bomb(t, func(w interface{ Write([]byte) (int, error) }) {
			if _, err := w.Write(wide); err != nil {
				t.Fatal(err)
			}
		}), "columns_too_many"},
		{"archives in an archive", nested.Bytes(), "file_spreadsheet"},
		{"cut off", sheet(t, false, [][]any{{"LAF"}})[:200], "file_spreadsheet"},
		{"an old binary spreadsheet", append([]byte{0xD0, 0xCF, 0x11, 0xE0, 0xA1, 0xB1, 0x1A, 0xE1}, make([]byte, 600)...), "file_spreadsheet_old"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			runtime.GC()
			var before, after runtime.MemStats
			runtime.ReadMemStats(&before)
			rep, _ := read(t, string(tt.file), logfile.Options{})
			runtime.ReadMemStats(&after)
			if !rep.Refused || len(rep.Problems) == 0 || rep.Problems[0].Code != tt.code {
				t.Errorf("%s; want %s to refuse it", codes(rep), tt.code)
			}
			// All that was ever allocated, so more than was held at once.
			if n := after.TotalAlloc - before.TotalAlloc; n > 64<<20 {
				t.Errorf("%d bytes were allocated to refuse %d", n, len(tt.file))
			}
		})
	}
}

// Nothing that is taken for a spreadsheet breaks the reading or makes samples out of range.
func FuzzSpreadsheet(f *testing.F) {
	rows := [][]any{{"Instant", "LAF"}, {"2026-03-14 09:30:00", 51.2}, {"2026-03-14 09:30:01", "51,3"}, {"2026-03-14 09:30:02", "under"}}
	f.Add(sheet(f, false, rows))
	f.Add(styled(f, true, "yyyy-mm-dd hh:mm:ss", [][]any{{"Instant", "LAF"}, {46000.5, 51.2}, {46000.50001, 51.3}}, "A"))
	f.Add(packed(f, sheet(f, false, rows)))
	f.Add(bomb(f, func(interface{ Write([]byte) (int, error) }) {}))
	f.Fuzz(func(t *testing.T, file []byte) {
		rep, err := logfile.Read(bytes.NewReader(file), logfile.Options{Quantity: "LAF"}, func(_ logfile.Part, run series.Run) error {
			for _, l := range run.Levels {
				if l != lo && l != hi && (l < acoustic.MinLevel || l > acoustic.MaxLevel) {
					t.Errorf("a sample of %d", l)
				}
			}
			return nil
		})
		if err != nil {
			t.Fatal(err)
		}
		if rep.Refused && len(rep.Tracks) > 0 {
			t.Error("a refused file has tracks")
		}
	})
}

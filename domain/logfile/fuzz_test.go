package logfile

import (
	"errors"
	"io"
	"strings"
	"testing"
	"time"

	"leveltrail/domain/acoustic"
	"leveltrail/domain/series"

	"github.com/google/go-cmp/cmp"
)

// everyRow reads all rows of a file; slow does without skeletons.
func everyRow(t *testing.T, file string, l Layout, slow bool) []row {
	in, p, err := newRows(strings.NewReader(file), l, "LAF", nil)
	if err != nil {
		t.Fatal(err)
	}
	if p != nil {
		return nil
	}
	in.slow = slow
	var all []row
	for {
		var w row
		err := in.next(&w)
		if errors.Is(err, io.EOF) || err != nil && isPacked(err) {
			return all
		}
		if err != nil {
			t.Fatal(err)
		}
		if all = append(all, w); w.code == "line_too_long" {
			return all
		}
	}
}

type emitted struct {
	part Part
	run  series.Run
}

func readAll(t *testing.T, file string, o Options) (Report, []emitted) {
	var runs []emitted
	rep, err := Read(strings.NewReader(file), o, func(p Part, run series.Run) error {
		runs = append(runs, emitted{p, run})
		return nil
	})
	if err != nil {
		t.Fatalf("Read: %v", err)
	}
	return rep, runs
}

// FuzzRead holds for any bytes: rows add up, a refused file gives nothing, runs
// are in order and hold what the report counts, and the quick ways of reading
// (skeletons, the record of the first reading) give what the slow ones do.
func FuzzRead(f *testing.F) {
	for _, seed := range []string{
		"", "at,level\n", "Date;Time;Level\n14.03.2026;07:00:00;51,2\n14.03.2026;07:00:01;Lo\n14.03.2026;07:00:02;151,2\n14.03.2026;07:00:03;9,2\n",
		"No;Date;Time;Pos;Level;Unit\r\n1;14.03.2026;07:00:00;102;51,2;dBA\r\n2;14.03.2026;07:00:01;103;51,3;dBA\r\n3;14.03.2026;07:00:02;102;51,4;dBA\r\n",
		"2026-03-14 07:00:00  51.2\n2026-03-14 07:00:01  < 24\n2026-03-14 07:00:02  52.2\nMean  51.9\n",
		"\"2026-10-25 02:59:59\",\"51,2\"\n\"2026-10-25 02:00:00\",\"51,3\"\n\"2026-10-25 02:00:01\",\"51\"\"3\"\n",
		"at;level\n2026-10-25 02:30:00;51.2\n2026-10-25 02:59:59;51.2\n2026-10-25 03:00:00;51.2\n2026-10-25 03:00:01;51.2\n",
		"\xff\xfe2\x000\x002\x006\x00", "\xfe\xff\x002", "\x1f\x8b\x08\x00", "PK\x03\x04", "03/04/26 7:00 PM|51.2 dB\n04/04/26 0:00 AM|1e9\n",
		"at;level\n2026-03-14 07:00:02;1\n2026-03-14 07:00:01;2\n2026-03-14 07:00:00;3\n2026-03-14 07:00:00;3\n",
	} {
		f.Add(seed, false, false)
		f.Add(seed, true, true)
	}
	vienna, err := time.LoadLocation("Europe/Vienna")
	if err != nil {
		f.Fatal(err)
	}
	f.Fuzz(func(t *testing.T, file string, lenient, end bool) {
		o := Options{Quantity: "LAF", Location: vienna, AcceptUnreadable: lenient}
		if end {
			o.Stamps = "interval_end"
		}
		rep, runs := readAll(t, file, o)
		if r := rep.Rows; !rep.Refused && r.Read != r.Accepted+r.Flagged+r.Rejected {
			t.Errorf("rows do not add up: %+v", r)
		}
		if rep.Refused && (len(runs) > 0 || len(rep.Tracks) > 0) {
			t.Errorf("a refused file gave %d runs", len(runs))
		}
		count := map[Part]int64{}
		after := map[Part]time.Time{}
		known := map[Part]bool{}
		for _, k := range rep.Tracks {
			if known[k.Part] {
				t.Fatalf("two tracks of %+v", k.Part)
			}
			known[k.Part] = true
		}
		for _, e := range runs {
			if n := len(e.run.Levels); n == 0 || n > MaxRun {
				t.Fatalf("a run of %d samples", n)
			}
			if !known[e.part] {
				t.Fatalf("a run of %+v; the report has no such track", e.part)
			}
			if e.run.Start.Before(after[e.part]) {
				t.Fatalf("the run of %s begins before the end %s of the one before", e.run.Start, after[e.part])
			}
			after[e.part] = e.run.Start.Add(time.Duration(len(e.run.Levels)) * e.part.Interval)
			count[e.part] += int64(len(e.run.Levels))
			for _, l := range e.run.Levels {
				if l != series.UnderRange && l != series.OverRange && (l < acoustic.MinLevel || l > acoustic.MaxLevel) {
					t.Fatalf("level %s", l)
				}
			}
		}
		for _, k := range rep.Tracks {
			if k.Samples != count[k.Part] || !k.To.Equal(after[k.Part]) || k.To.Before(k.From) {
				t.Errorf("track %+v; runs hold %d samples to %s", k, count[k.Part], after[k.Part])
			}
		}
		if rep.Layout.Columns.Level > 0 && rep.Layout.DateOrder != "" {
			if diff := cmp.Diff(everyRow(t, file, rep.Layout, true), everyRow(t, file, rep.Layout, false), cmp.AllowUnexported(row{})); diff != "" {
				t.Errorf("rows read slowly and quickly differ (-slow +quick):\n%s", diff)
			}
		}
		defer func(was int) { maxRecord = was }(maxRecord)
		maxRecord = 0
		again, runs2 := readAll(t, file, o)
		if diff := cmp.Diff(rep, again, cmp.AllowUnexported(Problem{})); diff != "" {
			t.Errorf("reports with and without a record differ:\n%s", diff)
		}
		if diff := cmp.Diff(runs, runs2, cmp.AllowUnexported(emitted{})); diff != "" {
			t.Errorf("runs with and without a record differ:\n%s", diff)
		}
	})
}

// FuzzFields holds the quick ways of reading a level and a time of day against the slow ones.
func FuzzFields(f *testing.F) {
	for _, seed := range []string{"51.2", "51,25", "200", "200.01", "7", "7.", ".7", "151.2", "-0.5", "Lo", "<30", "> 137 dB", "51.2 dB(A)", "1e9", "07:00:09", "24:00:00", "23:59:60", "2:05 PM", "07.05.09", "1,204", "12'345"} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, text string) {
		b := []byte(text)
		l, kind, rest := parseLevel(b)
		sl, slow, slowRest := slowLevel(b)
		if kind != slow || string(rest) != string(slowRest) || (kind == plain || kind == rounded || kind == flagged) && l != sl {
			t.Errorf("parseLevel(%q) = %d, %d, %q; slowly %d, %d, %q", text, l, kind, rest, sl, slow, slowRest)
		}
		if (kind == plain || kind == rounded) && (l < acoustic.MinLevel || l > acoustic.MaxLevel) {
			t.Errorf("parseLevel(%q) = %d", text, l)
		}
		c, fits := parseClock(b)
		sc, slowFits := slowClock(b)
		if fits != slowFits || fits == good && c != sc {
			t.Errorf("parseClock(%q) = %+v, %d; slowly %+v, %d", text, c, fits, sc, slowFits)
		}
		if fits == good && (c.at < 0 || c.at > day) {
			t.Errorf("parseClock(%q) = %+v", text, c)
		}
		if n, ok := whole(b); ok && n < 0 {
			t.Errorf("whole(%q) = %d", text, n)
		}
	})
}

// FuzzLook holds for any bytes: a preview agrees with reading and what it shows is of the file.
func FuzzLook(f *testing.F) {
	for _, seed := range []string{
		"", "at;LAeq;LAFmax\n2026-03-14 07:00:00;51.2;60.1\n2026-03-14 07:01:00;Lo;OL\n2026-03-14 07:02:00;;60.3\n",
		"03/04/2026;07:00:00;51.2\n03/04/2026;07:00:01;51.2\n", "Measured on 2026-05-06\nTime;LAF\n23:59:59;41.3\n00:00:00;41.4\n",
		"at;Ch;LAF\n2026-03-14 07:00:00;1;51.2\n2026-03-14 07:00:00;2;51.2\n", "at;a;b\n2026-03-14 07:00:00;51.2;60.1\n",
		"No;Pos;at;LZeq 63 Hz;LZeq 125 Hz\n1.000;1204;2026-03-14 07:00:00;51.2;60.1\n",
	} {
		f.Add(seed, "")
		f.Add(seed, "LAF")
	}
	f.Fuzz(func(t *testing.T, file, quantity string) {
		if symbolOf(quantity) != quantity {
			return
		}
		o := Options{Quantity: quantity}
		v, err := Look(strings.NewReader(file), o)
		if err != nil {
			t.Fatal(err)
		}
		rep, _ := readAll(t, file, o)
		if diff := cmp.Diff(rep, v.Report); diff != "" {
			t.Errorf("a preview is not what reading gives (-read +preview):\n%s", diff)
		}
		for _, q := range v.Questions {
			if q.Code == "" || q.Member == "" || q.Detail == "" {
				t.Errorf("question %+v", q)
			}
			if q.Code != "quantity" && q.Code != "position" && q.Binding && !rep.Refused {
				t.Errorf("question %+v of a file that is not refused", q)
			}
		}
		if len(v.First) > previewed {
			t.Errorf("%d rows", len(v.First))
		}
		line := 0
		for _, s := range v.First {
			if s.Line <= line {
				t.Errorf("line %d after %d", s.Line, line)
			}
			line = s.Line
			for _, l := range s.Levels {
				if l.Code == "" && l.Level != series.UnderRange && l.Level != series.OverRange && (l.Level < acoustic.MinLevel || l.Level > acoustic.MaxLevel) {
					t.Errorf("line %d: %+v", s.Line, l)
				}
			}
		}
	})
}

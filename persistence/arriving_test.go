package persistence

import (
	"bytes"
	"errors"
	"io"
	"strings"
	"testing"
	"testing/iotest"

	"github.com/google/go-cmp/cmp"
	"github.com/google/uuid"

	"leveltrail/domain/survey"
	"leveltrail/persistence/pgtest"
)

// A file that is read while it comes gives what it gives when it is read from what is kept.
func TestReadWhileArriving(t *testing.T) {
	b := newSamplesBedIn(t, "UTC")
	long := aLog(4 * partSize / 26)
	const heading = len("Date;Time;LAF\r\n")
	for _, c := range []struct {
		name, log string
		ahead     bool
	}{
		{"several parts", long, true},
		{"one row", aLog(1), true},
		{"rows out of order", long[:heading] + long[len(long)-26*1000:] + long[heading:heading+26*1000], true},
		{"refused", strings.Replace(long, ";43.6\r", ";none\r", 1), true},
		{"empty", "", true},
		{"no text", "\xd0\xcf\x11\xe0" + long, true},
		// The day that tells the order of dates comes after the first part, and the order guessed until then is not it.
		{"read again", "at;LAF\n" + strings.Repeat("01/02/2016 00:00:00;40.0\n", 2*partSize/25) + "02/28/2016 00:00:01;40.0\n", false},
		{"spreadsheet", "PK\x03\x04" + long, false},
	} {
		t.Run(c.name, func(t *testing.T) {
			o := survey.ImportOptions{InstrumentID: b.meter.ID, Channel: 1, PositionID: b.position.ID, Quantity: "LAF", TimeZone: "UTC"}
			imported := func(known *survey.ImportOptions, ahead bool) survey.ImportResult {
				v := b.survey
				v.ID = uuid.Nil
				v = ok(b.store.CreateSurvey(b.ctx, v))(t)
				f, found, err := b.store.KeepFile(b.ctx, v, "a.csv", iotest.HalfReader(strings.NewReader(c.log)), known)
				if err != nil || (found != nil) != ahead {
					t.Fatalf("kept, read while arriving %t: %v; want %t", found != nil, err, ahead)
				}
				m, _, err := b.store.Import(b.ctx, v.ID, f, found, o)
				ok(m, err)(t)
				var kept bytes.Buffer
				ok(0, b.store.CopyFile(b.ctx, f.ID, func(survey.File) {}, &kept))(t)
				if kept.String() != c.log {
					t.Errorf("%d bytes are kept; want %d", kept.Len(), len(c.log))
				}
				for i := range m.Result.Series {
					m.Result.Series[i].ID = uuid.Nil
				}
				return m.Result
			}
			if diff := cmp.Diff(imported(nil, false), imported(&o, c.ahead)); diff != "" {
				t.Errorf("read afterwards (-) and while arriving (+):\n%s", diff)
			}
		})
	}
}

// What was found with other options than the import's, such as the zone of a project that changed meanwhile, does not serve.
func TestReadWithOtherOptions(t *testing.T) {
	b := newSamplesBedIn(t, "UTC")
	o := survey.ImportOptions{InstrumentID: b.meter.ID, Channel: 1, PositionID: b.position.ID, Quantity: "LAF"}
	f, found, err := b.store.KeepFile(b.ctx, b.survey, "a.csv", strings.NewReader(aLog(10)), &o)
	ok(f, err)(t)
	o.TimeZone = "Asia/Tokyo"
	m, _, err := b.store.Import(b.ctx, b.survey.ID, f, found, o)
	ok(m, err)(t)
	if got, want := m.Result.Series[0].Extent.From, t0.Add(-9*60*60*1e9); !got.Equal(want) {
		t.Errorf("the samples begin at %s; want %s", got, want)
	}
}

// Of a file that breaks off nothing stays, and the error is the sender's.
func TestBrokenWhileArriving(t *testing.T) {
	b := newSamplesBedIn(t, "UTC")
	o := survey.ImportOptions{InstrumentID: b.meter.ID, Channel: 1, PositionID: b.position.ID, Quantity: "LAF"}
	cut := errors.New("cut")
	broken := io.MultiReader(strings.NewReader(aLog(2*partSize/26)), iotest.ErrReader(cut))
	if _, found, err := b.store.KeepFile(b.ctx, b.survey, "a.csv", broken, &o); !errors.Is(err, cut) || found != nil {
		t.Errorf("kept with %v: %v; want %v", found, err, cut)
	}
	var parts int
	ok(0, pgtest.Connect(t, b.db.Superuser).QueryRow(b.ctx, `select count(*) from file_part`).Scan(&parts))(t)
	if parts != 0 {
		t.Errorf("%d parts stay", parts)
	}
}

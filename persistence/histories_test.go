package persistence

import (
	"encoding/binary"
	"fmt"
	"math/rand/v2"
	"reflect"
	"slices"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"leveltrail/domain/calibration"
	"leveltrail/domain/civil"
	"leveltrail/domain/series"
	"leveltrail/domain/survey"
)

// history is some invented surveys and what befell the instruments they were made with:
// every version of every record, each learned at some instant of the year or known from its first.
type history struct {
	own          string // name of a reference standard that no other history has
	laboratories []calibration.Laboratory
	instruments  []calibration.Instrument
	certificates []calibration.Certificate
	statuses     []calibration.CertificateStatus
	events       []calibration.Event
	fits         []calibration.Component
	checks       []calibration.FieldCheck
	surveys      []survey.Survey
	series       []series.Series
	uses         []storedUse
}

// storedUse is a stretch of use with when its samples arrived.
type storedUse struct {
	Series      series.Series
	From, To    time.Time
	RecordedAt  time.Time
	WithdrawnAt *time.Time
}

// historian makes up histories. Instants lie on quarter hours, so that walking in quarter hours leaves nothing out.
type historian struct {
	*rand.Rand
	ids      uint64
	shared   []uuid.UUID // laboratories of all histories
	projects []survey.Project
	profiles []calibration.RuleProfile
}

var (
	historyBegins = time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)
	seriesBegin   = time.Date(2026, 6, 1, 0, 0, 0, 0, time.UTC)
)

const (
	historyDays = 400
	sharedName  = "Invented standard " // with a digit: of reference standards of all histories
)

// newHistorian returns one whose projects and rule profiles are stored.
func newHistorian(t *testing.T, b *samplesBed, seed uint64) (r *historian, zones map[uuid.UUID]*time.Location) {
	t.Helper()
	r, zones = &historian{Rand: rand.New(rand.NewPCG(seed, 2026))}, map[uuid.UUID]*time.Location{}
	for range 2 {
		l := ok(b.store.CreateLaboratory(b.ctx, calibration.Laboratory{Name: fmt.Sprint("Invented Laboratory, shared ", len(r.shared))}))(t)
		r.shared = append(r.shared, l.ID)
	}
	for n, zone := range []string{"Asia/Kathmandu", "Europe/Vienna", "America/Los_Angeles"} {
		c := ok(b.store.CreateClient(b.ctx, survey.Client{Name: "Invented"}))(t)
		p := ok(b.store.CreateProject(b.ctx, survey.Project{ClientID: c.ID, Reference: fmt.Sprint("T-", n), Title: "Invented", TimeZone: zone}))(t)
		r.projects, zones[p.ID] = append(r.projects, p), ok(time.LoadLocation(zone))(t)
	}
	r.profiles = calibration.BuiltIn()
	house := r.profiles[0]
	house.Code, house.Edition, house.CheckReach.Value, house.Intervals = "house", "invented", reaches["house"], nil
	for kind, scope := range scopeOf {
		if months := intervals["house"][scope]; months > 0 {
			house.Intervals = append(house.Intervals, calibration.Interval{Kind: kind, Months: months, Source: "invented"})
		}
	}
	r.profiles = append(r.profiles, ok(b.store.AddRuleProfile(b.ctx, house))(t))
	return r, zones
}

func (r *historian) id() (id uuid.UUID) {
	r.ids++
	id[6], id[8] = 0x70, 0x80
	binary.BigEndian.PutUint32(id[12:], uint32(r.ids))
	return id
}

func (r *historian) in(n int) bool { return r.IntN(n) == 0 }

// instant returns any of the year, a second of its own.
func (r *historian) instant() time.Time {
	return historyBegins.Add(time.Duration(r.IntN(historyDays*24*3600)) * time.Second)
}

// learned returns when a fact was recorded, not before another.
func (r *historian) learned(after time.Time) time.Time {
	if r.IntN(2) == 0 {
		return after
	}
	if at := r.instant(); at.After(after) {
		return at
	}
	return after
}

func (r *historian) quarter(days int) time.Time {
	return seriesBegin.Add(time.Duration(r.IntN(days*96)) * 15 * time.Minute)
}

// calibrationDay returns one near the surveys, or within the years before.
func (r *historian) calibrationDay() civil.Date {
	return civil.DateOf(seriesBegin).AddDays([]int{r.IntN(16) - 2, -r.IntN(300), -r.IntN(1000), r.IntN(200)}[r.IntN(4)])
}

// pick returns one of some.
func pick[T any](r *historian, some ...T) T { return some[r.IntN(len(some))] }

func (r *historian) history() *history {
	h := &history{own: fmt.Sprint("Invented standard of ", r.ids)}
	h.laboratories = append(h.laboratories, calibration.Laboratory{ID: r.id(), Name: fmt.Sprint("Invented Laboratory ", r.ids), Version: 1, CreatedAt: historyBegins, RecordedAt: historyBegins})
	for _, k := range []calibration.Kind{
		calibration.SoundLevelMeter, calibration.SoundLevelMeter,
		calibration.SoundCalibrator, calibration.SoundCalibrator, calibration.SoundCalibrator,
		calibration.Microphone, calibration.Microphone, calibration.Preamplifier, calibration.FilterSet,
	} {
		h.instruments = append(h.instruments, calibration.Instrument{
			ID: r.id(), Kind: k, Manufacturer: "Invented", Model: "Mu", SerialNumber: fmt.Sprint(r.ids), Class: "1",
			Version: 1, CreatedAt: historyBegins, RecordedAt: historyBegins,
		}.WithDefaults())
	}
	r.measure(h)
	r.fit(h)
	r.check(h)
	r.certify(h)
	r.befall(h)
	return h
}

// measure makes surveys and their series, of which some are withdrawn; some surveys turn void.
func (r *historian) measure(h *history) {
	for range 1 + r.IntN(2) {
		site, profile := pick(r, r.projects...), pick(r, r.profiles...)
		v := survey.Survey{
			ClientID: site.ClientID, ID: r.id(), Version: 1, RecordedAt: r.learned(historyBegins), ProjectID: site.ID, Kind: "environmental",
			StartedAt: seriesBegin, RuleProfile: profile.Code, RuleProfileEdition: profile.Edition,
		}
		v.CreatedAt = v.RecordedAt
		h.surveys = append(h.surveys, v)
		if r.in(8) {
			reason := "Invented"
			v.Version, v.RecordedAt, v.VoidReason = 2, r.learned(v.RecordedAt.Add(time.Hour)), &reason
			h.surveys = append(h.surveys, v)
		}
		for range 1 + r.IntN(3) {
			s := series.Series{
				ClientID: v.ClientID, ID: r.id(), Version: 1, RecordedAt: r.learned(v.CreatedAt), SurveyID: v.ID, PositionID: site.ID,
				InstrumentID: h.instruments[r.IntN(2)].ID, Channel: 1, Quantity: "LAF", IntervalUS: (15 * time.Minute).Microseconds(),
			}
			s.CreatedAt = s.RecordedAt
			if r.in(6) {
				s.Channel = 2
			}
			if r.in(2) {
				third, nominal := 3, 125.
				s.BandFraction, s.BandNominalHz, s.Quantity = &third, &nominal, "LZeq"
			}
			h.series = append(h.series, s)
			var fell *time.Time
			if r.in(10) {
				w := s
				w.Version, w.RecordedAt, w.Withdrawn = 2, r.learned(s.RecordedAt.Add(time.Hour)), true
				fell = &w.RecordedAt
				h.series = append(h.series, w)
			}
			from := r.quarter(4)
			for range 1 + r.IntN(3) {
				to := from.Add(time.Duration(1+r.IntN(4*40)) * 15 * time.Minute)
				h.uses = append(h.uses, storedUse{s, from, to, r.learned(s.RecordedAt), fell})
				from = to.Add(time.Duration(1+r.IntN(4*30)) * 15 * time.Minute)
				if r.in(6) {
					from = from.AddDate(0, 0, 130) // the meter rests
				}
			}
		}
	}
}

// fit has parts sit on meters, one after the other; some records are corrected later.
func (r *historian) fit(h *history) {
	for _, part := range h.instruments[5:] {
		from := seriesBegin.AddDate(0, 0, -r.IntN(40))
		for range r.IntN(4) {
			to := from.Add(time.Duration(1+r.IntN(96*20)) * 15 * time.Minute)
			if r.in(4) {
				to = from.Add(time.Duration(1+r.IntN(40)) * 15 * time.Minute)
			}
			at := r.learned(historyBegins)
			c := calibration.Component{
				ID: r.id(), InstrumentID: h.instruments[r.IntN(2)].ID, PartID: part.ID, From: from, To: &to, Version: 1, CreatedAt: at, RecordedAt: at,
			}
			if r.in(4) {
				c.To = nil
			}
			h.fits = append(h.fits, c)
			if r.in(4) {
				d := c
				d.Version, d.RecordedAt = 2, r.learned(c.RecordedAt.Add(time.Hour))
				if end := from.Add(time.Duration(1+r.IntN(96*10)) * 15 * time.Minute); r.in(2) {
					d.To = &end
				} else {
					d.PartID = pick(r, h.instruments[5:]...).ID
				}
				h.fits = append(h.fits, d)
			}
			from = to.Add(time.Duration(r.IntN(96*2)) * 15 * time.Minute)
		}
	}
}

// check puts calibrators on meters around the series and while meters rest; some checks are corrected later.
func (r *historian) check(h *history) {
	taken := map[time.Time]bool{} // checks of one instant have no order
	for range 1 + r.IntN(14) {
		u := pick(r, h.uses...)
		at := pick(r, u.From, u.To, r.quarter(12), u.From.Add(-time.Duration(r.IntN(120))*15*time.Minute), u.To.Add(time.Duration(r.IntN(120))*15*time.Minute), u.To.AddDate(0, 0, 40), u.To.AddDate(0, 0, 60), u.To.AddDate(0, 0, 60))
		if taken[at] {
			continue
		}
		taken[at] = true
		k := calibration.FieldCheck{
			ID: r.id(), InstrumentID: u.Series.InstrumentID, CalibratorID: h.instruments[2+r.IntN(3)].ID, At: at,
			NominalDB: 94_00, FrequencyHz: 1000, ExpectedDB: 93_90, AsFoundDB: 93_90, Version: 1, RecordedAt: r.learned(historyBegins),
		}.WithDefaults()
		k.CreatedAt = k.RecordedAt
		left := k.ExpectedDB
		if r.in(8) {
			k.Channel = 2
		}
		if r.in(8) {
			k.Signal = calibration.Electrical
		}
		if r.in(3) {
			k.AsLeftDB = &left
		}
		h.checks = append(h.checks, k)
		if !r.in(3) {
			continue
		}
		k.Version, k.RecordedAt = 2, r.learned(k.RecordedAt.Add(time.Hour))
		switch r.IntN(3) {
		case 0:
			k.CalibratorID = h.instruments[2+r.IntN(3)].ID
		case 1:
			k.AsLeftDB = pick(r, nil, &left)
		case 2:
			if moved := r.quarter(12); !taken[moved] {
				taken[moved] = true
				k.At = moved
			}
		}
		h.checks = append(h.checks, k)
	}
}

// certify makes certificates: drafts, amendments, corrected and withdrawn ones among them.
func (r *historian) certify(h *history) {
	for _, i := range h.instruments {
		scopes := map[calibration.Kind][][]calibration.Scope{
			calibration.SoundLevelMeter: {{calibration.ScopeSoundLevelMeter}, {calibration.ScopeSoundLevelMeter, calibration.ScopeFilters}, {calibration.ScopeFilters}},
		}[i.Kind]
		if scopes == nil {
			scopes = [][]calibration.Scope{calibration.Certificate{}.WithDefaults(i.Kind).Scope}
		}
		for range r.IntN(5) {
			c := calibration.Certificate{
				ID: r.id(), InstrumentID: i.ID, Number: fmt.Sprint("N-", r.ids), Scope: pick(r, scopes...), Version: 1, RecordedAt: r.learned(historyBegins),
			}
			c.CreatedAt = c.RecordedAt
			r.state(h, &c)
			if r.in(10) {
				c.State = calibration.Draft
			}
			c = c.WithDefaults(i.Kind)
			h.certificates = append(h.certificates, c)
			if d := c; c.State == calibration.Draft || r.in(4) {
				d.Version, d.RecordedAt, d.State = 2, r.learned(c.RecordedAt.Add(time.Hour)), calibration.Confirmed
				if r.in(2) {
					r.state(h, &d)
				}
				h.certificates = append(h.certificates, d)
			}
			if r.in(5) { // amended: by name, or as a revision
				d := c
				d.ID, d.RecordedAt, d.State = r.id(), r.learned(c.RecordedAt.Add(time.Hour)), calibration.Confirmed
				if d.CreatedAt = d.RecordedAt; r.in(2) {
					d.Revision++
				} else {
					d.Number, d.ReplacesID = fmt.Sprint("N-", r.ids), c.ID
				}
				if r.in(2) {
					d.CalibratedOn = d.CalibratedOn.AddDays(1)
					d.DueOverrideOn = civil.Date{}
				}
				h.certificates = append(h.certificates, d)
			}
		}
	}
	for _, c := range h.certificates {
		for range max(0, r.IntN(6)-3) {
			s := calibration.CertificateStatus{
				ID: r.id(), CertificateID: c.ID, Status: pick(r, calibration.Withdrawn, calibration.Withdrawn, calibration.Superseded, calibration.Active),
				EffectiveFrom: c.CalibratedOn.AddDays(r.IntN(2) * r.IntN(400)), Reason: "Invented", Version: 1, RecordedAt: r.instant(),
			}
			s.CreatedAt = s.RecordedAt
			h.statuses = append(h.statuses, s)
		}
	}
}

// state gives c days, results, a laboratory and its standard, as printed.
func (r *historian) state(h *history, c *calibration.Certificate) {
	c.CalibratedOn = r.calibrationDay()
	c.CalibratedFrom = c.CalibratedOn.AddDays(-r.IntN(4))
	c.AsFound, c.AsLeft, c.DueOverrideOn = pick(r, calibration.Pass, calibration.Fail, calibration.NotStated), calibration.Pass, civil.Date{}
	if r.in(8) {
		c.AsLeft = calibration.Fail
	}
	if r.in(6) {
		c.DueOverrideOn = c.CalibratedOn.AddDays(r.IntN(500))
	}
	c.LaboratoryID = pick(r, append(slices.Clone(r.shared), h.laboratories[0].ID)...)
	name := pick(r, h.own, sharedName+"1", sharedName+"2")
	c.ReferenceStandards = pick(r, nil, []calibration.ReferenceStandard{{Description: name}}, []calibration.ReferenceStandard{{Description: "Invented"}, {Description: "Invented", Certificate: name}})
}

// befall has instruments repaired or damaged; some of it is corrected later.
func (r *historian) befall(h *history) {
	for range r.IntN(4) {
		e := calibration.Event{
			ID: r.id(), InstrumentID: pick(r, h.instruments...).ID, Kind: calibration.Repair, On: r.calibrationDay(), EndsCover: !r.in(4),
			BeforeCalibration: r.in(2), Version: 1, RecordedAt: r.learned(historyBegins),
		}
		if e.CreatedAt = e.RecordedAt; len(h.certificates) > 0 && r.in(3) {
			e.On = pick(r, h.certificates...).CalibratedOn
		}
		h.events = append(h.events, e)
		if r.in(3) {
			e.Version, e.RecordedAt, e.EndsCover = 2, r.learned(e.RecordedAt.Add(time.Hour)), !e.EndsCover
			h.events = append(h.events, e)
		}
	}
}

// archive stores histories.
func archive(t *testing.T, superuser string, hs []*history) {
	t.Helper()
	db := ok(pgx.Connect(t.Context(), superuser))(t)
	defer db.Close(t.Context())
	ok(0, scanUTC(t.Context(), db))(t)
	ok(db.Exec(t.Context(), `set session_replication_role = replica`))(t) // rows come in any order
	var all history
	for _, h := range hs {
		all.laboratories = append(all.laboratories, h.laboratories...)
		all.instruments = append(all.instruments, h.instruments...)
		all.certificates = append(all.certificates, h.certificates...)
		all.statuses = append(all.statuses, h.statuses...)
		all.events = append(all.events, h.events...)
		all.fits = append(all.fits, h.fits...)
		all.checks = append(all.checks, h.checks...)
		all.surveys = append(all.surveys, h.surveys...)
		all.series = append(all.series, h.series...)
		all.uses = append(all.uses, h.uses...)
	}
	keepVersions(t, db, laboratories, all.laboratories)
	keepVersions(t, db, instruments, all.instruments)
	keepVersions(t, db, certificates, all.certificates)
	keepVersions(t, db, certificateStatuses, all.statuses)
	keepVersions(t, db, events, all.events)
	keepVersions(t, db, components, all.fits)
	keepVersions(t, db, fieldChecks, all.checks)
	keepVersions(t, db, surveys, all.surveys)
	keepVersions(t, db, seriesKind, all.series)
	rows := make([][]any, len(all.uses))
	for i, u := range all.uses {
		rows[i] = []any{
			u.Series.InstrumentID, u.Series.Channel, u.Series.ClientID, u.Series.SurveyID, u.Series.ID, u.Series.Use(),
			fmt.Sprintf("[%s,%s)", u.From.Format(time.RFC3339), u.To.Format(time.RFC3339)), u.RecordedAt, false, u.WithdrawnAt,
		}
	}
	ok(db.Exec(t.Context(), `create temporary table u (like instrument_use); alter table u alter during type text`))(t)
	columns := []string{"instrument_id", "channel", "client_id", "survey_id", "series_id", "quantity", "during", "recorded_at", "live", "withdrawn_at"}
	ok(db.CopyFrom(t.Context(), pgx.Identifier{"u"}, columns, pgx.CopyFromRows(rows)))(t)
	ok(db.Exec(t.Context(), `insert into instrument_use select instrument_id, channel, client_id, survey_id, series_id, quantity, during::tstzrange, recorded_at, live, withdrawn_at from u`))(t)
	ok(db.Exec(t.Context(), `analyze`))(t)
}

// keepVersions stores all versions of records, and as the current ones the last of each.
func keepVersions[T any](t *testing.T, db *pgx.Conn, k kind[T], versions []T) {
	t.Helper()
	rows := make([][]any, len(versions))
	for i, v := range versions {
		rows[i] = k.args(v, nil)
	}
	ok(db.CopyFrom(t.Context(), pgx.Identifier{k.table + "_version"}, k.columns, pgx.CopyFromRows(rows)))(t)
	ok(db.Exec(t.Context(), `insert into "`+k.table+`" (`+k.list+`) select distinct on (id) `+k.list+` from `+k.table+`_version
		order by id, version desc on conflict do nothing`))(t)
}

// newestKnown returns of each record the newest version recorded by an instant.
func newestKnown[T any](versions []T, at time.Time) (known []T) {
	field := func(v T, name string) any { return reflect.ValueOf(v).FieldByName(name).Interface() }
	for _, v := range versions {
		if field(v, "RecordedAt").(time.Time).After(at) {
			continue
		}
		if !slices.ContainsFunc(versions, func(o T) bool {
			return field(o, "ID") == field(v, "ID") && !field(o, "RecordedAt").(time.Time).After(at) && field(o, "Version").(int) > field(v, "Version").(int)
		}) {
			known = append(known, v)
		}
	}
	return known
}

package persistence_test

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/uuid"

	"leveltrail/domain/calibration"
	"leveltrail/domain/civil"
	"leveltrail/domain/fault"
	"leveltrail/domain/request"
	"leveltrail/persistence/pgtest"
)

// Page by page the due list is what is reckoned from the whole life of every instrument, while
// certificates, amendments, drafts, withdrawals and events come in at random; many on the same few days.
func TestDueListAgainstWholeLives(t *testing.T) {
	t.Parallel()
	ctx, s := open(t, pgtest.New(t))
	rng := rand.New(rand.NewPCG(17, 2026))
	today := day(2026, time.November, 25)
	anyDay := func() civil.Date { return today.AddDays(-100 * rng.IntN(10)) }
	lab := must[calibration.Laboratory](t)(s.CreateLaboratory(ctx, calibration.Laboratory{Name: "Invented Laboratory"}))
	scopes := map[calibration.Kind][]calibration.Scope{
		calibration.SoundLevelMeter: {"sound_level_meter", "filters"}, calibration.SoundCalibrator: {"calibrator"},
	}
	var instruments []calibration.Instrument
	var held []calibration.Certificate
	certificate := func(i calibration.Instrument) calibration.Certificate {
		on := anyDay()
		c := calibration.Certificate{
			InstrumentID: i.ID, LaboratoryID: lab.ID, ItemSerialNumber: i.SerialNumber, Number: fmt.Sprint("N-", len(held)), State: calibration.Confirmed,
			CalibratedFrom: on, CalibratedOn: on, Standard: i.Specification, AsFound: "pass", AsLeft: "pass", PatternEvidence: "public",
		}
		of := scopes[i.Kind]
		c.Scope = of[rng.IntN(len(of)):]
		switch rng.IntN(12) {
		case 0:
			c.AsLeft = "fail"
		case 1:
			c.DueOverrideOn = on.AddDays(100 * rng.IntN(8))
		case 2:
			c.State = calibration.Draft
		}
		return c
	}
	ops := []func(){
		func() { // an instrument that has certificates
			kind := []calibration.Kind{calibration.SoundLevelMeter, calibration.SoundCalibrator}[rng.IntN(2)]
			i := must[calibration.Instrument](t)(s.CreateInstrument(ctx, calibration.Instrument{
				Kind: kind, Manufacturer: "Invented Works", Model: "Kappa", SerialNumber: fmt.Sprint(len(instruments)), Class: "1", Specification: "IEC 61672-1:2013",
			}))
			instruments = append(instruments, i)
			for range rng.IntN(4) {
				held = append(held, must[calibration.Certificate](t)(s.CreateCertificate(ctx, certificate(i), "")))
			}
		},
		func() { // an amendment
			old := held[rng.IntN(len(held))]
			c := certificate(instruments[slices.IndexFunc(instruments, func(i calibration.Instrument) bool { return i.ID == old.InstrumentID })])
			c.ReplacesID = old.ID
			held = append(held, must[calibration.Certificate](t)(s.CreateCertificate(ctx, c, "")))
		},
		func() { // a correction
			n := rng.IntN(len(held))
			c := held[n]
			c.CalibratedFrom = anyDay()
			c.CalibratedOn = c.CalibratedFrom
			c.DueOverrideOn = civil.Date{}
			held[n] = must[calibration.Certificate](t)(s.UpdateCertificate(ctx, c, ""))
		},
		func() { // a draft is confirmed
			if n := slices.IndexFunc(held, func(c calibration.Certificate) bool { return c.State == calibration.Draft }); n >= 0 {
				held[n] = must[calibration.Certificate](t)(s.ConfirmCertificate(ctx, held[n]))
			}
		},
		func() {
			c := held[rng.IntN(len(held))]
			_, err := s.WithdrawCertificate(ctx, calibration.CertificateStatus{CertificateID: c.ID, Status: calibration.Withdrawn, EffectiveFrom: c.CalibratedOn.AddDays(100 * rng.IntN(5)), Reason: "invented"})
			if err != nil && fault.KindOf(err) != fault.Conflict {
				t.Fatal(err)
			}
		},
		func() {
			i := instruments[rng.IntN(len(instruments))]
			must[calibration.Event](t)(s.CreateEvent(ctx, calibration.Event{InstrumentID: i.ID, Kind: calibration.Repair, On: anyDay(), EndsCover: rng.IntN(2) == 0}))
		},
	}
	for range 40 {
		ops[0]()
	}
	profiles := calibration.BuiltIn()
	months := calibration.ShortestIntervals(profiles)
	for round := range 12 {
		for range 8 {
			ops[rng.IntN(len(ops))]()
		}
		var whole []calibration.Kept
		for _, i := range instruments {
			past, _, _, err := s.InstrumentLife(ctx, i.ID, nil)
			if err != nil {
				t.Fatal(err)
			}
			whole = append(whole, calibration.Kept{Instrument: i, Past: past})
		}
		for _, within := range []int{0, 60, 400, 3660} {
			want := calibration.DueList(whole, profiles, today, within)
			for _, limit := range []int{1, 7, 200} {
				var kept []calibration.Kept
				for p := (request.Page{Limit: limit + 1}); ; {
					some, err := s.MayFallDue(ctx, months, today.AddDays(within), p)
					if err != nil {
						t.Fatal(err)
					}
					if len(some) <= limit {
						kept = append(kept, some...)
						break
					}
					kept = append(kept, some[:limit]...)
					p.After = some[limit-1].Instrument.ID
				}
				got := calibration.DueList(kept, profiles, today, within)
				if diff := cmp.Diff(told(want), told(got)); diff != "" {
					t.Fatalf("round %d, within %d days, %d a page (-whole +paged):\n%s", round, within, limit, diff)
				}
				seen := map[uuid.UUID]bool{}
				for _, k := range kept {
					if seen[k.Instrument.ID] {
						t.Fatalf("round %d, within %d days, %d a page: instrument %s comes twice", round, within, limit, k.Instrument.SerialNumber)
					}
					seen[k.Instrument.ID] = true
				}
			}
		}
	}
}

func told(rows []calibration.DueRow) (lines []string) {
	for _, r := range rows {
		lines = append(lines, fmt.Sprint(r.Instrument.SerialNumber, " ", r.Scope, " ", r.EffectiveEndOn, " ", r.EndedBy, " ", r.State))
	}
	return lines
}

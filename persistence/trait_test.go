package persistence

import (
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/uuid"
	"pgregory.net/rapid"

	"leveltrail/domain/acoustic"
	"leveltrail/domain/calibration"
	"leveltrail/domain/series"
)

// However samples came, in whichever order and pieces, what stands out in them is what a
// surveyor finds that sees all of them at once; and what was known before more came stays the same.
func TestTraitsOfAppendedSamples(t *testing.T) {
	t.Parallel()
	b := newSamplesBed(t)
	low, high := acoustic.Level(30_00), acoustic.Level(90_00)
	rapid.Check(t, func(t *rapid.T) {
		clock := t0.AddDate(15, 0, 0)
		b.store.now = func() time.Time { return clock }
		v := b.survey
		v.ID = uuid.Nil
		b.survey = ok(b.store.CreateSurvey(b.ctx, v))(t)
		h := b.series(t, time.Second)
		h.RangeFromDB, h.RangeToDB = &low, &high
		h = ok(b.store.UpdateSeries(b.ctx, h))(t)
		const pieces, most = 6, 8000
		order := rapid.Permutation([]int{0, 1, 2, 3, 4, 5}).Draw(t, "order")
		var runs [pieces]*series.Run
		var was *calibration.SeriesData
		var then time.Time
		for _, n := range order[:rapid.IntRange(1, pieces).Draw(t, "pieces")] {
			levels := make([]acoustic.Level, 0, most)
			size := rapid.SampledFrom([]int{100, 3600, 5000, most}).Draw(t, "size")
			for len(levels) < size {
				level := acoustic.Level(rapid.SampledFrom([]int{30_00, 31_00, 55_00, 61_50, 90_00}).Draw(t, "level"))
				for range rapid.SampledFrom([]int{1, 40, 90, 2000}).Draw(t, "times") {
					levels = append(levels, level)
				}
			}
			levels = levels[:size]
			if rapid.Bool().Draw(t, "flagged") {
				levels[size/2] = series.OverRange
			}
			runs[n] = &series.Run{Start: t0.Add(time.Duration(n*most) * time.Second), Levels: levels}
			clock = clock.Add(time.Hour)
			b.store.now = func() time.Time { return clock }
			_, _, err := b.store.AppendSamples(b.ctx, h.ID, []series.Run{*runs[n]})
			ok(0, err)(t)

			all := series.NewSurveyor(time.Second, &low, &high, false)
			for _, r := range runs {
				if r != nil {
					all.Add(*r)
				}
			}
			want := calibration.SeriesData{SeriesID: h.ID}
			countTraits(&want, all.Traits())
			for range 2 { // found, then kept
				got := b.data(t, h, nil)
				if diff := cmp.Diff(want, got); diff != "" {
					t.Fatalf("after piece %d (-want +got):\n%s", n, diff)
				}
			}
			if was != nil {
				if diff := cmp.Diff(*was, b.data(t, h, &then)); diff != "" {
					t.Fatalf("as known before piece %d (-then +now):\n%s", n, diff)
				}
			}
			was, then = &want, clock
		}
	})
}

// data returns what the verdict of the bed's survey rests on of the samples of h.
func (b *samplesBed) data(t fataler, h series.Series, asKnownAt *time.Time) calibration.SeriesData {
	t.Helper()
	for _, d := range ok(b.store.VerdictFacts(b.ctx, h.SurveyID, asKnownAt))(t).Data {
		if d.SeriesID == h.ID {
			d.Clock = nil
			return d
		}
	}
	return calibration.SeriesData{SeriesID: h.ID}
}

package main

import (
	"context"
	"fmt"
	"math"

	"leveltrail/domain/acoustic"
	"leveltrail/domain/series"
)

// samplesOnDisk is every byte that samples take on our side: blocks, days and use with their indices and overflow.
const samplesOnDisk = `select pg_total_relation_size('sample_block') + pg_total_relation_size('sample_day') + pg_total_relation_size('instrument_use')`

// onDisk returns how many bytes samples take on our side.
func (r records) onDisk(ctx context.Context) (n float64, err error) {
	err = r.admin.QueryRow(ctx, samplesOnDisk).Scan(&n)
	return n, err
}

// fineSizes stores samples of 0.01 dB and looks at the bytes they take.
func (b *bench) fineSizes(ctx context.Context) error {
	run := made(b.sizes.fineDays, 1)
	empty, err := b.fine.onDisk(ctx)
	if err != nil {
		return err
	}
	h, err := b.newSeries(ctx, b.fine)
	if err != nil {
		return err
	}
	if _, _, err := b.fine.AppendSamples(everyone(ctx), h.ID, []series.Run{run}); err != nil {
		return err
	}
	if _, _, err := collect(ctx, b.fine, h, totals(series.Span{From: run.Start, To: run.Start.AddDate(0, 0, b.sizes.fineDays)})); err != nil {
		return err
	}
	full, err := b.fine.onDisk(ctx)
	if err != nil {
		return err
	}
	b.sizeRow(run, 1, full-empty)
	return nil
}

// longSizes compares what the long series takes on both sides.
func (b *bench) longSizes(ctx context.Context) error {
	run := made(b.sizes.days, 10)
	var theirs float64
	if err := b.rows.QueryRow(ctx, `select pg_total_relation_size('reading')`).Scan(&theirs); err != nil {
		return err
	}
	n := float64(len(run.Levels))
	b.table.add("bytes on disk with indices, 0.1 dB", perSample(b.longBytes/n), perSample(theirs/n), spreadOf([]float64{theirs / b.longBytes}), atLeast(75))
	b.sizeRow(run, 10, b.longBytes)
	return nil
}

// sizeRow holds the bytes that a run takes against the entropy of its first differences.
func (b *bench) sizeRow(run series.Run, step acoustic.Level, bytes float64) {
	each, least := bytes/float64(len(run.Levels)), entropy(run.Levels)
	b.table.add(fmt.Sprintf("bytes on disk with indices, %g dB, against the entropy of first differences", float64(step)/100),
		perSample(each), perSample(least), spreadOf([]float64{each / least}), atMost(1.4))
}

// entropy returns the entropy of the first differences of levels, in bytes a sample.
func entropy(ls []acoustic.Level) float64 {
	counts := map[acoustic.Level]float64{}
	for i := 1; i < len(ls); i++ {
		counts[ls[i]-ls[i-1]]++
	}
	n, bits := float64(len(ls)-1), 0.0
	for _, c := range counts {
		bits -= c / n * math.Log2(c/n)
	}
	return bits / 8
}

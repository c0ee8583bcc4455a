package main

import (
	"context"
	"fmt"
	"math"
	"runtime"
	"runtime/metrics"
	"sync"
	"time"

	"leveltrail/domain/acoustic"
	"leveltrail/domain/series"
	"leveltrail/persistence/levels"
)

// decoding measures every sample of the long series out of blocks in memory, beside
// the least that can be done with samples: a sum of an array through a table.
func (b *bench) decoding(ctx context.Context) error {
	run := made(b.sizes.days, 10)
	var hours []time.Time
	var blocks [][]byte
	for _, p := range series.Split([]series.Run{run}, time.Second, time.Hour) {
		hours = append(hours, p.Start)
		blocks = append(blocks, levels.Append(nil, p.Start, time.Second, p.Runs))
	}
	var energies [1 << 16]float64
	for i := range energies {
		energies[i] = math.Pow(10, float64(int16(i))/1000)
	}
	var decoder levels.Decoder
	decode := func(context.Context) error {
		samples := 0
		for i := range blocks {
			runs, err := decoder.Decode(blocks[i], hours[i], time.Second)
			if err != nil {
				return err
			}
			samples += len(runs[0].Levels)
		}
		if samples != len(run.Levels) {
			return fmt.Errorf("%d samples of %d were decoded", samples, len(run.Levels))
		}
		return nil
	}
	sum := func(context.Context) error {
		if l := sumOf(run.Levels, &energies); l == 0 {
			return fmt.Errorf("a sum of nothing")
		}
		return nil
	}
	o, t, err := race(ctx, b.sizes.rounds, timed(decode), timed(sum))
	if err != nil {
		return err
	}
	b.table.within(fmt.Sprintf("decode %d days, against a sum of an int16 array through a table", b.sizes.days), o, t, atMost(6))
	return nil
}

func sumOf(ls []acoustic.Level, energies *[1 << 16]float64) (sum float64) {
	for _, l := range ls {
		sum += energies[uint16(l)]
	}
	return sum
}

// peakOf returns how many bytes the heap grew by while f ran, at most, looked at every millisecond.
func peakOf(f func() error) (bytes float64, err error) {
	runtime.GC()
	sample := []metrics.Sample{{Name: "/memory/classes/heap/objects:bytes"}}
	heap := func() uint64 {
		metrics.Read(sample)
		return sample[0].Value.Uint64()
	}
	before := heap()
	most := before
	stop := make(chan struct{})
	var watch sync.WaitGroup
	watch.Go(func() {
		tick := time.NewTicker(time.Millisecond)
		defer tick.Stop()
		for {
			select {
			case <-tick.C:
				most = max(most, heap())
			case <-stop:
				return
			}
		}
	})
	err = f()
	close(stop)
	watch.Wait()
	return float64(most - before), err
}

func megabytes(n float64) string { return fmt.Sprintf("%.1f MB", n/1e6) }

func perSample(n float64) string { return fmt.Sprintf("%.3f bytes/sample", n) }

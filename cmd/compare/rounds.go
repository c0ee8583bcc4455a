package main

import (
	"context"
	"slices"
	"time"
)

// side does a thing once and returns how long it took, preparation left out.
type side func(context.Context) (time.Duration, error)

// timed returns the side that takes as long as f does.
func timed(f func(context.Context) error) side {
	return func(ctx context.Context) (time.Duration, error) {
		began := time.Now()
		err := f(ctx)
		return time.Since(began), err
	}
}

// mean returns the side that does f n times and takes the mean of their times:
// what takes a millisecond is not measured by one.
func mean(n int, f func(context.Context) error) side {
	return func(ctx context.Context) (time.Duration, error) {
		began := time.Now()
		for range n {
			if err := f(ctx); err != nil {
				return 0, err
			}
		}
		return time.Since(began) / time.Duration(n), nil
	}
}

// spread is the median of some measurements, and the least and the greatest of them.
type spread struct{ median, least, greatest float64 }

func spreadOf(xs []float64) spread {
	xs = slices.Sorted(slices.Values(xs))
	n := len(xs)
	return spread{(xs[(n-1)/2] + xs[n/2]) / 2, xs[0], xs[n-1]}
}

// race lets both sides take turns.
func race(ctx context.Context, rounds int, ours, theirs side) (o, t []float64, err error) {
	for range rounds {
		d, err := ours(ctx)
		if err != nil {
			return nil, nil, err
		}
		o = append(o, d.Seconds())
		if d, err = theirs(ctx); err != nil {
			return nil, nil, err
		}
		t = append(t, d.Seconds())
	}
	return o, t, nil
}

// quotients returns a over b, round by round.
func quotients(a, b []float64) []float64 {
	q := make([]float64, len(a))
	for i := range a {
		q[i] = a[i] / b[i]
	}
	return q
}

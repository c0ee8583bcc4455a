package main

import (
	"context"
	"errors"
	"log/slog"
	"time"

	"leveltrail/persistence"
)

// cleanEvery is how often what need not be kept is dropped.
const cleanEvery = 24 * time.Hour

// keepClean drops uploads that expired and answers kept long enough, now and each day until ctx ends.
func keepClean(ctx context.Context, store *persistence.Store, log *slog.Logger) {
	tick := time.NewTicker(cleanEvery)
	defer tick.Stop()
	for {
		err := errors.Join(store.ForgetUploads(ctx, time.Now()), store.ForgetAnswers(ctx))
		if err != nil && ctx.Err() == nil {
			log.ErrorContext(ctx, "dropping what expired", "error", err.Error())
		}
		select {
		case <-tick.C:
		case <-ctx.Done():
			return
		}
	}
}

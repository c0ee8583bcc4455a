package main

import (
	"context"
	"fmt"
	"log/slog"
	"time"

	"leveltrail/api"
	"leveltrail/cmd/leveltrail/outbound"
	"leveltrail/domain/webhook"
	"leveltrail/persistence"
)

// startWork does the background work until stop is called, which waits for what is
// under way: sealing the journal, delivering to webhooks, forgetting what expired.
func startWork(ctx context.Context, env environment, store *persistence.Store, log *slog.Logger) (stop func(), err error) {
	allowed, err := outbound.Allow(env.getenv("LEVELTRAIL_WEBHOOK_ALLOW"))
	if err != nil {
		return nil, fmt.Errorf("LEVELTRAIL_WEBHOOK_ALLOW: %w", err)
	}
	sender := outbound.New(outbound.Config{Allowed: allowed, Now: time.Now})
	ctx, cancel := context.WithCancel(context.WithoutCancel(ctx))
	done := make(chan struct{})
	go func() {
		defer close(done)
		err := store.Work(ctx, persistence.Work{Log: log, Send: func(ctx context.Context, m webhook.Message) webhook.Outcome {
			body, err := api.ChangeBody(m.Entry)
			if err != nil {
				return webhook.Outcome{Error: "the change cannot be written"}
			}
			return sender.Post(ctx, m.Delivery, m.URL, body, m.Secrets)
		}})
		if err != nil {
			log.ErrorContext(ctx, "background work ended", "error", err.Error())
		}
	}()
	return func() {
		cancel()
		<-done
		sender.Close()
	}, nil
}

package persistence

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"sync"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"
	"github.com/riverqueue/river"
	"github.com/riverqueue/river/riverdriver/riverpgxv5"

	"leveltrail/domain/access"
	"leveltrail/domain/webhook"
)

// Work is how the background work is done.
type Work struct {
	Log *slog.Logger
	// Send makes one attempt to deliver a message, within AttemptLimit.
	Send func(ctx context.Context, m webhook.Message) webhook.Outcome
}

const (
	// AttemptLimit is how long an attempt to deliver a message may take.
	AttemptLimit = 15 * time.Second

	sealEvery   = 3 * time.Second
	forgetEvery = 24 * time.Hour

	jobLimit    = 2 * AttemptLimit // after which a job's context ends
	rescueAfter = 2 * jobLimit     // after which a job is taken for cut short, and done again

	sendAtOnce   = 20 // messages under way
	sendToOne    = 4  // of these to one webhook, so that one that is slow does not hold up the rest
	sendNotBusy  = time.Second
	stopPatience = 10 * time.Second
)

type (
	sealArgs    struct{}
	forgetArgs  struct{}
	deliverArgs struct {
		Delivery uuid.UUID `json:"delivery"`
		Webhook  uuid.UUID `json:"webhook"`
		Round    int       `json:"round"`
	}
)

func (sealArgs) Kind() string    { return "seal" }
func (forgetArgs) Kind() string  { return "forget" }
func (deliverArgs) Kind() string { return "deliver" }

// InsertOpts has a job that failed give way to the next of its kind.
func (sealArgs) InsertOpts() river.InsertOpts { return river.InsertOpts{MaxAttempts: 1} }

// InsertOpts has a delivery go on however often the program is killed: how often
// it is sent is for its row to say.
func (deliverArgs) InsertOpts() river.InsertOpts {
	return river.InsertOpts{MaxAttempts: 30_000, Queue: "webhooks"}
}

// newQueue returns the side of the job queue that adds jobs.
func newQueue(pool *pgxpool.Pool) (*river.Client[pgx.Tx], error) {
	return river.NewClient(riverpgxv5.New(pool), &river.Config{Logger: slog.New(slog.DiscardHandler)})
}

// Work does the background work until ctx ends: it seals the journal, delivers
// what webhooks ask for and forgets what need not be kept. Several processes may.
func (s *Store) Work(ctx context.Context, w Work) error {
	// The queue has connections of its own, so that requests never wait for it.
	config := s.pool.Config()
	config.MaxConns = 4
	pool, err := pgxpool.NewWithConfig(ctx, config)
	if err != nil {
		return fmt.Errorf("connecting the job queue: %w", err)
	}
	defer pool.Close()
	workers := river.NewWorkers()
	river.AddWorker(workers, river.WorkFunc(func(ctx context.Context, _ *river.Job[sealArgs]) error {
		_, err := s.Seal(ctx)
		return err
	}))
	river.AddWorker(workers, river.WorkFunc(func(ctx context.Context, _ *river.Job[forgetArgs]) error {
		return errors.Join(s.ForgetAnswers(ctx), s.ForgetDeliveries(ctx), s.ForgetUploads(ctx, s.stamp()))
	}))
	river.AddWorker(workers, &deliverer{store: s, send: w.Send, busy: map[uuid.UUID]int{}})
	queue, err := river.NewClient(riverpgxv5.New(pool), &river.Config{
		Logger:                      slog.New(warnings{w.Log.Handler(), func() bool { return ctx.Err() != nil }}),
		Workers:                     workers,
		Queues:                      map[string]river.QueueConfig{river.QueueDefault: {MaxWorkers: 2}, "webhooks": {MaxWorkers: sendAtOnce}},
		JobTimeout:                  jobLimit,
		RescueStuckJobsAfter:        rescueAfter,
		CompletedJobRetentionPeriod: time.Hour,
		DiscardedJobRetentionPeriod: time.Hour,
		ReindexerIndexNames:         []string{}, // that is for the owner of the tables
		SoftStopTimeout:             stopPatience,
		PeriodicJobs: []*river.PeriodicJob{
			periodic(sealEvery, sealArgs{}),
			periodic(forgetEvery, forgetArgs{}),
		},
	})
	if err != nil {
		return fmt.Errorf("making the job queue: %w", err)
	}
	if err := queue.Start(ctx); err != nil {
		return fmt.Errorf("starting the job queue: %w", err)
	}
	<-queue.Stopped()
	return nil
}

// warnings passes on what is worth a look: the queue reports every few seconds that
// all is well, and while it stops that what it was doing was stopped.
type warnings struct {
	slog.Handler
	stopping func() bool
}

// Handle implements slog.Handler.
func (w warnings) Handle(ctx context.Context, r slog.Record) error {
	if w.stopping() {
		return nil
	}
	return w.Handler.Handle(ctx, r)
}

func (w warnings) Enabled(ctx context.Context, l slog.Level) bool {
	return l >= slog.LevelWarn && w.Handler.Enabled(ctx, l)
}

func (w warnings) WithAttrs(as []slog.Attr) slog.Handler {
	return warnings{w.Handler.WithAttrs(as), w.stopping}
}

func (w warnings) WithGroup(name string) slog.Handler {
	return warnings{w.Handler.WithGroup(name), w.stopping}
}

func periodic(every time.Duration, args river.JobArgs) *river.PeriodicJob {
	return river.NewPeriodicJob(river.PeriodicInterval(every),
		func() (river.JobArgs, *river.InsertOpts) { return args, nil }, &river.PeriodicJobOpts{RunOnStart: true})
}

// deliverer sends messages to webhooks.
type deliverer struct {
	river.WorkerDefaults[deliverArgs]
	store *Store
	send  func(ctx context.Context, m webhook.Message) webhook.Outcome

	mu   sync.Mutex
	busy map[uuid.UUID]int // messages under way, by webhook
}

// Work makes one attempt at a delivery.
func (d *deliverer) Work(ctx context.Context, job *river.Job[deliverArgs]) error {
	if !d.enter(job.Args.Webhook) {
		return river.JobSnooze(sendNotBusy)
	}
	defer d.leave(job.Args.Webhook)
	ctx = access.With(ctx, access.Caller{Name: "the service", All: true})
	m, ok, err := d.store.beginAttempt(ctx, job.Args.Delivery, job.Args.Round)
	if err != nil || !ok {
		return err
	}
	wait, again, err := d.store.endAttempt(ctx, m, d.send(ctx, m))
	if err != nil || !again {
		return err
	}
	return river.JobSnooze(wait + rand.N(wait/10)) // not all that failed together come together again
}

// NextRetry has a job that was cut short go on at once.
func (d *deliverer) NextRetry(*river.Job[deliverArgs]) time.Time { return time.Now().Add(sendNotBusy) }

func (d *deliverer) enter(w uuid.UUID) bool {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.busy[w] >= sendToOne {
		return false
	}
	d.busy[w]++
	return true
}

func (d *deliverer) leave(w uuid.UUID) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.busy[w]--; d.busy[w] == 0 {
		delete(d.busy, w)
	}
}

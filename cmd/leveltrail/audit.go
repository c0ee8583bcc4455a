package main

import (
	"context"
	"errors"
	"fmt"
	"time"

	"leveltrail/domain/access"
	"leveltrail/persistence"
)

type auditCommand struct {
	Verify auditVerifyCommand `cmd:"" help:"Recompute what is kept and report the first difference."`
	Head   auditHeadCommand   `cmd:"" help:"Print the head of the journal's chain: number, SHA-256, time of its seal."`
}

type auditHeadCommand struct{}

// Run seals what has committed and prints the head on one line, for a job that keeps it
// every day where the service's keepers cannot write: what was sealed up to a kept head
// cannot have been altered without being found.
func (auditHeadCommand) Run(ctx context.Context, env environment) error {
	store, err := openForAudit(ctx, env)
	if err != nil {
		return err
	}
	defer store.Close()
	h, err := store.SealedHead(ctx)
	if err != nil {
		return err
	}
	if h.Seq == 0 {
		return errors.New("nothing is in the journal yet")
	}
	_, err = fmt.Fprintf(env.stdout, "%d %x %s\n", h.Seq, h.SHA256, h.SealedAt.UTC().Format(time.RFC3339Nano))
	return err
}

func openForAudit(ctx context.Context, env environment) (*persistence.Store, error) {
	url := env.getenv("DATABASE_URL")
	if url == "" {
		return nil, errors.New("set DATABASE_URL to the database to verify")
	}
	return persistence.Open(ctx, url)
}

type auditVerifyCommand struct {
	Samples bool `help:"Instead of the journal: decode all samples and compare the aggregates kept beside them."`
}

// Run verifies what is asked.
func (c auditVerifyCommand) Run(ctx context.Context, env environment) error {
	store, err := openForAudit(ctx, env)
	if err != nil {
		return err
	}
	defer store.Close()
	if c.Samples {
		return verifySamples(ctx, env, store)
	}
	return verifyJournal(ctx, env, store)
}

func verifySamples(ctx context.Context, env environment, store *persistence.Store) error {
	v, err := store.VerifySamples(access.With(ctx, access.Caller{All: true}))
	if err != nil {
		return err
	}
	_, err = fmt.Fprintf(env.stdout, "%d samples of %d series in %d blocks; %d aggregates of days agree\n", v.Samples, v.Series, v.Blocks, v.Days)
	return err
}

// verifyJournal prints how far the journal is what was sealed. It fails where it is not. It seals nothing itself.
func verifyJournal(ctx context.Context, env environment, store *persistence.Store) error {
	v, err := store.VerifyJournal(ctx)
	if err != nil {
		return err
	}
	fmt.Fprintf(env.stdout, "%d entries of the journal are as sealed, up to SHA-256 %x; %d await their seal\n", v.Entries, v.Head, v.Open)
	if v.BadSeq != 0 {
		return fmt.Errorf("entry %d of the journal: %s", v.BadSeq, v.Why)
	}
	return nil
}

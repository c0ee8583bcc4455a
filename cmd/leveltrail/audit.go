package main

import (
	"context"
	"errors"
	"fmt"

	"leveltrail/domain/access"
	"leveltrail/persistence"
)

type auditCommand struct {
	Verify auditVerifyCommand `cmd:"" help:"Recompute what is kept and report the first difference."`
}

type auditVerifyCommand struct {
	Samples bool `help:"Instead of the journal: decode all samples and compare the aggregates kept beside them."`
}

// Run verifies what is asked.
func (c auditVerifyCommand) Run(ctx context.Context, env environment) error {
	url := env.getenv("DATABASE_URL")
	if url == "" {
		return errors.New("set DATABASE_URL to the database to verify")
	}
	store, err := persistence.Open(ctx, url)
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

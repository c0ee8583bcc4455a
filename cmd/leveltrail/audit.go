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
	Samples bool `help:"Decode all samples and compare the aggregates kept beside them."`
}

// Run verifies what is asked.
func (c auditVerifyCommand) Run(ctx context.Context, env environment) error {
	if !c.Samples {
		return errors.New("say what to verify: --samples")
	}
	url := env.getenv("DATABASE_URL")
	if url == "" {
		return errors.New("set DATABASE_URL to the database to verify")
	}
	store, err := persistence.Open(ctx, url)
	if err != nil {
		return err
	}
	defer store.Close()
	v, err := store.VerifySamples(access.With(ctx, access.Caller{All: true}))
	if err != nil {
		return err
	}
	_, err = fmt.Fprintf(env.stdout, "%d samples of %d series in %d blocks; %d aggregates of days agree\n", v.Samples, v.Series, v.Blocks, v.Days)
	return err
}

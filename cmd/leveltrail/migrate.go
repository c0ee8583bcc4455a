package main

import (
	"context"
	"errors"
	"fmt"

	"leveltrail/migrations"
)

type migrateCommand struct {
	Up     migrateUpCommand     `cmd:"" help:"Bring the database to the newest form."`
	Down   migrateDownCommand   `cmd:"" help:"Take the newest step back. What only that step keeps is lost."`
	Status migrateStatusCommand `cmd:"" help:"Print which form the database has."`
}

type (
	migrateUpCommand     struct{}
	migrateDownCommand   struct{}
	migrateStatusCommand struct{}
)

var errNoDatabase = errors.New("set DATABASE_URL, or LEVELTRAIL_OWNER_URL if another role migrates")

// Run migrates up.
func (migrateUpCommand) Run(ctx context.Context, env environment) error {
	db, err := serverDatabase(ctx, env)
	if err != nil {
		return err
	}
	if err := db.migrate(ctx); err != nil {
		return err
	}
	return printStatus(ctx, env, db)
}

// Run migrates one step down.
func (migrateDownCommand) Run(ctx context.Context, env environment) error {
	db, err := serverDatabase(ctx, env)
	if err != nil {
		return err
	}
	if err := migrations.Down(db.ownerURL, 1); err != nil {
		return err
	}
	return printStatus(ctx, env, db)
}

// Run prints the form of the database.
func (migrateStatusCommand) Run(ctx context.Context, env environment) error {
	db, err := serverDatabase(ctx, env)
	if err != nil {
		return err
	}
	return printStatus(ctx, env, db)
}

// serverDatabase returns the database of a server that is not ours to start.
func serverDatabase(ctx context.Context, env environment) (database, error) {
	owner := env.getenv("LEVELTRAIL_OWNER_URL")
	if env.getenv("DATABASE_URL") == "" {
		if owner == "" {
			return database{}, errNoDatabase
		}
		return database{url: owner, ownerURL: owner}, nil
	}
	return openDatabase(ctx, env, "", nil)
}

func printStatus(ctx context.Context, env environment, db database) error {
	s, err := migrations.Status(ctx, db.ownerURL)
	if err != nil {
		return err
	}
	fmt.Fprintf(env.stdout, "database at step %d of %d\n", s.Version, s.Latest)
	return nil
}

package main

import (
	"context"
	"errors"
	"fmt"

	"leveltrail/domain/access"
	"leveltrail/persistence"
)

type keyCommand struct {
	Create keyCreateCommand `cmd:"" help:"Make an admin key and print it. It is shown this once."`
}

type keyCreateCommand struct {
	Name  string `help:"Whose key it is." default:"made on the command line"`
	Print bool   `help:"Only print a key, for LEVELTRAIL_ADMIN_KEY; no database is needed."`
}

// Run makes a key.
func (c keyCreateCommand) Run(ctx context.Context, env environment) error {
	text := access.NewKey()
	if !c.Print {
		url := env.getenv("DATABASE_URL")
		if url == "" {
			return errors.New("set DATABASE_URL, or give --print for a key to set as LEVELTRAIL_ADMIN_KEY")
		}
		store, err := persistence.Open(ctx, url)
		if err != nil {
			return err
		}
		defer store.Close()
		key, _ := access.KeyOf(text)
		key.Name, key.Role = c.Name, "admin"
		ctx = access.With(ctx, access.Caller{Name: "the command line", All: true})
		if _, err := store.CreateKey(ctx, key); err != nil {
			return err
		}
	}
	_, err := fmt.Fprintln(env.stdout, text)
	return err
}

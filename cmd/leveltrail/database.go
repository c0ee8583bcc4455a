package main

import (
	"context"
	"errors"
	"fmt"
	"net/url"

	"github.com/jackc/pgx/v5"

	"leveltrail/migrations"
	"leveltrail/persistence/postgres"
)

// database says where the records are.
type database struct {
	url      string // as the role that serves
	ownerURL string // as the role that migrates
	private  *postgres.Server
}

// openDatabase finds the database: DATABASE_URL, else a private PostgreSQL in dir, which it starts.
func openDatabase(ctx context.Context, env environment, dir string, progress func(string)) (database, error) {
	if u := env.getenv("DATABASE_URL"); u != "" {
		return database{url: u, ownerURL: orElse(env.getenv("LEVELTRAIL_OWNER_URL"), u)}, nil
	}
	if dir == "" {
		return database{}, errors.New("where are the records? Set DATABASE_URL, or give --data-dir for a private PostgreSQL")
	}
	server, err := postgres.Start(ctx, postgres.Config{Dir: dir, Progress: progress})
	if err != nil {
		return database{}, err
	}
	return database{
		url:      server.URL(postgres.AppRole, postgres.Database),
		ownerURL: server.URL(postgres.OwnerRole, postgres.Database),
		private:  server,
	}, nil
}

// migrate brings the schema to the newest form. Where the owner may create roles, it makes the one that serves first,
// with the password that DATABASE_URL has.
func (d database) migrate(ctx context.Context) error {
	if d.private == nil && d.ownerURL != d.url {
		if err := ensureRoles(ctx, d.ownerURL, d.url); err != nil {
			return err
		}
	}
	return migrations.Up(d.ownerURL)
}

func ensureRoles(ctx context.Context, ownerURL, serviceURL string) error {
	service, err := url.Parse(serviceURL)
	if err != nil {
		return errors.New("DATABASE_URL is no URL") // the error itself would show the password
	}
	conn, err := pgx.Connect(ctx, ownerURL)
	if err != nil {
		return fmt.Errorf("connecting as the owner: %w", err)
	}
	defer conn.Close(ctx)
	var may bool
	if err := conn.QueryRow(ctx, `select rolsuper from pg_roles where rolname = current_user`).Scan(&may); err != nil || !may {
		return err
	}
	password, _ := service.User.Password()
	return postgres.EnsureRoles(ctx, conn, password)
}

// close stops the private server, if there is one.
func (d database) close() error {
	if d.private == nil {
		return nil
	}
	return d.private.Stop()
}

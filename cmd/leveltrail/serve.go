package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"leveltrail/api"
	"leveltrail/domain/access"
	"leveltrail/migrations"
	"leveltrail/persistence"
)

type serveCommand struct {
	Listen  string `default:"${listen}" placeholder:"HOST:PORT" help:"Where to listen (LEVELTRAIL_LISTEN)."`
	DataDir string `default:"${data_dir}" placeholder:"DIR" help:"Without DATABASE_URL: run a private PostgreSQL that keeps its data here (LEVELTRAIL_DATA_DIR)."`
	Metrics string `default:"${metrics_listen}" placeholder:"HOST:PORT" help:"Where to tell metrics, at /metrics, to whoever can reach it (LEVELTRAIL_METRICS_LISTEN); if absent, nowhere."`
	Migrate bool   `help:"Bring the database to the newest form first. A private one always is."`
}

// Run serves until ctx ends.
func (c serveCommand) Run(ctx context.Context, env environment) (err error) {
	db, err := openDatabase(ctx, env, c.DataDir, func(step string) { env.log.Info("private PostgreSQL", "step", step) })
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, db.close()) }()
	if c.Migrate || db.private != nil {
		if err := db.migrate(ctx); err != nil {
			return err
		}
	}
	registry := prometheus.NewRegistry()
	service, err := openService(ctx, db.url, env.getenv("LEVELTRAIL_ADMIN_KEY"), issuerOf(env), registry, env.log)
	if err != nil {
		return err
	}
	defer service.store.Close()
	stop, err := startWork(ctx, env, service.store, env.log)
	if err != nil {
		return err
	}
	defer stop()
	listener, err := net.Listen("tcp", c.Listen)
	if err != nil {
		return err
	}
	if c.Metrics != "" {
		stop, err := serveMetrics(ctx, c.Metrics, registry, service.store, env.log)
		if err != nil {
			return errors.Join(err, listener.Close())
		}
		defer stop()
	}
	env.log.Info("serving", "address", listener.Addr().String())
	return serveHTTP(ctx, listener, service.handler, env.log)
}

type service struct {
	store   *persistence.Store
	handler http.Handler
}

// issuerOf reads whose OpenID Connect tokens are taken beside keys.
func issuerOf(env environment) api.Issuer {
	return api.Issuer{
		URL: env.getenv("LEVELTRAIL_OIDC_ISSUER"), Audience: orElse(env.getenv("LEVELTRAIL_OIDC_AUDIENCE"), "leveltrail"),
		RoleClaim:    orElse(env.getenv("LEVELTRAIL_OIDC_ROLE_CLAIM"), "leveltrail_role"),
		ClientsClaim: orElse(env.getenv("LEVELTRAIL_OIDC_CLIENTS_CLAIM"), "leveltrail_clients"),
	}
}

// openService connects to the database at url and makes adminKey, unless empty, the admin key of the settings.
func openService(ctx context.Context, url, adminKey string, issuer api.Issuer, metrics prometheus.Registerer, log *slog.Logger) (service, error) {
	store, err := persistence.Open(ctx, url)
	if err != nil {
		return service{}, err
	}
	if adminKey != "" {
		key, ok := access.KeyOf(adminKey)
		if !ok {
			store.Close()
			return service{}, errors.New("LEVELTRAIL_ADMIN_KEY is no key: make one with leveltrail key create --print")
		}
		if err := store.SetAdminKey(ctx, key); err != nil {
			store.Close()
			return service{}, fmt.Errorf("setting the admin key: %w", err)
		}
	}
	handler, err := api.New(ctx, api.Config{
		Store: store, Log: log, Now: time.Now, Limits: api.DefaultLimits, Issuer: issuer, Metrics: metrics,
		Migrated: func(ctx context.Context) error { return migrated(ctx, url) },
	})
	if err != nil {
		store.Close()
		return service{}, err
	}
	return service{store, handler}, nil
}

// migrated reports why the schema of the database at url is not the one that this program needs, nil if it is.
func migrated(ctx context.Context, url string) error {
	s, err := migrations.Status(ctx, url)
	switch {
	case err != nil:
		return err
	case s.Dirty:
		return fmt.Errorf("migration %d failed half way", s.Version)
	case s.Version != s.Latest:
		return fmt.Errorf("the database is at step %d, this program needs step %d: leveltrail migrate up", s.Version, s.Latest)
	}
	return nil
}

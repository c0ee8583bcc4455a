package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"leveltrail/api"
	"leveltrail/domain/access"
	"leveltrail/domain/acoustic"
	"leveltrail/domain/calibration"
	"leveltrail/domain/series"
	"leveltrail/domain/series/signal"
	"leveltrail/domain/survey"
	"leveltrail/migrations"
	"leveltrail/persistence"
	"leveltrail/persistence/postgres"
)

// settings are those of the server, which both sides use. They give the rows the
// memory and the workers that their statements can use; commits are durable.
var settings = []string{
	"shared_buffers=1GB", "work_mem=256MB", "maintenance_work_mem=512MB", "max_wal_size=8GB",
	"max_parallel_workers_per_gather=2", "fsync=on", "synchronous_commit=on",
}

// seed makes the signal the same in each run.
const seed = 1

// zone places days and hours. It has summer time, as most have.
var zone, errZone = time.LoadLocation("Europe/Vienna")

// start is the midnight in the zone at which 2025 begins.
var start = time.Date(2024, 12, 31, 23, 0, 0, 0, time.UTC)

// bench is both sides on one server, and what was measured of them.
type bench struct {
	sizes     sizes
	table     table
	dir       string // to remove in the end; empty if it was given
	server    *postgres.Server
	rows      *pgx.Conn // their side, as the superuser, whom no row-level security binds
	ours      records
	fine      records       // in a second database, for samples of 0.01 dB
	long      series.Series // of the figures
	longBytes float64       // that it takes on disk
	channels  int           // used so far: a channel records one thing at a time
	http      *http.Server
	url       string // of our service
	key       string
}

// records are a store and what its series hang on.
type records struct {
	*persistence.Store
	admin      *pgx.Conn // to the same database, as the superuser
	survey     survey.Survey
	position   survey.Position
	instrument calibration.Instrument
}

func openBench(ctx context.Context, dir string, s sizes, say func(string)) (_ *bench, err error) {
	b := &bench{sizes: s}
	if errZone != nil {
		return nil, errZone
	}
	defer func() {
		if err != nil {
			err = errors.Join(err, b.close())
		}
	}()
	if dir == "" {
		if b.dir, err = os.MkdirTemp("", "leveltrail-compare-"); err != nil {
			return nil, err
		}
		if err := os.Chmod(b.dir, 0o755); err != nil { // the account that serves must get in
			return nil, err
		}
		dir = filepath.Join(b.dir, "postgres")
	}
	if err := b.startServer(ctx, dir, say); err != nil {
		return nil, err
	}
	if b.ours, err = b.openRecords(ctx, "compare"); err != nil {
		return nil, err
	}
	if b.fine, err = b.openRecords(ctx, "compare_fine"); err != nil {
		return nil, err
	}
	b.rows = b.ours.admin
	return b, b.serve(ctx)
}

// startServer runs a server with the settings.
func (b *bench) startServer(ctx context.Context, dir string, say func(string)) (err error) {
	config := postgres.Config{Dir: dir, Progress: say}
	if b.server, err = postgres.Start(ctx, config); err != nil {
		return err
	}
	admin, err := pgx.Connect(ctx, b.server.URL(b.server.Superuser(), "postgres"))
	if err != nil {
		return err
	}
	for _, s := range settings {
		name, value, _ := strings.Cut(s, "=")
		if _, err := admin.Exec(ctx, fmt.Sprintf("alter system set %s = '%s'", name, value)); err != nil {
			return errors.Join(err, admin.Close(ctx))
		}
	}
	if err := errors.Join(admin.Close(ctx), b.server.Stop()); err != nil {
		return err
	}
	b.server, err = postgres.Start(ctx, config)
	return err
}

// openRecords makes a database anew, and in it a survey, which holds for as long as the samples do.
func (b *bench) openRecords(ctx context.Context, database string) (r records, err error) {
	admin, err := pgx.Connect(ctx, b.server.URL(b.server.Superuser(), "postgres"))
	if err != nil {
		return r, err
	}
	defer admin.Close(ctx)
	for _, sql := range []string{"drop database if exists " + database, "create database " + database + " owner " + postgres.OwnerRole} {
		if _, err := admin.Exec(ctx, sql); err != nil {
			return r, err
		}
	}
	if r.admin, err = pgx.Connect(ctx, b.server.URL(b.server.Superuser(), database)); err != nil {
		return r, err
	}
	if err := migrations.Up(b.server.URL(postgres.OwnerRole, database)); err != nil {
		return r, err
	}
	if r.Store, err = persistence.Open(ctx, b.server.URL(postgres.AppRole, database)); err != nil {
		return r, err
	}
	ctx = everyone(ctx)
	client, err := r.CreateClient(ctx, survey.Client{Name: "Invented Client"})
	if err != nil {
		return r, err
	}
	profile, _ := calibration.NewestProfile("monitoring")
	project, err := r.CreateProject(ctx, survey.Project{ClientID: client.ID, Reference: "COMPARE-1", Title: "Measurement of the store", TimeZone: zone.String()})
	if err != nil {
		return r, err
	}
	r.position, err = r.CreatePosition(ctx, survey.Position{ClientID: client.ID, ProjectID: project.ID, Number: 1, Label: "Invented position", Setting: "free_field"})
	if err != nil {
		return r, err
	}
	r.instrument, err = r.CreateInstrument(ctx, calibration.Instrument{
		Kind: calibration.SoundLevelMeter, Manufacturer: "Invented Works", Model: "Kappa", SerialNumber: "K-1", Class: "1", Specification: "IEC 61672-1:2013",
	})
	if err != nil {
		return r, err
	}
	r.survey, err = r.CreateSurvey(ctx, survey.Survey{
		ClientID: client.ID, ProjectID: project.ID, Kind: "monitoring", RuleProfile: profile.Code,
		RuleProfileEdition: profile.Edition, Operator: "invented", StartedAt: start,
	})
	return r, err
}

// everyone returns ctx as of a caller who sees every client.
func everyone(ctx context.Context) context.Context { return access.With(ctx, access.Caller{All: true}) }

// serve answers HTTP on the loopback.
func (b *bench) serve(ctx context.Context) error {
	b.key = access.NewKey()
	key, _ := access.KeyOf(b.key)
	if err := b.ours.SetAdminKey(ctx, key); err != nil {
		return err
	}
	handler, err := api.New(ctx, api.Config{Store: b.ours.Store, Log: slog.New(slog.DiscardHandler), Now: time.Now})
	if err != nil {
		return err
	}
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return err
	}
	b.url = "http://" + listener.Addr().String()
	b.http = &http.Server{Handler: handler}
	go func() { _ = b.http.Serve(listener) }() // ends when closed
	return nil
}

// close ends everything and removes what was kept.
func (b *bench) close() (err error) {
	if b.http != nil {
		err = b.http.Close()
	}
	for _, r := range []records{b.ours, b.fine} {
		if r.Store != nil {
			r.Close()
		}
		if r.admin != nil {
			r.admin.Close(context.Background())
		}
	}
	if b.server != nil {
		err = errors.Join(err, b.server.Stop())
	}
	if b.dir != "" {
		err = errors.Join(err, os.RemoveAll(b.dir))
	}
	return err
}

// newSeries makes an empty series on a channel of its own.
func (b *bench) newSeries(ctx context.Context, r records) (series.Series, error) {
	b.channels++
	h, _, err := r.CreateSeries(everyone(ctx), series.Series{
		ID: uuid.Must(uuid.NewV7()), SurveyID: r.survey.ID, PositionID: r.position.ID, InstrumentID: r.instrument.ID, Channel: b.channels,
		Quantity: "LAF", IntervalUS: time.Second.Microseconds(),
	}, nil)
	return h, err
}

// checkpoint writes out what is due, so that no side pays for the other.
func (b *bench) checkpoint(ctx context.Context) error {
	_, err := b.rows.Exec(ctx, "checkpoint")
	return err
}

// perDay is how many samples of 1 s a day has.
const perDay = 86_400

// made returns the run of the first days of the made-up signal.
func made(days int, step acoustic.Level) series.Run {
	return series.Run{Start: start, Levels: signal.Levels(seed, start, time.Second, step, days*perDay)}
}

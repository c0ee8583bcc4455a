package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"syscall"

	"leveltrail/api"
	"leveltrail/cmd/leveltrail/scenario"
	"leveltrail/domain/access"
	"leveltrail/persistence/postgres"
)

type demoCommand struct {
	Listen  string `default:"${listen}" placeholder:"HOST:PORT" help:"Where to listen (LEVELTRAIL_LISTEN); another free port if it is taken."`
	DataDir string `default:"${data_dir}" placeholder:"DIR" help:"Where the private PostgreSQL keeps its data (LEVELTRAIL_DATA_DIR); if absent, a place for the user's application data."`
	Once    bool   `help:"Print the results and leave."`
}

// Run serves the invented consultancy until ctx ends.
func (c demoCommand) Run(ctx context.Context, env environment) (err error) {
	say := func(line string) { fmt.Fprintln(env.stdout, line) }
	dir := c.DataDir
	if dir == "" {
		base, err := postgres.DefaultDir()
		if err != nil {
			return err
		}
		dir = filepath.Join(base, "demo")
	}
	say("Starting the database.")
	db, err := openDatabase(ctx, env, dir, say)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, db.close()) }()
	if err := db.migrate(ctx); err != nil {
		return err
	}
	key, err := demoKey(env, dir)
	if err != nil {
		return err
	}
	quiet := slog.New(slog.NewJSONHandler(env.stderr, &slog.HandlerOptions{Level: slog.LevelWarn}))
	service, err := openService(ctx, db.url, key, api.Issuer{}, nil, quiet)
	if err != nil {
		return err
	}
	defer service.store.Close()
	stopWork, err := startWork(ctx, env, service.store, quiet)
	if err != nil {
		return err
	}
	defer stopWork()
	listener, err := listenOrElsewhere(c.Listen, say)
	if err != nil {
		return err
	}
	address := "http://" + listener.Addr().String()

	// The service outlives the work of this function, which ends it.
	serving, stop := context.WithCancel(context.WithoutCancel(ctx))
	served := make(chan error, 1)
	go func() { served <- serveHTTP(serving, listener, service.handler, quiet) }()
	defer func() { stop(); err = errors.Join(err, <-served) }()

	client := scenario.Client{Address: address, Key: key, HTTP: &http.Client{}}
	defer client.HTTP.CloseIdleConnections()
	rows, err := loadAndRead(ctx, client, say)
	if err != nil {
		return err
	}
	if err := printDemo(env.stdout, address, key, rows); err != nil || c.Once {
		return err
	}
	say("Serving until Ctrl-C.")
	<-ctx.Done()
	return nil
}

func loadAndRead(ctx context.Context, client scenario.Client, say func(string)) ([]scenario.Row, error) {
	loaded, err := scenario.Loaded(ctx, client)
	if err != nil {
		return nil, err
	}
	if loaded {
		say("The invented consultancy's data is there already.")
	} else if err := scenario.Load(ctx, client, say); err != nil {
		return nil, err
	}
	return scenario.Read(ctx, client)
}

func printDemo(w io.Writer, address, key string, rows []scenario.Row) error {
	fmt.Fprint(w, "\nAn invented consultancy: no company, person, place or product below is real.\n\n")
	if err := scenario.Print(w, rows); err != nil {
		return err
	}
	first := rows[0]
	ask := "curl -s -H 'Authorization: Bearer " + key + "' '" + address + "/v1"
	_, err := fmt.Fprint(w, "\nLevels are in dB re 20 µPa, of all samples; the outcome says what of them stands on valid calibration.\n"+
		"LAF90 is the level exceeded for 90 % of the time. \"-\": not computed, the summary says why.\n"+
		"Caution: readings by hand are no exposure level. Whether hearing is at risk is for a competent person\n"+
		"to decide, from the exposure over the working day; such levels can damage it.\n",
		"\nAdmin key:  ", key,
		"\nInterface:  ", address, "/docs\n",
		"\nTry:\n",
		ask, "/surveys/", first.SurveyID, "/verdict'\n",
		ask, "/series/", first.SeriesID, "/summary?percentiles=10,50,90&step=1h'\n",
		ask, "/projects?limit=2'\n\n")
	if err == nil && first.SignOffID != "" {
		_, err = fmt.Fprint(w, "The first survey is signed off. To get its evidence, check that it is whole and read evidence/sign-off.html:\n",
			"curl -s -o evidence.zip -H 'Authorization: Bearer ", key, "' '", address, "/v1/sign-offs/", first.SignOffID, "/evidence' && ",
			"unzip -q -d evidence evidence.zip && (cd evidence && sha256sum -c SHA256SUMS)\n\n")
	}
	return err
}

// listenOrElsewhere listens at address or, where its port is taken, at another one of the same host.
func listenOrElsewhere(address string, say func(string)) (net.Listener, error) {
	l, err := net.Listen("tcp", address)
	if !errors.Is(err, syscall.EADDRINUSE) {
		return l, err
	}
	host, _, err := net.SplitHostPort(address)
	if err != nil {
		return nil, err
	}
	l, err = net.Listen("tcp", net.JoinHostPort(host, "0"))
	if err == nil {
		say(address + " is taken; serving at " + l.Addr().String() + ".")
	}
	return l, err
}

// demoKey returns LEVELTRAIL_ADMIN_KEY, else a key of the demo's own that it keeps beside its data.
func demoKey(env environment, dir string) (string, error) {
	if key := env.getenv("LEVELTRAIL_ADMIN_KEY"); key != "" {
		return key, nil
	}
	file := filepath.Join(dir, "demo-key")
	if b, err := os.ReadFile(file); err == nil {
		return strings.TrimSpace(string(b)), nil
	} else if !errors.Is(err, os.ErrNotExist) {
		return "", err
	}
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return "", err
	}
	key := access.NewKey()
	return key, os.WriteFile(file, []byte(key+"\n"), 0o600)
}

// Command leveltrail serves a consultancy's noise survey records, and does what their keeper needs beside it.
package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"os/signal"
	"syscall"
	_ "time/tzdata" // sites have time zones; the machine may know none

	"github.com/alecthomas/kong"
)

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	err := run(ctx, os.Args[1:], os.Getenv, os.Stdout, os.Stderr)
	stop()
	if err != nil {
		fmt.Fprintln(os.Stderr, "leveltrail:", err)
		os.Exit(1)
	}
}

// commands are what can be asked for on the command line. What is secret comes from the environment only.
type commands struct {
	Serve   serveCommand   `cmd:"" help:"Serve the HTTP interface."`
	Demo    demoCommand    `cmd:"" help:"Serve an invented consultancy's records and print what they say."`
	Migrate migrateCommand `cmd:"" help:"Bring the database to the form this program needs."`
	Key     keyCommand     `cmd:"" help:"Make keys to the HTTP interface."`
	Audit   auditCommand   `cmd:"" help:"Verify what is kept."`
}

const description = `Keeps noise survey records, says whether they stand on valid calibration, and serves figures.

Environment: DATABASE_URL (PostgreSQL, as the role leveltrail_app), LEVELTRAIL_OWNER_URL (the same database as a role that may
create tables, for migrations; if absent, DATABASE_URL), LEVELTRAIL_ADMIN_KEY (an admin key, made by "leveltrail key create --print"),
LEVELTRAIL_WEBHOOK_ALLOW (addresses and blocks that webhooks may have although they are not public, "10.1.2.3, fd00:1::/64"),
LEVELTRAIL_METRICS_LISTEN (where to tell metrics), LEVELTRAIL_LISTEN, LEVELTRAIL_DATA_DIR, LEVELTRAIL_PG_BIN (where PostgreSQL's programs are).`

// environment is what a command has from outside beside its arguments.
type environment struct {
	getenv func(string) string
	stdout io.Writer
	stderr io.Writer
	log    *slog.Logger // JSON on stderr
}

// run does what args ask for, until it is done or ctx ends.
func run(ctx context.Context, args []string, getenv func(string) string, stdout, stderr io.Writer) error {
	var asked commands
	helped := false
	parser, err := kong.New(&asked,
		kong.Name("leveltrail"), kong.Description(description),
		kong.Writers(stdout, stderr),
		kong.Exit(func(int) { helped = true }), // called when the help has been printed; parsing goes on
		kong.Vars{
			"listen":         orElse(getenv("LEVELTRAIL_LISTEN"), "127.0.0.1:8080"),
			"metrics_listen": getenv("LEVELTRAIL_METRICS_LISTEN"),
			"data_dir":       getenv("LEVELTRAIL_DATA_DIR"),
		})
	if err != nil {
		return err
	}
	parsed, err := parser.Parse(args)
	if helped {
		return nil
	}
	if err != nil {
		return fmt.Errorf("%w (leveltrail --help lists what there is)", err)
	}
	parsed.BindTo(ctx, (*context.Context)(nil))
	err = parsed.Run(environment{getenv, stdout, stderr, slog.New(slog.NewJSONHandler(stderr, nil))})
	if ctx.Err() != nil && errors.Is(err, context.Canceled) {
		return nil // stopped in the middle of its work, as asked
	}
	return err
}

func orElse(s, otherwise string) string {
	if s == "" {
		return otherwise
	}
	return s
}

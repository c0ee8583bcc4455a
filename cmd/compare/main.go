// Command compare measures the sample store beside a plain table of rows: the same
// samples, the same figures, on the same PostgreSQL with the same settings, both
// sides in turn. It starts a private server of its own, reached by a Unix socket,
// and prints a table. The signal is made up, with a fixed seed.
package main

import (
	"context"
	"flag"
	"fmt"
	"io"
	"os"
	"os/signal"
	"time"
)

// sizes say how much is measured.
type sizes struct {
	days      int // of the long series, for the figures
	writeDays int // of samples written in one round
	fineDays  int // of the series at 0.01 dB
	rounds    int
}

var (
	full  = sizes{days: 365, writeDays: 10, fineDays: 60, rounds: 5}
	quick = sizes{days: 12, writeDays: 1, fineDays: 3, rounds: 5}
)

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt)
	defer stop()
	if err := run(ctx, os.Args[1:], os.Stdout, os.Stderr); err != nil {
		fmt.Fprintln(os.Stderr, "compare:", err)
		os.Exit(1)
	}
}

func run(ctx context.Context, args []string, out, progress io.Writer) error {
	flags := flag.NewFlagSet("compare", flag.ContinueOnError)
	flags.SetOutput(progress)
	s := full
	short := flags.Bool("quick", false, "measure little: the ratios say nothing about a year")
	dir := flags.String("dir", "", "where the private PostgreSQL keeps its data meanwhile; a temporary place unless given")
	flags.IntVar(&s.days, "days", full.days, "days of the long series, at least 12")
	flags.IntVar(&s.writeDays, "write-days", full.writeDays, "days of 1 s samples written in a round")
	flags.IntVar(&s.fineDays, "fine-days", full.fineDays, "days of the series at 0.01 dB")
	flags.IntVar(&s.rounds, "rounds", full.rounds, "rounds of each measurement")
	if err := flags.Parse(args); err != nil {
		return err
	}
	if *short {
		s = quick
	}
	if s.days < quick.days || s.writeDays < 1 || s.fineDays < 1 || s.rounds < 1 {
		return fmt.Errorf("the sizes must be at least -days %d -write-days 1 -fine-days 1 -rounds 1", quick.days)
	}
	began := time.Now()
	say := func(what string) { fmt.Fprintf(progress, "%6.1f s  %s\n", time.Since(began).Seconds(), what) }

	b, err := openBench(ctx, *dir, s, say)
	if err != nil {
		return err
	}
	defer b.close()
	steps := []struct {
		what string
		do   func(context.Context) error
	}{
		{"Decoding, from memory.", b.decoding},
		{"Writing samples.", b.writing},
		{"Writing logs.", b.importing},
		{"Sizes on disk at 0.01 dB.", b.fineSizes},
		{"Loading the long series on both sides.", b.load},
		{"Sizes on disk at 0.1 dB.", b.longSizes},
		{"Figures of the long series.", b.year},
		{"Figures of a day.", b.localDay},
		{"Figures over HTTP.", b.overHTTP},
		{"Ragged spans and lengths.", b.spans},
	}
	for _, step := range steps {
		say(step.what)
		if err := step.do(ctx); err != nil {
			return fmt.Errorf("%s %w", step.what, err)
		}
	}
	say("Done.")
	return b.table.print(out, s)
}

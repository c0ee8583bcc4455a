package main

import (
	"context"
	"time"

	"github.com/jackc/pgx/v5"

	"leveltrail/domain/acoustic"
	"leveltrail/domain/series"
)

// theirTable is a plain table of samples. The series is a small number and the
// level a float4, which is the least that such a table takes.
const theirTable = `(series integer not null, at timestamptz not null, level real not null, primary key (series, at))`

// newRows makes their table anew.
func (b *bench) newRows(ctx context.Context, name string) error {
	_, err := b.rows.Exec(ctx, `drop table if exists `+name+`; create table `+name+` `+theirTable)
	return err
}

// copyRows copies a run into their table, in one transaction.
func (b *bench) copyRows(ctx context.Context, table string, r series.Run) error {
	at, i := r.Start, 0
	row := make([]any, 3)
	_, err := b.rows.CopyFrom(ctx, pgx.Identifier{table}, []string{"series", "at", "level"}, pgx.CopyFromFunc(func() ([]any, error) {
		if i == len(r.Levels) {
			return nil, nil
		}
		row[0], row[1], row[2] = int32(1), at, realOf(r.Levels[i])
		at = at.Add(time.Second)
		i++
		return row, nil
	}))
	return err
}

func realOf(l acoustic.Level) float32 { return float32(l) / 100 }

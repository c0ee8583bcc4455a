package persistence

import (
	"errors"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"

	"leveltrail/domain/fault"
)

// classify turns what the driver says of a statement on table into a fault.
// Constraints are named for it: <table>_<column>_fkey, <table>_<column>_key.
func classify(err error, table string) error {
	if err == nil {
		return nil
	}
	what := strings.ReplaceAll(table, "_", " ")
	if errors.Is(err, pgx.ErrNoRows) {
		return &fault.Error{Kind: fault.NotFound, Message: what + " not found", Err: err}
	}
	pg, ok := errors.AsType[*pgconn.PgError](err)
	if !ok {
		return err
	}
	switch pg.Code {
	case "23503": // foreign_key_violation
		column := member(pg, "_fkey")
		return &fault.Error{Kind: fault.Invalid, Message: "invalid " + what, Err: err, Fields: []fault.Field{
			{Path: column, Code: "unknown_reference", Reason: "names no " + strings.ReplaceAll(strings.TrimSuffix(column, "_id"), "_", " ")},
		}}
	case "23505": // unique_violation
		column := member(pg, "_key")
		switch {
		case pg.ConstraintName == "job_number_reference_key":
			return &fault.Error{Kind: fault.Conflict, Code: "reference_taken", Message: "the reference is taken", Err: err}
		case column == "id" || strings.HasSuffix(pg.ConstraintName, "_pkey"):
			return &fault.Error{Kind: fault.Conflict, Code: "id_taken", Message: "a record of this id exists", Err: err}
		}
		return &fault.Error{
			Kind: fault.Conflict, Code: "duplicate", Err: err,
			Message: "another " + what + " has this " + strings.ReplaceAll(column, "_", " "),
		}
	case "54000": // program_limit_exceeded: a text that no index holds
		return &fault.Error{Kind: fault.Invalid, Code: "too_long", Message: what + " has a text that is too long", Err: err}
	case "23514": // check_violation: a rule that Validate should have stated
		return &fault.Error{Kind: fault.Invalid, Message: what + " breaks the rule " + pg.ConstraintName, Err: err}
	}
	return err
}

// member returns the column that a constraint is named for.
func member(pg *pgconn.PgError, suffix string) string {
	return strings.TrimSuffix(strings.TrimPrefix(pg.ConstraintName, pg.TableName+"_"), suffix)
}

func notFound(what string) error {
	return &fault.Error{Kind: fault.NotFound, Message: what + " not found"}
}

// notKnown is notFound of what was looked for as it was known at an instant (nil: now).
func notKnown(what string, asKnownAt *time.Time) error {
	if asKnownAt == nil {
		return notFound(what)
	}
	return notFound(what + ", as known at " + asKnownAt.UTC().Format(time.RFC3339) + ",")
}

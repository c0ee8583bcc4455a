package api

import (
	"context"
	"encoding/json"
	"errors"
	"net/http"
	"reflect"
	"strings"

	"github.com/gin-gonic/gin"
	"github.com/google/uuid"

	"leveltrail/domain/fault"
)

// change applies the merge patch in the body of c to the record in its path: get
// reads it, sent gives the body that would make it, apply puts such a body into
// it, put stores it. Members named in fixed never change. With a refusal because
// the record has changed comes the record as it is now.
func change[R interface{ Validate() error }, In any](
	c *gin.Context,
	get func(context.Context, uuid.UUID) (R, error),
	put func(context.Context, R) (R, error),
	sent func(R) In,
	apply func(In, R) R,
	fixed ...string,
) (R, error) {
	var none R
	id, err := pathID(c)
	if err != nil {
		return none, err
	}
	rec, err := get(c.Request.Context(), id)
	if err != nil {
		return none, err
	}
	if err := expectVersion(c, versionOf(rec)); err != nil {
		return rec, err
	}
	var in In
	err = merge(c, sent(rec), &in, func() error {
		if err := immutable(sent(rec), in, fixed); err != nil {
			return err
		}
		return apply(in, rec).Validate()
	})
	if err != nil {
		return none, err
	}
	return unlessStale(c, id, get)(put(c.Request.Context(), apply(in, rec)))
}

// immutable reports the members named in fixed that differ between two bodies.
func immutable(before, after any, fixed []string) error {
	var bad fault.Fields
	b, a := reflect.ValueOf(before), reflect.ValueOf(after)
	for _, f := range reflect.VisibleFields(b.Type()) {
		name, _, _ := strings.Cut(f.Tag.Get("json"), ",")
		for _, n := range fixed {
			if n == name && !sameJSON(b.FieldByIndex(f.Index).Interface(), a.FieldByIndex(f.Index).Interface()) {
				bad.Add(name, "immutable", "never changes")
			}
		}
	}
	if bad == nil {
		return nil
	}
	return &fault.Error{Kind: fault.Invalid, Code: "immutable", Message: "what never changes would change", Fields: bad}
}

func sameJSON(a, b any) bool {
	x, errX := json.Marshal(a)
	y, errY := json.Marshal(b)
	return errX == nil && errY == nil && string(x) == string(y)
}

// decodeNew reads the body of a PUT, which only creates, and returns the id in its path.
func decodeNew[In any](c *gin.Context, in *In, validate func() error) (uuid.UUID, error) {
	id, err := pathID(c)
	if err != nil {
		return id, err
	}
	if err := expectNew(c); err != nil {
		return id, err
	}
	return id, decode(c, in, validate)
}

// refers tells that create finds no parent: the body's member names it, not the path.
func refers[R any](member string, create func(context.Context, R) (R, error)) func(context.Context, R) (R, error) {
	return func(ctx context.Context, rec R) (R, error) {
		rec, err := create(ctx, rec)
		if fault.KindOf(err) == fault.NotFound {
			err = &fault.Error{Kind: fault.Invalid, Message: "invalid body", Fields: fault.Fields{
				{Path: member, Code: "unknown_reference", Reason: "names no record"},
			}}
		}
		return rec, err
	}
}

// createAs stores rec under the id that its sender made. Where the id exists,
// an equal body changes nothing and answers 200 with the record as it is now;
// first reads its first version, sent gives the body that would make a record.
func createAs[R any](
	c *gin.Context, rec R,
	create func(context.Context, R) (R, error),
	get, first func(context.Context, uuid.UUID) (R, error),
	sent func(R) any,
) (R, error) {
	ctx := c.Request.Context()
	id := reflect.ValueOf(rec).FieldByName("ID").Interface().(uuid.UUID)
	made, err := create(ctx, rec)
	f, ok := errors.AsType[*fault.Error](err)
	if !ok || f.Kind != fault.Conflict {
		return made, err
	}
	old, firstErr := first(ctx, id)
	if fault.KindOf(firstErr) == fault.NotFound && f.Code != "id_taken" {
		return made, err // in conflict with another record
	}
	if firstErr != nil { // not found: the id is another client's, so nothing is there for this caller
		return made, firstErr
	}
	now, err := get(ctx, id)
	if err != nil {
		return now, err
	}
	if !sameJSON(sent(old), sent(rec)) {
		return now, stale(versionOf(now))
	}
	answerWith(c, http.StatusOK)
	return now, nil
}

func versionOf(rec any) int { return int(reflect.ValueOf(rec).FieldByName("Version").Int()) }

// transition reads the record in the path, holds its version against If-Match and puts it into another state.
func transition[R any](c *gin.Context, get func(context.Context, uuid.UUID) (R, error), put func(context.Context, R) (R, error)) (R, error) {
	var none R
	id, err := pathID(c)
	if err != nil {
		return none, err
	}
	rec, err := get(c.Request.Context(), id)
	if err != nil {
		return none, err
	}
	if err := expectVersion(c, versionOf(rec)); err != nil {
		return rec, err
	}
	return unlessStale(c, id, get)(put(c.Request.Context(), rec))
}

// unlessStale answers a change with the version that there is now where another came between.
func unlessStale[R any](c *gin.Context, id uuid.UUID, get func(context.Context, uuid.UUID) (R, error)) func(R, error) (R, error) {
	return func(changed R, err error) (R, error) {
		if f, ok := errors.AsType[*fault.Error](err); !ok || f.Code != "version_conflict" {
			return changed, err
		}
		rec, err := get(c.Request.Context(), id)
		if err != nil {
			return rec, err
		}
		return rec, stale(versionOf(rec))
	}
}

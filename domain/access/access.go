// Package access says on whose behalf a request is made.
package access

import (
	"context"

	"github.com/google/uuid"
)

// Caller is whoever a request is made for: the holder of a key, or the program itself.
type Caller struct {
	KeyID   string // public part of the key, empty for the program itself
	Name    string
	Role    string
	All     bool        // every client's records are visible
	Clients []uuid.UUID // the visible clients where All is false

	RequestID string // of the request, as the log has it
}

type callerKey struct{}

// With returns a context of requests made for c.
func With(ctx context.Context, c Caller) context.Context {
	return context.WithValue(ctx, callerKey{}, c)
}

// From returns the caller of ctx. Without one it is a caller who sees no client's records.
func From(ctx context.Context) Caller {
	c, _ := ctx.Value(callerKey{}).(Caller)
	return c
}

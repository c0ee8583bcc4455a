// Package request holds what is asked of the store whatever the subject: pages
// of lists, and requests that may be sent again.
package request

import "github.com/google/uuid"

// Page asks for a page of a list ordered by id.
type Page struct {
	After uuid.UUID // the last id of the page before, zero for the first page
	Limit int
}

// Repeatable names a request that may be sent again: its idempotency key holds
// for one credential, method and path.
type Repeatable struct {
	KeyID, Method, Path, IdempotencyKey string
	RequestSHA256                       []byte
}

// Answer is what a request was answered with.
type Answer struct {
	Status  int
	Headers map[string]string
	Body    []byte
}

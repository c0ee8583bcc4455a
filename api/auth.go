package api

import (
	"context"
	"net/http"
	"strings"
	"sync"
	"time"

	"github.com/gin-gonic/gin"

	"leveltrail/domain/access"
	"leveltrail/domain/fault"
)

type keyStore interface {
	KeyUsed(ctx context.Context, id string) error
	Key(ctx context.Context, id string) (access.Key, error)
}

// keyring remembers keys that were found, for at most keyAge.
type keyring struct {
	store keyStore
	now   func() time.Time

	mu    sync.Mutex
	found map[string]foundKey
}

type foundKey struct {
	key access.Key
	at  time.Time
}

const keyAge = 30 * time.Second

// open returns the caller whose key the Authorization header carries.
func (r *keyring) open(ctx context.Context, header string) (access.Caller, error) {
	refused := &refusal{status: http.StatusUnauthorized, code: "unauthorized", detail: "send a key that is in force: Authorization: Bearer lvt_…"}
	scheme, secret, _ := strings.Cut(header, " ")
	if !strings.EqualFold(scheme, "Bearer") {
		return access.Caller{}, refused
	}
	presented, ok := access.KeyOf(strings.TrimSpace(secret))
	if !ok {
		return access.Caller{}, refused
	}
	now := r.now()
	r.mu.Lock()
	found, ok := r.found[presented.ID]
	r.mu.Unlock()
	if !ok || now.Sub(found.at) > keyAge {
		k, err := r.store.Key(ctx, presented.ID)
		if fault.KindOf(err) == fault.NotFound {
			return access.Caller{}, refused
		}
		if err != nil {
			return access.Caller{}, err
		}
		found = foundKey{key: k, at: now}
		if k.Opens(presented, now) && (k.LastUsedAt == nil || now.Sub(*k.LastUsedAt) > time.Minute) {
			if err := r.store.KeyUsed(ctx, k.ID); err != nil {
				return access.Caller{}, err
			}
		}
		r.mu.Lock()
		if len(r.found) >= 10_000 { // more keys than a consultancy has: start afresh
			clear(r.found)
		}
		r.found[k.ID] = found
		r.mu.Unlock()
	}
	if !found.key.Opens(presented, now) {
		return access.Caller{}, refused
	}
	return found.key.Caller(), nil
}

// caller returns whoever the Authorization header stands for: the holder of a key, or of a token.
func (s *server) caller(ctx context.Context, header string) (access.Caller, error) {
	scheme, token, _ := strings.Cut(header, " ")
	if s.issuer != nil && strings.EqualFold(scheme, "Bearer") && strings.Count(token, ".") == 2 {
		return s.issuer.open(ctx, strings.TrimSpace(token))
	}
	return s.keys.open(ctx, header)
}

// forget makes the next request with the key of the given public part look it up.
func (r *keyring) forget(id string) {
	r.mu.Lock()
	delete(r.found, id)
	r.mu.Unlock()
}

// authenticate lets requests with a key pass, on behalf of its holder.
func (s *server) authenticate(c *gin.Context) {
	caller, err := s.caller(c.Request.Context(), c.GetHeader("Authorization"))
	if err != nil {
		s.send(c, s.failure(c, err))
		c.Abort()
		return
	}
	caller.RequestID = requestID(c)
	c.Request = c.Request.WithContext(access.With(c.Request.Context(), caller))
}

package api

import (
	"context"
	"errors"
	"net/http"
	"slices"
	"sync"
	"time"

	"github.com/coreos/go-oidc/v3/oidc"
	"github.com/google/uuid"

	"leveltrail/domain/access"
)

// Issuer says whose OpenID Connect tokens are taken beside keys. The zero Issuer: nobody's.
type Issuer struct {
	URL          string // of the issuer, whose metadata are read when first needed
	Audience     string // that a token must be for
	RoleClaim    string // names the role: one of [access.Roles]
	ClientsClaim string // names the clients whose records are seen: ids, or "*" for all; none if absent
}

// issuer verifies tokens. An issuer that is down stops no one who has a key.
type issuer struct {
	Issuer
	now func() time.Time

	mu       sync.Mutex
	verifier *oidc.IDTokenVerifier
	tried    time.Time
}

// issuerRetry is how long an issuer that did not answer is left alone.
const issuerRetry = 5 * time.Second

// algorithms are those that a token may be signed with: all with a key pair.
var algorithms = []string{oidc.RS256, oidc.RS384, oidc.RS512, oidc.PS256, oidc.PS384, oidc.PS512, oidc.ES256, oidc.ES384, oidc.ES512, oidc.EdDSA}

// open returns the caller that a token stands for.
func (i *issuer) open(ctx context.Context, token string) (access.Caller, error) {
	refused := &refusal{status: http.StatusUnauthorized, code: "unauthorized", detail: "send a key or a token that is in force"}
	verifier, err := i.ready(ctx)
	if err != nil {
		return access.Caller{}, &refusal{
			status: http.StatusServiceUnavailable, code: "issuer_unreachable", detail: "the issuer of tokens does not answer; keys are taken", retryAfterS: "5",
		}
	}
	t, err := verifier.Verify(ctx, token)
	if err != nil {
		return access.Caller{}, refused
	}
	var claims map[string]any
	if err := t.Claims(&claims); err != nil {
		return access.Caller{}, refused
	}
	role, _ := claims[i.RoleClaim].(string)
	if !slices.Contains(access.Roles, role) {
		return access.Caller{}, &refusal{status: http.StatusForbidden, code: "forbidden", detail: "the token names no role that is known here"}
	}
	c := access.Caller{KeyID: "oidc:" + t.Subject, Name: t.Subject, Role: role}
	switch clients := claims[i.ClientsClaim].(type) {
	case string:
		c.All = clients == "*"
	case []any:
		for _, v := range clients {
			text, _ := v.(string)
			if id, err := uuid.Parse(text); err == nil {
				c.Clients = append(c.Clients, id)
			}
		}
	}
	return c, nil
}

// ready returns what verifies tokens; it asks the issuer for its metadata until it has them.
func (i *issuer) ready(ctx context.Context) (*oidc.IDTokenVerifier, error) {
	i.mu.Lock()
	defer i.mu.Unlock()
	if i.verifier != nil {
		return i.verifier, nil
	}
	if i.now().Sub(i.tried) < issuerRetry {
		return nil, errors.New("the issuer did not answer a moment ago")
	}
	i.tried = i.now()
	// The provider keeps its context to fetch keys later: it must outlive the request.
	provider, err := oidc.NewProvider(oidc.ClientContext(context.WithoutCancel(ctx), &http.Client{Timeout: 5 * time.Second}), i.URL)
	if err != nil {
		return nil, err
	}
	i.verifier = provider.Verifier(&oidc.Config{ClientID: i.Audience, SupportedSigningAlgs: algorithms, Now: i.now})
	return i.verifier, nil
}

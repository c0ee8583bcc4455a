package api_test

import (
	"crypto"
	"crypto/rand"
	"crypto/rsa"
	"encoding/json"
	"log/slog"
	"maps"
	"net/http"
	"net/http/httptest"
	"sync/atomic"
	"testing"
	"time"

	"github.com/go-jose/go-jose/v4"

	"leveltrail/api"
)

// tokenIssuer is an OpenID Connect issuer in the process of the test.
type tokenIssuer struct {
	*httptest.Server
	key  *rsa.PrivateKey
	down atomic.Bool
}

func newTokenIssuer(t *testing.T) *tokenIssuer {
	t.Helper()
	key, err := rsa.GenerateKey(rand.Reader, 2048)
	if err != nil {
		t.Fatal(err)
	}
	i := &tokenIssuer{key: key}
	mux := http.NewServeMux()
	mux.HandleFunc("/.well-known/openid-configuration", func(w http.ResponseWriter, _ *http.Request) {
		if i.down.Load() {
			http.Error(w, "down", http.StatusBadGateway)
			return
		}
		_ = json.NewEncoder(w).Encode(object{"issuer": i.URL, "jwks_uri": i.URL + "/keys", "authorization_endpoint": i.URL + "/a", "token_endpoint": i.URL + "/t"})
	})
	mux.HandleFunc("/keys", func(w http.ResponseWriter, _ *http.Request) {
		_ = json.NewEncoder(w).Encode(jose.JSONWebKeySet{Keys: []jose.JSONWebKey{{Key: key.Public(), KeyID: "1", Algorithm: "RS256", Use: "sig"}}})
	})
	i.Server = httptest.NewServer(mux)
	t.Cleanup(i.Close)
	return i
}

// token signs claims, which replace those of a good token.
func (i *tokenIssuer) token(t *testing.T, alg jose.SignatureAlgorithm, key any, claims object) string {
	t.Helper()
	all := object{
		"iss": i.URL, "aud": "leveltrail", "sub": "pat", "exp": time.Now().Add(time.Hour).Unix(),
		"iat": time.Now().Unix(), "role": "qa", "clients": "*",
	}
	maps.Copy(all, claims)
	signer, err := jose.NewSigner(jose.SigningKey{Algorithm: alg, Key: key}, (&jose.SignerOptions{}).WithHeader("kid", "1"))
	if err != nil {
		t.Fatal(err)
	}
	body, err := json.Marshal(all)
	if err != nil {
		t.Fatal(err)
	}
	signed, err := signer.Sign(body)
	if err != nil {
		t.Fatal(err)
	}
	text, err := signed.CompactSerialize()
	if err != nil {
		t.Fatal(err)
	}
	return text
}

func TestOpenIDConnect(t *testing.T) {
	t.Parallel()
	i := newTokenIssuer(t)
	s := serveWith(t, api.Config{
		Log: slog.New(slog.DiscardHandler), Now: time.Now,
		Issuer: api.Issuer{URL: i.URL, Audience: "leveltrail", RoleClaim: "role", ClientsClaim: "clients"},
	})
	mine := s.create("/v1/clients", object{"name": "Invented Mill"})
	other := s.create("/v1/clients", object{"name": "Invented Quarry"})
	stranger, err := rsa.GenerateKey(rand.Reader, 2048)
	if err != nil {
		t.Fatal(err)
	}
	get := func(token, path string) answer {
		return s.call(http.MethodGet, path, nil, "Authorization", "Bearer "+token)
	}
	good := func(claims object) string { return i.token(t, jose.RS256, i.key, claims) }
	tests := []struct {
		name  string
		token string
		want  int
	}{
		{"good", good(nil), http.StatusOK},
		{"for another audience", good(object{"aud": "another"}), http.StatusUnauthorized},
		{"of another issuer", good(object{"iss": "https://issuer.example"}), http.StatusUnauthorized},
		{"expired", good(object{"exp": time.Now().Add(-time.Minute).Unix()}), http.StatusUnauthorized},
		{"not yet in force", good(object{"nbf": time.Now().Add(time.Hour).Unix()}), http.StatusUnauthorized},
		{"signed by another key", i.token(t, jose.RS256, stranger, nil), http.StatusUnauthorized},
		// The public key used as a shared secret: refused, as only key pairs sign.
		{"signed by a shared secret", i.token(t, jose.HS256, publicBytes(t, i.key.Public()), nil), http.StatusUnauthorized},
		{"without a role", good(object{"role": "owner"}), http.StatusForbidden},
		{"of a role that may not", good(object{"role": "client", "clients": []string{mine}}), http.StatusForbidden},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			if a := get(tt.token, "/v1/audit"); a.status != tt.want {
				t.Errorf("GET /v1/audit with a token %s = %d %s; want %d", tt.name, a.status, a.raw, tt.want)
			}
		})
	}
	limited := good(object{"role": "consultant", "clients": []string{mine}})
	if a := get(limited, "/v1/clients/"+mine); a.status != http.StatusOK {
		t.Errorf("own client = %d; want 200", a.status)
	}
	if a := get(limited, "/v1/clients/"+other); a.status != http.StatusNotFound {
		t.Errorf("another's client = %d; want 404", a.status)
	}
}

func publicBytes(t *testing.T, key crypto.PublicKey) []byte {
	t.Helper()
	b, err := json.Marshal(jose.JSONWebKey{Key: key})
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// An issuer that is down stops no one who has a key, and is asked again later.
func TestOpenIDConnectIssuerDown(t *testing.T) {
	t.Parallel()
	i := newTokenIssuer(t)
	i.down.Store(true)
	var later atomic.Int64
	s := serveWith(t, api.Config{
		Log: slog.New(slog.DiscardHandler), Now: func() time.Time { return time.Now().Add(time.Duration(later.Load())) },
		Issuer: api.Issuer{URL: i.URL, Audience: "leveltrail", RoleClaim: "role", ClientsClaim: "clients"},
	})
	token := "Bearer " + i.token(t, jose.RS256, i.key, nil)
	if a := s.call(http.MethodGet, "/v1/me", nil, "Authorization", token); a.status != http.StatusServiceUnavailable {
		t.Errorf("with the issuer down = %d; want 503", a.status)
	}
	s.must(http.StatusOK, http.MethodGet, "/v1/me", nil)
	i.down.Store(false)
	later.Store(int64(10 * time.Second))
	if a := s.call(http.MethodGet, "/v1/me", nil, "Authorization", token); a.status != http.StatusOK {
		t.Errorf("with the issuer up again = %d %s; want 200", a.status, a.raw)
	}
}

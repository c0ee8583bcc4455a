package outbound_test

import (
	"crypto/hmac"
	"crypto/sha256"
	"crypto/x509"
	"encoding/base64"
	"io"
	"log"
	"net/http"
	"net/http/httptest"
	"net/netip"
	"net/url"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"

	"leveltrail/cmd/leveltrail/outbound"
	"leveltrail/domain/webhook"
)

var loopback = []netip.Prefix{netip.MustParsePrefix("127.0.0.0/8")}

// receive starts a receiver of messages and returns its address and what trusts it.
func receive(t *testing.T, h http.HandlerFunc) (address string, roots *x509.CertPool) {
	t.Helper()
	server := httptest.NewUnstartedServer(h)
	server.Config.ErrorLog = log.New(io.Discard, "", 0)
	server.StartTLS()
	t.Cleanup(server.Close)
	roots = x509.NewCertPool()
	roots.AddCert(server.Certificate())
	return server.URL, roots
}

func sender(t *testing.T, allowed []netip.Prefix, roots *x509.CertPool) *outbound.Sender {
	t.Helper()
	s := outbound.New(outbound.Config{Allowed: allowed, Roots: roots, Now: func() time.Time { return time.Unix(1_800_000_000, 0) }})
	t.Cleanup(s.Close)
	return s
}

// The receiver's side of Standard Webhooks, written out.
func TestPostIsSigned(t *testing.T) {
	t.Parallel()
	secret, id := []byte("twenty-four bytes secret"), uuid.Must(uuid.NewV7())
	address, roots := receive(t, func(w http.ResponseWriter, r *http.Request) {
		body, _ := io.ReadAll(r.Body)
		mac := hmac.New(sha256.New, secret)
		_, _ = io.WriteString(mac, r.Header.Get("Webhook-Id")+"."+r.Header.Get("Webhook-Timestamp")+"."+string(body))
		want := "v1," + base64.StdEncoding.EncodeToString(mac.Sum(nil))
		if r.Method != http.MethodPost || r.URL.String() != "/hook?a=b" || r.Header.Get("Content-Type") != "application/json" ||
			r.Header.Get("Webhook-Id") != id.String() || r.Header.Get("Webhook-Timestamp") != "1800000000" || r.Header.Get("Webhook-Signature") != want {
			t.Errorf("%s %s %v", r.Method, r.URL, r.Header)
		}
		if string(body) != `{"seq":1}` {
			t.Errorf("body %s", body)
		}
		w.WriteHeader(http.StatusNoContent)
	})
	if got, want := sender(t, loopback, roots).Post(t.Context(), id, address+"/hook?a=b", []byte(`{"seq":1}`), [][]byte{secret}), (webhook.Outcome{Status: 204}); got != want {
		t.Errorf("Post = %+v; want %+v", got, want)
	}
}

func TestPostOutcomes(t *testing.T) {
	t.Parallel()
	reached := false
	other, otherRoots := receive(t, func(http.ResponseWriter, *http.Request) { reached = true })
	address, roots := receive(t, func(w http.ResponseWriter, r *http.Request) {
		switch r.URL.Path {
		case "/301":
			http.Redirect(w, r, other, http.StatusMovedPermanently)
		case "/endless":
			for {
				if _, err := w.Write(make([]byte, 1<<20)); err != nil {
					return
				}
			}
		case "/headers":
			w.Header().Set("X-Long", strings.Repeat("a", 1<<20))
		case "/410":
			w.WriteHeader(http.StatusGone)
		case "/500":
			w.WriteHeader(http.StatusInternalServerError)
			_, _ = io.WriteString(w, "secret of the receiver's network")
		case "/broken":
			panic(http.ErrAbortHandler)
		}
	})
	port := func(s string) string { u, _ := url.Parse(s); return u.Port() }
	tests := []struct {
		name, address string
		allowed       []netip.Prefix
		roots         *x509.CertPool
		want          webhook.Outcome
	}{
		{"accepted", address + "/200", loopback, roots, webhook.Outcome{Status: 200}},
		{"endless answer", address + "/endless", loopback, roots, webhook.Outcome{Status: 200}},
		{"endless header", address + "/headers", loopback, roots, webhook.Outcome{Error: "no connection came about, or it broke"}},
		{"refused", address + "/500", loopback, roots, webhook.Outcome{Status: 500, Error: "the receiver answered 500"}},
		{"gone", address + "/410", loopback, roots, webhook.Outcome{Status: 410, Error: "the receiver answered 410", Gone: true}},
		{"redirected", address + "/301", loopback, roots, webhook.Outcome{Status: 301, Error: "the receiver answered 301; redirections are not followed"}},
		{"broken", address + "/broken", loopback, roots, webhook.Outcome{Error: "no connection came about, or it broke"}},
		{"no https", strings.Replace(address, "https", "http", 1), loopback, roots, webhook.Outcome{Error: "the address is not https"}},
		{"not trusted", other, loopback, x509.NewCertPool(), webhook.Outcome{Error: "the receiver's certificate is not trusted"}},
		{"loopback", other, nil, otherRoots, webhook.Outcome{Error: "the address is not public"}},
		{"name of loopback", "https://localhost:" + port(other), nil, otherRoots, webhook.Outcome{Error: "the address is not public"}},
		{"mapped loopback", "https://[::ffff:127.0.0.1]:" + port(other), nil, otherRoots, webhook.Outcome{Error: "the address is not public"}},
		{"loopback as a number", "https://2130706433:" + port(other), nil, otherRoots, webhook.Outcome{}}, // whatever the system takes it for
		{"metadata service", "https://169.254.169.254/", nil, otherRoots, webhook.Outcome{Error: "the address is not public"}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			got := sender(t, tt.allowed, tt.roots).Post(t.Context(), uuid.Must(uuid.NewV7()), tt.address, []byte("{}"), [][]byte{[]byte("s")})
			if tt.want == (webhook.Outcome{}) {
				if got.Error == "" {
					t.Errorf("Post(%s) = %+v; want an error", tt.address, got)
				}
			} else if got != tt.want {
				t.Errorf("Post(%s) = %+v; want %+v", tt.address, got, tt.want)
			}
		})
	}
	if reached {
		t.Error("an address was reached that must not be")
	}
}

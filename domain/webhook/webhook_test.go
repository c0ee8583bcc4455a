package webhook_test

import (
	"encoding/base64"
	"strings"
	"testing"
	"time"

	"leveltrail/domain/fault"
	"leveltrail/domain/webhook"
)

// Source: the example of Standard Webhooks' own libraries (MEMORY; recomputed with
// openssl dgst -sha256 -mac HMAC).
func TestSignPublishedExample(t *testing.T) {
	t.Parallel()
	secret, err := base64.StdEncoding.DecodeString("MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw")
	if err != nil {
		t.Fatal(err)
	}
	const want = "v1,g0hM9SsE+OTPJTGt/tmIKtSyZlE3uFJELVlNIOLJ1OE="
	sign := func(secrets ...[]byte) string {
		return webhook.Sign("msg_p5jXN8AQM9LWM0D4loKWxJek", time.Unix(1614265330, 999), []byte(`{"test": 2432232314}`), secrets)
	}
	if got := sign(secret); got != want {
		t.Errorf("Sign = %s; want %s", got, want)
	}
	first, second, ok := strings.Cut(sign([]byte("x"), secret), " ")
	if !ok || first == want || !strings.HasPrefix(first, "v1,") || second != want {
		t.Errorf("Sign with two secrets = %s, %s; want one of the first and %s", first, second, want)
	}
}

func TestSecret(t *testing.T) {
	t.Parallel()
	a, b := webhook.NewSecret(), webhook.NewSecret()
	text, ok := strings.CutPrefix(webhook.SecretText(a), "whsec_")
	back, err := base64.StdEncoding.DecodeString(text)
	if !ok || err != nil || string(back) != string(a) || string(a) == string(b) {
		t.Errorf("SecretText(%x) = %s; want whsec_ and its base 64, another one each time", a, text)
	}
	if len(a) < 24 || len(a) > 64 { // Standard Webhooks: between 24 and 64 bytes
		t.Errorf("a secret has %d bytes; want 24 to 64", len(a))
	}
}

func TestWaitsGrowFromSecondsToADay(t *testing.T) {
	t.Parallel()
	var last, total time.Duration
	n := 1
	for ; ; n++ {
		wait, again := webhook.Wait(n)
		if !again {
			break
		}
		if wait < last {
			t.Errorf("Wait(%d) = %s after %s", n, wait, last)
		}
		last, total = wait, total+wait
	}
	if first, _ := webhook.Wait(1); first > 10*time.Second || last != 24*time.Hour || total < 3*24*time.Hour || n != 10 {
		t.Errorf("%d attempts within %s, waiting %s at first and %s at last; want 10, seconds to a day", n, total, first, last)
	}
	for _, never := range []int{-1, 0, 11, 1000} {
		if _, again := webhook.Wait(never); again {
			t.Errorf("Wait(%d) says again", never)
		}
	}
}

func TestValidate(t *testing.T) {
	t.Parallel()
	good := webhook.Webhook{Name: "Jobs", URL: "https://jobs.example:8443/hook?a=b", Types: []string{"survey.created", "field_check.*"}}
	if err := good.Validate(); err != nil {
		t.Errorf("Validate(%+v) = %v", good, err)
	}
	tests := []struct {
		name, path string
		change     func(*webhook.Webhook)
	}{
		{"no name", "name", func(w *webhook.Webhook) { w.Name = " " }},
		{"http", "url", func(w *webhook.Webhook) { w.URL = "http://jobs.example/" }},
		{"no scheme", "url", func(w *webhook.Webhook) { w.URL = "jobs.example" }},
		{"no host", "url", func(w *webhook.Webhook) { w.URL = "https://:443/" }},
		{"user", "url", func(w *webhook.Webhook) { w.URL = "https://a:b@jobs.example/" }},
		{"fragment", "url", func(w *webhook.Webhook) { w.URL = "https://jobs.example/#a" }},
		{"long", "url", func(w *webhook.Webhook) { w.URL = "https://jobs.example/" + strings.Repeat("a", 2000) }},
		{"port", "url", func(w *webhook.Webhook) { w.URL = "https://jobs.example:65536/" }},
		{"port 0", "url", func(w *webhook.Webhook) { w.URL = "https://jobs.example:0/" }},
		{"unknown type", "types/1", func(w *webhook.Webhook) { w.Types = []string{"survey.*", "survey.signed"} }},
		{"no dot", "types", func(w *webhook.Webhook) { w.Types = []string{"survey"} }},
		{"pattern", "types", func(w *webhook.Webhook) { w.Types = []string{"*.created"} }},
		{"many", "types", func(w *webhook.Webhook) { w.Types = make([]string, 101) }},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			t.Parallel()
			w := good
			tt.change(&w)
			err := w.Validate()
			if fault.KindOf(err) != fault.Invalid || !strings.Contains(err.Error(), tt.path) {
				t.Errorf("Validate = %v; want an Invalid that names %s", err, tt.path)
			}
		})
	}
}

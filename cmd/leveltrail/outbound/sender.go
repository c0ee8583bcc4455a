// Package outbound sends messages to addresses that others have named, which
// must not lead it into the network that it stands in.
package outbound

import (
	"bytes"
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"io"
	"net"
	"net/http"
	"net/netip"
	"net/url"
	"strconv"
	"strings"
	"time"

	"github.com/google/uuid"

	"leveltrail/domain/webhook"
)

const (
	dialPatience   = 5 * time.Second
	answerPatience = 10 * time.Second
	answerRead     = 64 << 10 // bytes of an answer that are read, so that its connection can be used again
)

// Sender posts signed messages.
type Sender struct {
	client *http.Client
	now    func() time.Time
}

// Config is what a [Sender] is made of.
type Config struct {
	Allowed []netip.Prefix // not public, and yet messages may go there
	Roots   *x509.CertPool // of the receivers' certificates; nil: the system's
	Now     func() time.Time
}

// New returns a sender.
func New(c Config) *Sender {
	dialer := &net.Dialer{Timeout: dialPatience, Control: guard(c.Allowed).control}
	return &Sender{
		now: c.Now,
		client: &http.Client{
			Timeout:       answerPatience,
			CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse },
			Transport: &http.Transport{
				Proxy:                  nil, // the guard would see the proxy's address only
				DialContext:            dialer.DialContext,
				TLSClientConfig:        &tls.Config{MinVersion: tls.VersionTLS12, RootCAs: c.Roots},
				TLSHandshakeTimeout:    dialPatience,
				ResponseHeaderTimeout:  answerPatience,
				MaxResponseHeaderBytes: answerRead,
				MaxConnsPerHost:        8,
				IdleConnTimeout:        time.Minute,
				ForceAttemptHTTP2:      true,
			},
		},
	}
}

// Close ends idle connections.
func (s *Sender) Close() { s.client.CloseIdleConnections() }

// Post sends body, JSON, as the message of the given id to address, signed with
// secrets. The outcome's error is for whoever named the address: it tells nothing
// of the network that the sender stands in.
func (s *Sender) Post(ctx context.Context, id uuid.UUID, address string, body []byte, secrets [][]byte) webhook.Outcome {
	u, err := url.Parse(address)
	if err != nil || u.Scheme != "https" {
		return webhook.Outcome{Error: "the address is not https"}
	}
	r, err := http.NewRequestWithContext(ctx, http.MethodPost, address, bytes.NewReader(body))
	if err != nil {
		return webhook.Outcome{Error: "the address cannot be read"}
	}
	now := s.now()
	r.Header.Set("Content-Type", "application/json")
	r.Header.Set("User-Agent", "leveltrail")
	r.Header.Set("webhook-id", id.String())
	r.Header.Set("webhook-timestamp", strconv.FormatInt(now.Unix(), 10))
	r.Header.Set("webhook-signature", webhook.Sign(id.String(), now, body, secrets))
	answer, err := s.client.Do(r)
	if err != nil {
		return webhook.Outcome{Error: plain(err)}
	}
	_, _ = io.CopyN(io.Discard, answer.Body, answerRead)
	answer.Body.Close()
	o := webhook.Outcome{Status: answer.StatusCode, Gone: answer.StatusCode == http.StatusGone}
	switch {
	case answer.StatusCode >= 300 && answer.StatusCode < 400:
		o.Error = "the receiver answered " + strconv.Itoa(answer.StatusCode) + "; redirections are not followed"
	case answer.StatusCode < 200 || answer.StatusCode >= 300:
		o.Error = "the receiver answered " + strconv.Itoa(answer.StatusCode)
	}
	return o
}

// plain says what went wrong in words of our own.
func plain(err error) string {
	dns, isDNS := errors.AsType[*net.DNSError](err)
	_, isVerification := errors.AsType[*tls.CertificateVerificationError](err)
	timeout, isNet := errors.AsType[net.Error](err)
	switch {
	case errors.Is(err, errNotPublic):
		return errNotPublic.Error()
	case isDNS && dns.IsNotFound:
		return "the name of the host is not known"
	case isDNS:
		return "the name of the host could not be looked up"
	case isVerification:
		return "the receiver's certificate is not trusted"
	case errors.Is(err, context.DeadlineExceeded), isNet && timeout.Timeout():
		return "the receiver did not answer in time"
	case strings.Contains(err.Error(), "tls: "):
		return "no secure connection came about"
	default:
		return "no connection came about, or it broke"
	}
}

package api

import (
	"fmt"
	"io"
	"math"
	"net/http"
	"runtime"
	"strings"
	"sync"
	"time"

	"github.com/gin-gonic/gin"
	"golang.org/x/time/rate"

	"leveltrail/domain/access"
)

// Limits bound what one key may ask of one process, so that no key starves
// another. A zero member sets no bound.
type Limits struct {
	RequestsPerS float64 // in the long run
	Burst        int     // requests at once, beyond that rate
	Reads        int     // GETs being answered at one time, downloads aside
	InFlight     int     // other requests being answered at one time: a slow line keeps no processor busy
	BytesPerS    float64 // of bodies, in the long run
	BytesBurst   int     // of bodies at once
	// Pause is how long a refusal keeps who asks too often waiting, so that a flood spends its
	// connections rather than the processors that others need.
	Pause time.Duration
}

// DefaultLimits are house values: a phone with a week's files and a front end full of charts stay
// below them. One key's GETs keep at most half of the processors busy, so that another's find one free.
var DefaultLimits = Limits{
	RequestsPerS: 100, Burst: 400, Reads: max(1, runtime.GOMAXPROCS(0)/2), InFlight: 8,
	BytesPerS: 16 << 20, BytesBurst: 4 << 30, Pause: 500 * time.Millisecond,
}

// mostPaused bounds the refusals of a key that wait at one time; what comes beyond is refused at once.
const mostPaused = 256

// allowances are what is left to each key.
type allowances struct {
	limits Limits
	policy string // of requests, as a header field; empty where they have no bound
	now    func() time.Time

	mu  sync.Mutex
	key map[string]*allowance
}

type allowance struct {
	requests, bytes *rate.Limiter
	reads, seats    chan struct{}
	paused          chan struct{}
	used            time.Time
}

func newAllowances(l Limits, now func() time.Time) *allowances {
	a := &allowances{limits: l, now: now, key: map[string]*allowance{}}
	if l.RequestsPerS > 0 {
		a.policy = fmt.Sprintf(`"requests";q=%d;w=%d`, l.Burst, int(math.Ceil(float64(l.Burst)/l.RequestsPerS)))
	}
	return a
}

// of returns what is left to a key. Keys that were not used for an hour are forgotten: their allowance is whole again.
func (a *allowances) of(key string) *allowance {
	now := a.now()
	a.mu.Lock()
	defer a.mu.Unlock()
	w := a.key[key]
	if w == nil {
		if len(a.key) >= 10_000 {
			for k, v := range a.key {
				if now.Sub(v.used) > time.Hour {
					delete(a.key, k)
				}
			}
		}
		w = &allowance{
			requests: limiter(a.limits.RequestsPerS, a.limits.Burst),
			bytes:    limiter(a.limits.BytesPerS, a.limits.BytesBurst),
			reads:    make(chan struct{}, a.limits.Reads),
			seats:    make(chan struct{}, a.limits.InFlight),
			paused:   make(chan struct{}, mostPaused),
		}
		a.key[key] = w
	}
	w.used = now
	return w
}

func limiter(perS float64, burst int) *rate.Limiter {
	if perS == 0 {
		return rate.NewLimiter(rate.Inf, 0)
	}
	return rate.NewLimiter(rate.Limit(perS), burst)
}

// limit refuses requests of a key that asks more than its share (RFC 6585; the
// header fields are those of the IETF draft on rate limits). A request that finds
// all seats of its key taken waits for one, so that a flood waits for itself.
func (s *server) limit(c *gin.Context) {
	l := s.allowances.limits
	w := s.allowances.of(access.From(c.Request.Context()).KeyID)
	now := s.now()
	if l.RequestsPerS > 0 {
		c.Header("RateLimit-Policy", s.allowances.policy)
		if !w.requests.AllowN(now, 1) {
			s.pause(c, w)
			s.tooMany(c, 1/l.RequestsPerS, "this key asks too often")
			return
		}
		left := max(w.requests.TokensAt(now), 0)
		c.Header("RateLimit", `"requests";r=`+itoa(int(left))+`;t=`+itoa(int(math.Ceil((float64(l.Burst)-left)/l.RequestsPerS))))
	}
	if l.BytesPerS > 0 && l.BytesBurst > 0 && c.Request.ContentLength != 0 {
		if tokens := w.bytes.TokensAt(now); tokens <= 0 {
			s.tooMany(c, -tokens/l.BytesPerS+1, "this key sends too much")
			return
		}
		c.Request.Body = &counted{c.Request.Body, w.bytes, s.now}
	}
	seats := w.seats
	if get := c.Request.Method == http.MethodGet || c.Request.Method == http.MethodHead; get && !downloads(c.FullPath()) {
		seats = w.reads
	}
	if cap(seats) > 0 {
		select {
		case seats <- struct{}{}:
			defer func() { <-seats }()
		case <-c.Request.Context().Done():
			c.Abort()
			return
		}
	}
	c.Next()
}

// downloads reports whether a route's answer goes out as fast as the line takes it.
func downloads(route string) bool {
	return strings.HasSuffix(route, "/file") || strings.HasSuffix(route, "/document") || strings.HasSuffix(route, "/evidence") ||
		strings.HasSuffix(route, "/content")
}

// pause waits before a refusal.
func (s *server) pause(c *gin.Context, w *allowance) {
	if s.allowances.limits.Pause == 0 {
		return
	}
	select {
	case w.paused <- struct{}{}:
		defer func() { <-w.paused }()
	default:
		return
	}
	select {
	case <-time.After(s.allowances.limits.Pause):
	case <-c.Request.Context().Done():
	}
}

func (s *server) tooMany(c *gin.Context, waitS float64, detail string) {
	s.send(c, s.failure(c, &refusal{
		status: http.StatusTooManyRequests, code: "too_many_requests", detail: detail, retryAfterS: itoa(int(math.Ceil(waitS))),
	}))
	c.Abort()
}

// counted charges the bytes of a body that are read. A body is never cut short:
// what it takes beyond the allowance is missing from the next.
type counted struct {
	io.ReadCloser
	bytes *rate.Limiter
	now   func() time.Time
}

// Read implements io.Reader.
func (b *counted) Read(p []byte) (int, error) {
	n, err := b.ReadCloser.Read(p)
	for left := n; left > 0; left -= b.bytes.Burst() { // more than the burst cannot be taken at once
		b.bytes.ReserveN(b.now(), min(left, b.bytes.Burst()))
	}
	return n, err
}

// Package api is the HTTP side of the service: routes, bodies, problems.
package api

import (
	"context"
	"fmt"
	"log/slog"
	"net/http"
	"regexp"
	"runtime/debug"
	"strings"
	"time"

	"github.com/gin-gonic/gin"
	"github.com/prometheus/client_golang/prometheus"

	"leveltrail/openapi"
)

// Store is what the handlers ask of the database.
type Store interface {
	keyStore
	keyRecordStore
	journalStore
	once
	clientStore
	projectStore
	relatedStore
	positionStore
	laboratoryStore
	instrumentStore
	certificateStore
	statusStore
	documentStore
	draftStore
	eventStore
	componentStore
	historyStore
	dueStore
	gapStore
	feedStore
	affectedStore
	personStore
	nonconformityStore
	fieldCheckStore
	surveyStore
	noteStore
	readinessStore
	attachmentStore
	seriesStore
	exclusionStore
	soundEventStore
	importStore
	figureStore
	limitStore
	verdictStore
	dispositionStore
	signOffStore
	ruleProfileStore
	webhookStore
	Secret(ctx context.Context, name string) ([]byte, error)
	Ping(ctx context.Context) error
}

// Config is what the HTTP side is made of.
type Config struct {
	Store Store
	Log   *slog.Logger
	Now   func() time.Time
	// Limits bound what one key may ask; the zero value sets no bounds.
	Limits Limits
	// Issuer says whose OpenID Connect tokens are taken beside keys.
	Issuer Issuer
	// Metrics is told what is asked and how long it takes; nil: nothing is.
	Metrics prometheus.Registerer
	// Migrated reports why the database's schema is not the one this program needs, nil if it is.
	Migrated func(ctx context.Context) error
}

type server struct {
	store        Store
	log          *slog.Logger
	now          func() time.Time
	migrated     func(ctx context.Context) error
	keys         *keyring
	issuer       *issuer // nil: only keys are taken
	allowances   *allowances
	metrics      *metrics // nil: none are kept
	cursorSecret []byte
}

// New returns the handler of the whole service.
func New(ctx context.Context, c Config) (http.Handler, error) {
	secret, err := c.Store.Secret(ctx, "cursor")
	if err != nil {
		return nil, fmt.Errorf("reading the cursor secret: %w", err)
	}
	s := &server{
		store: c.Store, log: c.Log, now: c.Now, migrated: c.Migrated, cursorSecret: secret,
		metrics:    newMetrics(c.Metrics),
		allowances: newAllowances(c.Limits, c.Now),
		keys:       &keyring{store: c.Store, now: c.Now, found: map[string]foundKey{}},
	}
	if c.Issuer.URL != "" {
		s.issuer = &issuer{Issuer: c.Issuer, now: c.Now}
	}
	return withHeads(newEngine(s)), nil
}

func newEngine(s *server) *gin.Engine {
	gin.SetMode(gin.ReleaseMode)
	e := gin.New()
	e.HandleMethodNotAllowed = true
	e.RedirectTrailingSlash = false
	e.RedirectFixedPath = false
	e.ContextWithFallback = false
	_ = e.SetTrustedProxies(nil)
	e.Use(s.identify, s.recoverPanic)
	e.NoRoute(func(c *gin.Context) {
		s.send(c, s.failure(c, &refusal{status: http.StatusNotFound, code: "route_unknown", detail: "nothing is served at this path"}))
	})
	e.NoMethod(func(c *gin.Context) {
		s.send(c, s.failure(c, &refusal{status: http.StatusMethodNotAllowed, code: "method_not_allowed", detail: "this path knows other methods: see Allow"}))
	})

	e.GET("/healthz", s.healthy)
	e.GET("/readyz", s.ready)
	e.GET("/openapi.json", s.description)
	e.GET("/docs", gin.WrapH(openapi.Docs()))
	e.GET("/docs/*file", gin.WrapH(openapi.Docs()))
	e.GET("/problems/:slug", s.problemPage)

	e.GET(feedsPath+":secret.ics", s.openFeed, s.limit, s.calendar)

	v1 := e.Group("/v1", s.authenticate, s.limit, s.authorize)
	keyHandlers{s}.routes(v1)
	journalHandlers{s}.routes(v1)
	clientHandlers{s}.routes(v1)
	projectHandlers{s}.routes(v1)
	positionHandlers{s}.routes(v1)
	laboratoryHandlers{s}.routes(v1)
	instrumentHandlers{s}.routes(v1)
	certificateHandlers{s}.routes(v1)
	statusHandlers{s}.routes(v1)
	documentHandlers{s}.routes(v1)
	digitalHandlers{s}.routes(v1)
	eventHandlers{s}.routes(v1)
	componentHandlers{s}.routes(v1)
	historyHandlers{s}.routes(v1)
	dueHandlers{s}.routes(v1)
	gapHandlers{s}.routes(v1)
	feedHandlers{s}.routes(v1)
	affectedHandlers{s}.routes(v1)
	personHandlers{s}.routes(v1)
	nonconformityHandlers{s}.routes(v1)
	fieldCheckHandlers{s}.routes(v1)
	surveyHandlers{s}.routes(v1)
	noteHandlers{s}.routes(v1)
	readinessHandlers{s}.routes(v1)
	attachmentHandlers{s}.routes(v1)
	seriesHandlers{s}.routes(v1)
	exclusionHandlers{s}.routes(v1)
	proposalHandlers{s}.routes(v1)
	soundEventHandlers{s}.routes(v1)
	backgroundHandlers{s}.routes(v1)
	importHandlers{s}.routes(v1)
	figureHandlers{s}.routes(v1)
	limitHandlers{s}.routes(v1)
	assessmentHandlers{s}.routes(v1)
	ratingHandlers{s}.routes(v1)
	verdictHandlers{s}.routes(v1)
	dispositionHandlers{s}.routes(v1)
	signOffHandlers{s}.routes(v1)
	ruleProfileHandlers{s}.routes(v1)
	webhookHandlers{s}.routes(v1)
	requireGrants(e)
	return e
}

const requestIDKey = "leveltrail.request_id"

func requestID(c *gin.Context) string { return c.GetString(requestIDKey) }

// identify gives the request an id, the client's own if it is sane, and logs it when answered.
func (s *server) identify(c *gin.Context) {
	id, trace := c.GetHeader("X-Request-Id"), traceID(c.GetHeader("Traceparent"))
	if !sane(id) {
		id = newRequestID(trace)
	}
	c.Set(requestIDKey, id)
	c.Header("X-Request-Id", id)
	c.Header("X-Content-Type-Options", "nosniff")
	c.Header("Content-Security-Policy", inert)
	c.Header("Referrer-Policy", "no-referrer") // a path names records
	start := s.now()
	c.Next()
	took := s.now().Sub(start)
	s.metrics.observe(c, took)
	facts := []any{
		"request_id", id, "method", c.Request.Method, "route", c.FullPath(), "path", masked(c),
		"status", c.Writer.Status(), "bytes", c.Writer.Size(), "duration_ms", float64(took.Microseconds()) / 1000,
	}
	if trace != "" {
		facts = append(facts, "trace_id", trace)
	}
	s.log.InfoContext(c.Request.Context(), "request", facts...)
}

// inert is the policy of answers that are no pages: nothing of them runs, loads or is framed.
const inert = "default-src 'none'; frame-ancestors 'none'"

// secretsInPaths are what is meant for headers and bodies, up to what may be told of it.
var secretsInPaths = regexp.MustCompile(`(lvt_[0-9A-Za-z]{0,12})[0-9A-Za-z_]*|(whsec_)[0-9A-Za-z+/=]*`)

// masked returns the path of a request for the log, without a secret: those that belong into
// paths are beyond /feeds, and others get there by mistake.
func masked(c *gin.Context) string {
	path := shown(c.Request.URL.Path)
	if strings.Contains(path, "lvt_") || strings.Contains(path, "whsec_") {
		return secretsInPaths.ReplaceAllString(path, "$1$2…")
	}
	return path
}

func sane(id string) bool {
	if len(id) < 1 || len(id) > 64 {
		return false
	}
	for _, b := range []byte(id) {
		if (b < '0' || b > '9') && (b < 'A' || b > 'Z') && (b < 'a' || b > 'z') && b != '-' && b != '_' && b != '.' {
			return false
		}
	}
	return true
}

func (s *server) recoverPanic(c *gin.Context) {
	defer func() {
		if p := recover(); p != nil {
			if c.Writer.Written() {
				panic(http.ErrAbortHandler)
			}
			s.send(c, s.failure(c, fmt.Errorf("panic: %v\n%s", p, debug.Stack())))
			c.Abort()
		}
	}()
	c.Next()
}

// healthy answers 200 while the service runs.
//
//	@Summary	Whether the service runs
//	@Tags		service
//	@Produce	plain
//	@Success	200		{string}	string	"It runs"
//	@Failure	default	{object}	Problem	"Any error"
//	@Router		/healthz [get]
func (s *server) healthy(c *gin.Context) { c.String(http.StatusOK, "ok\n") }

// description answers the description of the interface.
//
//	@Summary	This description, OpenAPI 3.1
//	@Tags		service
//	@Produce	json
//	@Success	200		{object}	object	"The description"
//	@Failure	default	{object}	Problem	"Any error"
//	@Router		/openapi.json [get]
func (s *server) description(c *gin.Context) {
	c.Data(http.StatusOK, "application/json", openapi.JSON)
}

// ready answers 200 when the database answers and has this program's schema.
//
//	@Summary	Whether the service can answer: its database does and has the schema needed
//	@Tags		service
//	@Produce	plain
//	@Success	200		{string}	string	"It can"
//	@Failure	default	{object}	Problem	"Any error"
//	@Router		/readyz [get]
func (s *server) ready(c *gin.Context) {
	ctx, cancel := context.WithTimeout(c.Request.Context(), 3*time.Second)
	defer cancel()
	err := s.store.Ping(ctx)
	if err == nil && s.migrated != nil {
		err = s.migrated(ctx)
	}
	if err != nil {
		s.log.WarnContext(ctx, "not ready", "error", err.Error())
		s.send(c, s.failure(c, &refusal{status: http.StatusServiceUnavailable, code: "not_ready", detail: "the database does not answer or its schema is not the one this program needs"}))
		return
	}
	c.String(http.StatusOK, "ready\n")
}

package api_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"maps"
	"net/http"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/gin-gonic/gin"
	"github.com/google/go-cmp/cmp"
	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"leveltrail/api"
	"leveltrail/domain/access"
	"leveltrail/persistence"
	"leveltrail/persistence/pgtest"
)

// records are those of one client and the shared ones it uses, made when first asked for.
type records struct {
	*service // asked with an admin key of all clients
	client   string
	made     map[string]string // ids by the first segment of their path
}

// id returns the id of the record whose path begins with /v1/kind, empty where none can be made.
func (r *records) id(kind string) string {
	if kind == "clients" {
		return r.client
	}
	if _, ok := r.made[kind]; !ok {
		if s := seeds()[kind]; s.make != nil {
			r.made[kind] = s.make(r)
		}
	}
	return r.made[kind]
}

// seed says how a record is made whose path begins with the name of its kind.
type seed struct {
	make   func(r *records) string
	shared bool // it belongs to no client
}

// seeds has a line for each kind of record.
func seeds() map[string]seed {
	return map[string]seed{
		"clients":   {make: func(r *records) string { return r.client }},
		"projects":  {make: func(r *records) string { return r.create("/v1/projects", aProject(r)) }},
		"positions": {make: func(r *records) string { return r.create(r.path("projects", "positions"), aPosition) }},
		"surveys": {make: func(r *records) string {
			return r.create(r.path("projects", "surveys"), with(aSurvey, object{"operator": matrixKey})) // own to keys of role field
		}},
		"limits":       {make: func(r *records) string { return r.create(r.path("projects", "limits"), aLimitOf(r)) }},
		"series":       {make: func(r *records) string { return r.create(r.path("surveys", "series"), aSeries(r)) }},
		"exclusions":   {make: func(r *records) string { return r.create(r.path("series", "exclusions"), anExclusion) }},
		"sound-events": {make: func(r *records) string { return r.create(r.path("surveys", "sound-events"), aSoundEvent(r)) }},
		"imports": {make: func(r *records) string {
			return r.send(r.id("surveys"), "night.csv", strings.Replace(aLog, "LAF", "LCF", 1), object{"instrument_id": r.id("instruments"), "position_id": r.id("positions"), "quantity": "LCF"}).body["id"].(string)
		}},
		"uploads": {make: func(r *records) string { return r.create("/v1/uploads", announced(r.id("surveys"), aLog)) }},
		"notes":   {make: func(r *records) string { return r.create(r.path("surveys", "notes"), aNote) }},
		"attachments": {make: func(r *records) string {
			return r.must(201, "POST", r.path("surveys", "attachments"), aPhoto(aCaption), "Content-Type", formType).body["id"].(string)
		}},
		"sign-offs": {make: func(r *records) string {
			r.id("series")
			return r.create(r.path("surveys", "sign-offs"), aStatement)
		}},
		"webhooks":   {make: func(r *records) string { return r.keyed("admin", r.client).create("/v1/webhooks", aHook) }},
		"deliveries": {make: (*records).delivery},

		"keys":            {shared: true, make: func(r *records) string { return r.create("/v1/keys", aKeyOf(r)) }},
		"laboratories":    {shared: true, make: func(r *records) string { return r.create("/v1/laboratories", object{"name": fresh("Laboratory")}) }},
		"people":          {shared: true, make: func(r *records) string { return r.create("/v1/people", object{"name": fresh("Nobody")}) }},
		"layouts":         {shared: true, make: func(r *records) string { return r.create("/v1/layouts", object{"name": fresh("Layout")}) }},
		"instruments":     {shared: true, make: func(r *records) string { return r.create("/v1/instruments", with(aMeter, serial())) }},
		"calibrators":     {shared: true, make: func(r *records) string { return r.create("/v1/instruments", with(aCalibrator, serial())) }},
		"microphones":     {shared: true, make: func(r *records) string { return r.create("/v1/instruments", with(aMicrophone, serial())) }},
		"certificates":    {shared: true, make: (*records).certificate},
		"field-checks":    {shared: true, make: func(r *records) string { return r.create(r.path("instruments", "field-checks"), aCheckOf(r)) }},
		"events":          {shared: true, make: func(r *records) string { return r.create(r.path("instruments", "events"), anEvent) }},
		"components":      {shared: true, make: func(r *records) string { return r.create(r.path("instruments", "components"), aFitting(r)) }},
		"nonconformities": {shared: true, make: func(r *records) string { return r.create("/v1/nonconformities", aNonconformity) }},
		"calibrations": {shared: true, make: func(r *records) string {
			return r.create("/v1/calibrations/feeds", object{"name": "Invented calendar"})
		}},
		"rule-profiles": {shared: true, make: func(*records) string { return "environmental" }},
	}
}

// example says how a route is asked that wants more than the id in its path. What it says of
// ids is as of r's records.
type example struct {
	body    func(r *records) any // sent as JSON or, a string, as it is
	headers []string
	query   func(r *records) string // without "?"
	status  int                     // of the answer to who may and owns what is asked for; 0: a success
	all     bool                    // for keys of every client alone
}

// examples has a line for each route that changes something or takes a body, unless a
// method and an id say all of it.
var examples = map[string]example{
	"POST /v1/clients":      {body: always(object{"name": "Invented Harbour"}), all: true},
	"PATCH /v1/clients/:id": {body: always(object{"name": "Invented Quay"})},

	"GET /v1/keys": {all: true}, "GET /v1/keys/:id": {all: true}, "DELETE /v1/keys/:id": {all: true},
	"POST /v1/keys":              {body: func(r *records) any { return aKeyOf(r) }, all: true},
	"POST /v1/keys/:id/rotation": {body: always(object{"overlap_s": 0}), all: true},
	"GET /v1/audit/verification": {all: true},

	"GET /v1/affected-surveys": {query: func(r *records) string { return "instrument_id=" + r.id("instruments") }},

	"POST /v1/projects":               {body: func(r *records) any { return aProject(r) }},
	"PATCH /v1/projects/:id":          {body: always(object{"title": "Quay at night"})},
	"POST /v1/projects/:id/positions": {body: always(aPosition)},
	"POST /v1/projects/:id/surveys":   {body: always(aSurvey)},
	"POST /v1/projects/:id/limits":    {body: func(r *records) any { return aLimitOf(r) }},
	"PUT /v1/positions/:id":           {body: func(r *records) any { return with(aPosition, object{"project_id": r.id("projects"), "number": 7}) }},
	"PATCH /v1/positions/:id":         {body: always(object{"label": "Yard"})},
	"PATCH /v1/limits/:id":            {body: always(object{"level_db": 46})},

	"PUT /v1/surveys/:id":               {body: func(r *records) any { return with(aSurvey, object{"project_id": r.id("projects")}) }},
	"PATCH /v1/surveys/:id":             {body: always(object{"operator": "A. Nobody"})},
	"POST /v1/surveys/:id/void":         {body: always(object{"reason": "rain"})},
	"POST /v1/surveys/:id/series":       {body: func(r *records) any { return aSeries(r) }},
	"POST /v1/surveys/:id/imports":      {body: anImport, headers: []string{"Content-Type", "multipart/form-data; boundary=a-boundary-of-the-tests"}},
	"POST /v1/surveys/:id/dispositions": {body: always(object{"finding_key": "0123456789abcdef", "decision": "accept", "reason": "x"}), status: 422},
	"POST /v1/surveys/:id/field-checks": {body: func(r *records) any { return aCheckOf(r) }},
	"POST /v1/surveys/:id/rating-level": {body: aRating},
	"PUT /v1/series/:id":                {body: func(r *records) any { return with(aSeries(r), object{"survey_id": r.id("surveys"), "channel": 2}) }},
	"PATCH /v1/series/:id":              {body: always(object{"range": nil})},
	"POST /v1/series/:id/samples":       {body: always(object{"started_at": "2026-03-03T08:00:00+01:00", "levels_db": []any{50}})},
	"POST /v1/series/:id/exclusions":    {body: always(anExclusion)},
	"POST /v1/surveys/:id/sound-events": {body: func(r *records) any { return aSoundEvent(r) }},
	"POST /v1/surveys/:id/notes":        {body: always(aNote)},
	"PUT /v1/notes/:id":                 {body: func(r *records) any { return with(aNote, object{"survey_id": r.id("surveys")}) }},
	"POST /v1/surveys/:id/attachments":  {body: always(aPhoto(aCaption)), headers: []string{"Content-Type", formType}},
	"PUT /v1/attachments/:id": {
		body:    func(r *records) any { return aPhoto(with(aCaption, object{"survey_id": r.id("surveys")})) },
		headers: []string{"Content-Type", formType},
	},
	"POST /v1/surveys/:id/sign-offs":         {body: always(with(aStatement, object{"reason": "x"})), status: 409}, // nothing was measured
	"POST /v1/sign-offs/:id/review":          {body: always(object{"decision": "stands", "reason": "x"}), status: 409},
	"POST /v1/imports/:id/withdrawal":        {body: always(object{"reason": "wrong meter"})},
	"POST /v1/imports/preview":               {body: aPreview, headers: []string{"Content-Type", "multipart/form-data; boundary=a-boundary-of-the-tests"}},
	"POST /v1/uploads":                       {body: func(r *records) any { return announced(r.id("surveys"), aLog) }},
	"PATCH /v1/uploads/:id":                  {body: always(aLog), headers: []string{"Content-Type", partial, "Upload-Offset", "0"}},
	"POST /v1/layouts":                       {body: func(*records) any { return object{"name": fresh("Layout")} }},
	"PATCH /v1/layouts/:id":                  {body: always(object{"date_order": "dmy"})},
	"POST /v1/webhooks":                      {body: always(aHook)},
	"PATCH /v1/webhooks/:id":                 {body: always(object{"name": "Job system of the tests"})},
	"POST /v1/webhooks/:id/rotation":         {body: always(object{"overlap_s": 0})},
	"POST /v1/laboratories":                  {body: func(*records) any { return object{"name": fresh("Laboratory")} }},
	"PATCH /v1/laboratories/:id":             {body: func(*records) any { return object{"name": fresh("Laboratory")} }},
	"POST /v1/people":                        {body: func(*records) any { return object{"name": fresh("Nobody")} }},
	"PATCH /v1/people/:id":                   {body: func(*records) any { return object{"name": fresh("Nobody")} }},
	"POST /v1/instruments":                   {body: func(*records) any { return with(aMeter, serial()) }},
	"PATCH /v1/instruments/:id":              {body: func(*records) any { return serial() }},
	"POST /v1/instruments/:id/certificates":  {body: func(*records) any { return aMeterCertificate() }},
	"POST /v1/certificates":                  {body: aDigitalCertificate, headers: []string{"Content-Type", "application/xml"}},
	"POST /v1/rule-profiles":                 {body: anEdition},
	"PATCH /v1/certificates/:id":             {body: always(object{"person_authorising": "B. Nobody"})},
	"POST /v1/certificates/:id/withdrawal":   {body: always(object{"reason": "x", "effective_from": "2026-02-01"})},
	"POST /v1/certificates/:id/confirmation": {status: 409},                                                                                        // it is confirmed
	"PUT /v1/certificates/:id/document":      {body: always("%PDF-1.7\n%%EOF"), headers: []string{"Content-Type", "application/pdf"}, status: 412}, // it has one
	"POST /v1/calibrations/feeds":            {body: always(object{"name": "Invented calendar"})},
	"POST /v1/instruments/:id/field-checks":  {body: func(r *records) any { return aCheckOf(r) }},
	"PUT /v1/field-checks/:id":               {body: func(r *records) any { return aCheckOf(r) }},
	"PATCH /v1/field-checks/:id":             {body: always(object{"as_left_db": 93.9})},
	"POST /v1/instruments/:id/events":        {body: always(anEvent)},
	"PATCH /v1/events/:id":                   {body: always(object{"note": "x"})},
	"POST /v1/instruments/:id/components":    {body: func(r *records) any { return aFitting(r) }},
	"GET /v1/nonconformities":                {all: true}, "GET /v1/nonconformities/:id": {all: true}, "GET /v1/nonconformities/:id/versions": {all: true},
	"POST /v1/nonconformities":      {body: always(aNonconformity), all: true},
	"PATCH /v1/nonconformities/:id": {body: always(object{"decision": "measured again"}), all: true},
	"PATCH /v1/components/:id":      {body: always(object{"to": "2026-02-01T00:00:00Z"})},
}

func always(body any) func(*records) any { return func(*records) any { return body } }

// fresh returns a name that nothing else has.
func fresh(what string) string { return "Invented " + what + " " + uuid.NewString() }

func serial() object { return object{"serial_number": uuid.NewString()} }

var (
	aPosition      = object{"number": 101, "label": "Gate"}
	aSurvey        = object{"kind": "environmental", "started_at": "2026-03-03T07:00:00+01:00", "ended_at": "2026-03-03T09:00:00+01:00"}
	anExclusion    = object{"from": "2026-03-03T07:00:00+01:00", "to": "2026-03-03T07:01:00+01:00", "reason": "lawn mower"}
	anEvent        = object{"kind": "repair", "on": "2026-01-12", "ends_cover": true}
	aMicrophone    = object{"kind": "microphone", "manufacturer": "Invented Works", "model": "Nu", "class": "1"}
	aNonconformity = object{"what": "A draught on the microphone", "found_on": "2026-03-04"}
	aHook          = object{"name": "Job system", "url": "https://mill.example/"}
)

func aProject(r *records) object {
	return object{"client_id": r.client, "reference": "J-" + uuid.NewString(), "title": "Mill at night", "time_zone": "Europe/Vienna"}
}

func aSoundEvent(r *records) object {
	return object{"position_id": r.id("positions"), "kind": "dog", "from": "2026-03-03T07:00:00+01:00", "to": "2026-03-03T07:01:00+01:00"}
}

func aKeyOf(r *records) object {
	return object{"name": "Van 3", "role": "field", "client_ids": []any{r.client}}
}

func aDigitalCertificate(r *records) any {
	return strings.Replace(digital(r.t, "calibrator-3.1.2.xml"), "INVENTED-2025-17", uuid.NewString(), 1)
}

func anEdition(r *records) any {
	return sentBack(r.must(200, "GET", "/v1/rule-profiles/environmental", nil).body, object{"edition": fresh("Edition")})
}

func aLimitOf(r *records) object {
	return object{"symbol": "LAeq", "level_db": 45, "position_id": r.id("positions"), "source": "invented permit"}
}

func aSeries(r *records) object {
	return object{
		"position_id": r.id("positions"), "instrument_id": r.id("instruments"), "quantity": "LAF", "interval_s": 1,
		"started_at": "2026-03-03T07:00:00+01:00", "levels_db": []any{51.2, 51.4, 50.9},
	}
}

func aCheckOf(r *records) object {
	at := time.Date(2026, 3, 3, 5, 0, r.count(), 0, time.UTC)
	return with(check(r.id("instruments"), r.id("calibrators"), at.Format(time.RFC3339), 93.8), object{"expected_db": 93.8})
}

// count returns another number at each call.
func (r *records) count() int {
	r.made["count"] += "."
	return len(r.made["count"])
}

func aFitting(r *records) object {
	return object{"part_id": r.id("microphones"), "from": "2026-01-01T00:00:00Z"}
}

func aMeterCertificate() object {
	return with(aCertificate, object{"scope": nil, "number": uuid.NewString(), "item_serial_number": "M-1"})
}

func anImport(r *records) any {
	body, _ := form(r.t, "night.csv", aLog, object{"instrument_id": r.id("instruments"), "position_id": r.id("positions"), "quantity": "LAF"}, false)
	return body
}

func aPreview(r *records) any {
	body, _ := form(r.t, "night.csv", aLog, object{"survey_id": r.id("surveys")}, false)
	return body
}

func aRating(r *records) any {
	r.id("series")
	return object{"position_id": r.id("positions"), "rating_s": 28800, "parts": []any{
		object{"from": "2026-03-03T07:00:00+01:00", "to": "2026-03-03T08:00:00+01:00"},
	}}
}

// certificate makes one of the meter, with its document.
func (r *records) certificate() string {
	id := r.create(r.path("instruments", "certificates"), aMeterCertificate())
	r.must(201, "PUT", "/v1/certificates/"+id+"/document", "%PDF-1.7\n%%EOF\n", "Content-Type", "application/pdf", "If-None-Match", "*")
	return id
}

// delivery makes one of the webhook, of a change of the client.
func (r *records) delivery() string {
	hook := r.id("webhooks")
	r.must(200, "PATCH", "/v1/clients/"+r.client, object{"reference": uuid.NewString()}, "If-Match", "*")
	if _, err := r.store.Seal(r.t.Context()); err != nil {
		r.t.Fatal(err)
	}
	return r.must(200, "GET", "/v1/webhooks/"+hook+"/deliveries", nil).ids()[0]
}

// path returns the path of what belongs to the record of a kind.
func (r *records) path(kind, of string) string { return "/v1/" + kind + "/" + r.id(kind) + "/" + of }

// matrixKey is the name of keys.
const matrixKey = "the matrix"

// keyed returns the service asked with a key of a role that sees the named clients; without any, none.
func (s *service) keyed(role string, clients ...string) *service {
	s.t.Helper()
	secret := access.NewKey()
	k, _ := access.KeyOf(secret)
	k.Name, k.Role, k.ClientIDs = matrixKey, role, []uuid.UUID{}
	for _, c := range clients {
		k.ClientIDs = append(k.ClientIDs, uuid.MustParse(c))
	}
	if _, err := s.store.CreateKey(access.With(s.t.Context(), access.Caller{All: true}), k); err != nil {
		s.t.Fatal(err)
	}
	return s.as(secret)
}

// parameterKinds are the kinds of records that path parameters other than :id name.
var parameterKinds = map[string]string{":delivery": "deliveries", ":code": "rule-profiles"}

// question is a request of a route.
type question struct {
	method, path, body string
	headers            []string
}

// request returns how route is asked for r's records.
func (r *records) request(t *testing.T, route string) question {
	t.Helper()
	method, pattern, _ := strings.Cut(route, " ")
	parts := strings.Split(pattern, "/")
	a := question{method: method, headers: slices.Clone(examples[route].headers)}
	for i, part := range parts {
		if !strings.HasPrefix(part, ":") {
			continue
		}
		kind := parts[2]
		if part != ":id" {
			kind = parameterKinds[part]
		}
		if parts[i] = r.id(kind); parts[i] == "" {
			t.Fatalf("%s: add a line to seeds (matrix_test.go) that makes the record that %s names", route, part)
		}
	}
	a.path = strings.Join(parts, "/")
	if q := examples[route].query; q != nil {
		a.path += "?" + q(r)
	}
	doc, err := description()
	if err != nil {
		t.Fatal(err)
	}
	op := doc.Paths.Value(openPath(pattern)).GetOperation(method)
	if op.RequestBody != nil && examples[route].body == nil {
		t.Fatalf("%s: add a line to examples (matrix_test.go) with a body", route)
	}
	if b := examples[route].body; b != nil {
		switch body := b(r).(type) {
		case string:
			a.body = body
		default:
			text, err := json.Marshal(body)
			if err != nil {
				t.Fatal(err)
			}
			a.body = string(text)
		}
	}
	for _, p := range op.Parameters {
		switch p.Value.Name {
		case "If-Match":
			a.headers = append(a.headers, "If-Match", "*")
		case "If-None-Match":
			if method == http.MethodPut {
				a.headers = append(a.headers, "If-None-Match", "*")
			}
		}
	}
	return a
}

// openPath returns a route's path as the description writes it.
func openPath(pattern string) string {
	parts := strings.Split(pattern, "/")
	for i, part := range parts {
		if name, ok := strings.CutPrefix(part, ":"); ok {
			parts[i] = "{" + name + "}"
		}
	}
	return strings.Join(parts, "/")
}

// with returns the request with another id in one's place.
func (a question) with(id, other string) question {
	a.path, a.body = strings.ReplaceAll(a.path, id, other), strings.ReplaceAll(a.body, id, other)
	return a
}

func (a question) by(s *service) answer {
	s.t.Helper()
	var body any
	if a.body != "" {
		body = a.body
	}
	return s.call(a.method, a.path, body, a.headers...)
}

func (a question) String() string { return fmt.Sprintf("%s %s %.200s", a.method, a.path, a.body) }

// told is what an answer tells, but for the request's own id and the ids that it was asked with.
func told(a answer, ids ...string) string {
	text := string(a.raw)
	if id, ok := a.body["request_id"].(string); ok {
		text = strings.ReplaceAll(text, id, "REQUEST")
	}
	header := a.header.Clone()
	header.Del("X-Request-Id")
	header.Del("Content-Length") // an instant has as many digits as it needs
	var lines strings.Builder
	fmt.Fprintln(&lines, a.status)
	for _, name := range slices.Sorted(maps.Keys(header)) {
		fmt.Fprintln(&lines, name, header[name])
	}
	text = lines.String() + text
	for _, id := range ids {
		text = strings.ReplaceAll(text, id, "ID")
	}
	return madeNow.ReplaceAllString(text, "$1")
}

// madeNow are the id and the instant of a record that the request itself made, and what
// depends on the instant asked at.
var madeNow = regexp.MustCompile(`("id":|"(?:created|updated|as_known)_at":|"inputs_sha256":|/v1/imports/)"?[-0-9a-zA-Z:.]+`)

// everyRoute returns the routes under /v1, as registered.
func everyRoute(s *service) []string {
	var routes []string
	for _, r := range s.handler.(interface{ Routes() gin.RoutesInfo }).Routes() {
		if strings.HasPrefix(r.Path, "/v1/") {
			routes = append(routes, r.Method+" "+r.Path)
		}
	}
	slices.Sort(routes)
	return routes
}

// kindAt returns the kind of the record that a route's path names, and whether it is a client's.
func kindAt(route string) (kind string, named, ofClient bool) {
	parts := strings.Split(route, "/")
	kind = parts[2]
	named = strings.Contains(route, ":")
	s, known := seeds()[kind]
	return kind, named, known && !s.shared
}

// TestMatrix asks every route with a key of every role, of the client whose records they are, of
// another client and of none, and without a key. What a key may not see answers in all it tells
// as if it had never been, after the same statements; nothing of it changes. What it may, works.
//
// A new route needs a line in seeds if no record of its kind is made yet, and one in examples if it
// takes a body or answers whoever may otherwise than with a success.
func TestMatrix(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	wire, url := tapped(t, db.App)
	store, err := persistence.Open(t.Context(), url)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(store.Close)
	now := time.Now().Add(time.Hour) // stands still: answers that tell the time stay alike
	handler, err := api.New(t.Context(), api.Config{Store: store, Log: discard, Now: func() time.Time { return now }})
	if err != nil {
		t.Fatal(err)
	}
	secret := access.NewKey()
	k, _ := access.KeyOf(secret)
	if err := store.SetAdminKey(t.Context(), k); err != nil {
		t.Fatal(err)
	}
	s := &service{t: t, db: db, store: store, handler: handler, key: secret}
	of := func() *records {
		return &records{service: s, client: s.create("/v1/clients", object{"name": "Invented Mill"}), made: map[string]string{}}
	}
	ours, theirs := of(), of()
	routes := everyRoute(s)
	if len(routes) < 100 {
		t.Fatalf("%d routes; want more", len(routes))
	}
	var clientIDs []string // of our records that are the client's
	for _, kind := range slices.Sorted(maps.Keys(seeds())) {
		ours.id(kind)
		theirs.id(kind)
		if !seeds()[kind].shared {
			clientIDs = append(clientIDs, ours.id(kind))
		}
	}
	callers := map[string]map[string]*service{}
	for _, role := range access.Roles {
		callers[role] = map[string]*service{"own": s.keyed(role, ours.client), "other": s.keyed(role, theirs.client), "no client": s.keyed(role)}
		for _, c := range callers[role] {
			c.must(200, "GET", "/v1/me", nil) // from now on its key is known
		}
	}
	theirView := func() map[string]string {
		view := map[string]string{}
		for _, route := range routes {
			_, named, ofClient := kindAt(route)
			tells := "GET /v1/webhooks/:id/deliveries" // changes of shared records too
			if named && ofClient && strings.HasPrefix(route, "GET ") && route != tells {
				view[route] = told(theirs.request(t, route).by(callers["admin"]["other"]))
			}
		}
		return view
	}
	ourRows := rowsOf(t, db, ours.client)

	theirView() // so that aggregates that a first answer makes are there
	t.Run("not seen", func(t *testing.T) {
		for _, route := range routes {
			for _, role := range access.Roles {
				notSeen(t, wire, route, role, callers[role], ours, theirs, clientIDs)
			}
		}
	})
	if diff := cmp.Diff(ourRows, rowsOf(t, db, ours.client)); diff != "" {
		t.Errorf("rows of a client after others asked (-before +after):\n%s", diff)
	}
	beforeOurs := theirView()
	t.Run("works", func(t *testing.T) {
		for _, route := range routes {
			for _, role := range access.Roles {
				works(t, route, role, ours)
			}
		}
	})
	t.Run("a job number of another", func(t *testing.T) {
		caller := *callers["consultant"]["other"]
		caller.t = t
		refused := func(r *records) (answered string, said []string) {
			number := r.must(200, "GET", "/v1/projects/"+r.id("projects"), nil).body["reference"]
			wire.said()
			a := caller.call("POST", "/v1/projects", with(aProject(theirs), object{"reference": number}))
			if a.status != http.StatusConflict || a.body["code"] != "reference_taken" {
				t.Errorf("a job number that is taken = %d %s; want 409 reference_taken", a.status, a.raw)
			}
			return told(a), wire.said()
		}
		own, saidOwn := refused(theirs)
		other, saidOther := refused(ours)
		if diff := cmp.Diff(own, other) + cmp.Diff(saidOwn, saidOther); diff != "" {
			t.Errorf("whose the job number is shows (-own +other):\n%s", diff)
		}
	})
	t.Run("an Idempotency-Key of another", func(t *testing.T) {
		for _, r := range []*records{ours, theirs} {
			caller := *r.keyed("consultant", r.client)
			caller.t = t
			caller.must(201, "POST", "/v1/projects", aProject(r), "Idempotency-Key", "the same")
		}
	})
	if diff := cmp.Diff(beforeOurs, theirView()); diff != "" {
		t.Errorf("what another client's key sees of its own after we worked (-before +after):\n%s", diff)
	}
}

// besideSurveys are the routes of role field that change no survey, and nothing of one.
var besideSurveys = strings.Fields(`POST/v1/projects/:id/positions PUT/v1/positions/:id PATCH/v1/positions/:id
	POST/v1/projects/:id/surveys PUT/v1/surveys/:id POST/v1/imports/preview
	POST/v1/instruments/:id/field-checks POST/v1/surveys/:id/field-checks PUT/v1/field-checks/:id PATCH/v1/field-checks/:id`)

// TestSurveysOfAnother asks every route of role field that changes something about a survey of the key's
// client that another entered and operated: it changes nothing. With the same name, or as operator, it does.
func TestSurveysOfAnother(t *testing.T) {
	t.Parallel()
	s := serve(t)
	r := &records{service: s, client: s.create("/v1/clients", object{"name": "Invented Mill"}), made: map[string]string{}}
	r.made["surveys"] = r.create(r.path("projects", "surveys"), with(aSurvey, object{"operator": "A. Nobody"}))
	phone := s.keyed("field", r.client)
	asked := 0
	for _, route := range everyRoute(s) {
		if strings.HasPrefix(route, "GET ") || !mayBe("field", route) {
			continue
		}
		about := r.request(t, route)
		if slices.Contains(besideSurveys, strings.Replace(route, " ", "", 1)) {
			continue
		}
		asked++
		before := rowsOf(t, s.db, r.client)
		if a := about.by(phone); a.status != http.StatusForbidden || about.method != http.MethodHead && a.body["code"] != "survey_of_another" {
			t.Errorf("%s = %d %s; want 403 survey_of_another", about, a.status, a.raw)
		}
		if diff := cmp.Diff(before, rowsOf(t, s.db, r.client)); diff != "" {
			t.Errorf("%s changed rows (-before +after):\n%s", about, diff)
		}
	}
	if asked < 15 {
		t.Errorf("%d routes were asked; want all that change what is measured", asked)
	}

	note := func(survey string) int { return phone.call("POST", "/v1/surveys/"+survey+"/notes", aNote).status }
	s.must(200, "PATCH", "/v1/surveys/"+r.made["surveys"], object{"operator": matrixKey}, "If-Match", "*")
	if got := note(r.made["surveys"]); got != http.StatusCreated {
		t.Errorf("a note by the survey's operator = %d; want 201", got)
	}
	entered := phone.create(r.path("projects", "surveys"), with(aSurvey, object{"operator": "A. Nobody"}))
	if got := note(entered); got != http.StatusCreated {
		t.Errorf("a note by who entered the survey = %d; want 201", got)
	}
	phone = s.keyed("field", r.client) // a new key of the same name
	if got := note(entered); got != http.StatusCreated {
		t.Errorf("a note with a new key of the name that entered the survey = %d; want 201", got)
	}
}

func mayBe(role, route string) bool {
	return role == "admin" || slices.Contains(api.Granted(route), role)
}

// notSeen asks a route about what the caller may not see, and about what never was.
func notSeen(t *testing.T, wire *wire, route, role string, by map[string]*service, ours, theirs *records, clientIDs []string) {
	t.Helper()
	about := ours.request(t, route)
	stranger := *ours.service
	stranger.t, stranger.key = t, "none"
	if a := about.by(&stranger); a.status != http.StatusUnauthorized {
		t.Errorf("%s without a key = %d; want 401", about, a.status)
	}
	for who, caller := range by {
		caller := *caller
		caller.t = t
		if !mayBe(role, route) || examples[route].all {
			if a := about.by(&caller); a.status != http.StatusForbidden {
				t.Errorf("%s as %s, %s = %d %s; want 403", about, role, who, a.status, a.raw)
			}
			continue
		}
		if who == "own" {
			continue
		}
		for _, one := range attempts(t, route, ours, theirs) {
			wire.said()
			a := one.ours.by(&caller)
			said := wire.said()
			if who == "other" && one.ours.method == http.MethodPut && strings.HasSuffix(one.ours.path, one.id) {
				// An id is taken by whoever was first: it answers as every request to it does.
				if a.status != http.StatusNotFound {
					t.Errorf("%s as %s, %s = %d %s; want 404", one.ours, role, who, a.status, a.raw)
				}
				continue
			}
			b := one.never.by(&caller)
			if a.status < 400 && one.ours.method != http.MethodGet || a.status == http.StatusForbidden {
				t.Errorf("%s as %s, %s = %d %s; want that it finds nothing", one.ours, role, who, a.status, a.raw)
			}
			if diff := cmp.Diff(told(b, one.replaced), told(a, one.id)); diff != "" {
				t.Errorf("%s as %s, %s tells another client's record from none (-none +record):\n%s", one.ours, role, who, diff)
			}
			for _, id := range clientIDs {
				if id != one.id && bytes.Contains(a.raw, []byte(id)) {
					t.Errorf("%s as %s, %s tells another id of the other client: %s", one.ours, role, who, a.raw)
				}
			}
			if diff := cmp.Diff(wire.said(), said); diff != "" {
				t.Errorf("%s as %s, %s: statements differ between another client's record and none (-none +record):\n%s", one.ours, role, who, diff)
			}
		}
		if _, named, ofClient := kindAt(route); about.method == http.MethodGet && (!named || !ofClient) {
			a := about.by(&caller)
			for _, id := range clientIDs {
				if bytes.Contains(a.raw, []byte(id)) {
					t.Errorf("%s as %s, %s tells an id of another client: %s", about, role, who, a.raw)
				}
			}
		}
	}
}

// attempt is a request that names a record of ours, by someone who may not see it, and the same
// about a record that never was.
type attempt struct {
	ours, never  question
	id, replaced string // of the record, and of the one that never was
}

// attempts returns, for each of our client's records that a route can be asked about in its
// path, its body or its filters, a request otherwise about their records.
func attempts(t *testing.T, route string, ours, theirs *records) []attempt {
	t.Helper()
	var all []attempt
	base := theirs.request(t, route)
	for _, kind := range slices.Sorted(maps.Keys(seeds())) {
		id, never := ours.id(kind), uuid.Must(uuid.NewV7()).String()
		if seeds()[kind].shared {
			continue
		}
		one := base
		if one.method == http.MethodPut && strings.Contains(base.body, theirs.id(kind)) { // a record of theirs, of ours
			one.path = one.path[:len(one.path)-len(never)] + uuid.Must(uuid.NewV7()).String()
		}
		if strings.Contains(one.path+one.body, theirs.id(kind)) {
			about := one.with(theirs.id(kind), id)
			all = append(all, attempt{ours: about, never: about.with(id, never), id: id, replaced: never})
		}
		if parameter := strings.TrimSuffix(kind, "s") + "_id"; filters(t, route, parameter) {
			one := base
			path, _, _ := strings.Cut(one.path, "?")
			one.path = path + "?" + parameter + "=" + id
			all = append(all, attempt{ours: one, never: one.with(id, never), id: id, replaced: never})
		}
	}
	return all
}

// filters reports whether a route takes a query parameter.
func filters(t *testing.T, route, parameter string) bool {
	t.Helper()
	doc, err := description()
	if err != nil {
		t.Fatal(err)
	}
	method, pattern, _ := strings.Cut(route, " ")
	return doc.Paths.Value(openPath(pattern)).GetOperation(method).Parameters.GetByInAndName("query", parameter) != nil
}

// works asks a route with a key of the client whose records they are, or of all clients where only such keys may.
func works(t *testing.T, route, role string, ours *records) {
	t.Helper()
	if !mayBe(role, route) {
		return
	}
	r := &records{service: ours.service, client: ours.client, made: map[string]string{}}
	asked := r.request(t, route)
	if route[:4] == "PUT " && strings.Contains(asked.body, "_id") { // it creates
		asked.path = asked.path[:len(asked.path)-36] + uuid.Must(uuid.NewV7()).String()
	}
	caller := r.keyed(role, r.client)
	if examples[route].all {
		caller = r.as(newKey(t, r.service, access.Key{Name: "the matrix", Role: role}))
	}
	caller.t = t
	a := asked.by(caller)
	if want := examples[route].status; a.status != want && (want != 0 || a.status >= 300) {
		t.Errorf("%s as %s = %d %s; want %d (0: a success)", asked, role, a.status, a.raw, want)
	}
}

// rowsOf returns a digest of a client's rows in each table that has such.
func rowsOf(t *testing.T, db pgtest.Database, client string) map[string]string {
	t.Helper()
	pool := pgtest.Connect(t, db.Superuser)
	rows, _ := pool.Query(t.Context(), `
		select c.relname::text from pg_class c join pg_attribute a on a.attrelid = c.oid
		where c.relkind in ('r', 'p') and c.relnamespace = 'public'::regnamespace and a.attname = 'client_id' and not a.attisdropped`)
	tables, err := pgx.CollectRows(rows, pgx.RowTo[string])
	if err != nil || len(tables) < 15 {
		t.Fatalf("tables with client_id = %q, %v; want more", tables, err)
	}
	digests := map[string]string{}
	for _, table := range append(tables, "client", "webhook") {
		column := map[string]string{"client": "id", "webhook": "client_ids[1]"}[table]
		if column == "" {
			column = "client_id"
		}
		var digest string
		err := pool.QueryRow(t.Context(), `select count(*) || ' ' || coalesce(md5(string_agg(r::text, '' order by r::text)), '') from `+
			pgx.Identifier{table}.Sanitize()+` r where `+column+` = $1`, client).Scan(&digest)
		if err != nil {
			t.Fatal(err)
		}
		digests[table] = digest
	}
	return digests
}

package api_test

import (
	"bytes"
	"flag"
	"fmt"
	"log/slog"
	"maps"
	"math/rand/v2"
	"net/http"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"leveltrail/api"
)

var (
	throwCount = flag.Int("requests", 5000, "how many requests are thrown at the service")
	throwSeed  = flag.Uint64("seed", 1, "what chooses the requests")
)

// TestThrownRequests throws good and bad requests made of the description at the
// service: it never fails, every answer is described, every problem is whole.
// More of them: go test ./api -run TestThrownRequests -args -requests 100000 -seed 7.
func TestThrownRequests(t *testing.T) {
	t.Parallel()
	doc, err := description()
	if err != nil {
		t.Fatal(err)
	}
	const throwers = 2
	var mu sync.Mutex
	failed, answered, codes := 0, map[string]map[int]int{}, map[string]bool{}
	var operations [throwers][]*operation
	var ready [throwers]*thrower
	var logged [throwers]bytes.Buffer // failures, as the service logs them
	for i := range throwers {
		loud := slog.New(slog.NewTextHandler(&logged[i], &slog.HandlerOptions{Level: slog.LevelError}))
		s := story{serveWith(t, api.Config{Log: loud, Now: time.Now}), map[string]any{}}
		th := &thrower{
			story: s, r: rand.New(rand.NewPCG(*throwSeed, uint64(i))), doc: doc,
			ids: map[string][]string{}, tags: map[string]string{}, own: map[string]bool{}, codes: map[string]bool{},
		}
		for _, key := range s.must(http.StatusOK, http.MethodGet, "/v1/keys", nil).ids() {
			th.own[key] = true
		}
		chapters := chapters(t)
		for _, c := range chapters {
			m := s.request(c)
			a := s.tell(c)
			th.harvest(kindOfPath(m.path), a.body)
			route, _ := routeOf(doc, mustRequest(t, m.method, m.path))
			answered[m.method+" "+route.Path] = map[int]int{a.status: 1}
		}
		operations[i], ready[i] = operationsOf(s, doc, chapters), th
	}
	var wg sync.WaitGroup
	for i, th := range ready {
		operations := operations[i]
		wg.Go(func() {
			for n := range *throwCount / throwers {
				o := operations[n%len(operations)]
				if th.chance(2) {
					o = operations[th.r.IntN(len(operations))]
				}
				m := th.throw(o)
				r, w, err := th.send(m)
				if err != nil {
					continue // no client can send it
				}
				wrong := th.wrong(m, r, w)
				th.learn(m, w)
				mu.Lock()
				name := o.method + " " + o.path
				if answered[name] == nil {
					answered[name] = map[int]int{}
				}
				answered[name][w.Code]++
				if len(wrong) > 0 {
					if failed++; failed <= 10 {
						t.Errorf("seed %d, thrower %d, request %d: %s\n= %d %.600s\n%.1500s\n%.2500s", *throwSeed, i, n, m.curl(), w.Code, w.Body, strings.Join(wrong, "\n"), logged[i].String())
					}
				}
				if n%100 == 0 {
					_, _ = th.store.Seal(t.Context())
				}
				mu.Unlock()
			}
			mu.Lock()
			maps.Copy(codes, th.codes)
			mu.Unlock()
		})
	}
	wg.Wait()
	if failed > 10 {
		t.Errorf("%d requests in all had such answers", failed)
	}
	var never []string
	for path, item := range doc.Paths.Map() {
		for method := range item.Operations() {
			taken := 0
			for status, n := range answered[method+" "+path] {
				if status < 300 {
					taken += n
				}
			}
			if len(answered[method+" "+path]) == 0 {
				t.Errorf("%s %s was not asked", method, path)
			}
			if taken == 0 {
				never = append(never, fmt.Sprint(method, " ", path, " ", answered[method+" "+path]))
			}
		}
	}
	slices.Sort(never)
	t.Logf("%d codes of problems seen; never answered with a success: %q", len(codes), never)
	if *throwCount >= 5000 && (len(never) > len(operations[0])/20 || len(codes) < 25) {
		t.Error("the requests do not go deep")
	}
	s := serveWith(t, api.Config{Log: discard, Now: time.Now})
	for code := range codes {
		if a := s.ask(http.MethodGet, "/problems/"+strings.ReplaceAll(code, "_", "-"), nil); a.status != http.StatusOK {
			t.Errorf("problems of type %s have no page", code)
		}
	}
}

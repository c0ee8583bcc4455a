package persistence_test

import (
	"context"
	"log/slog"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/uuid"

	"leveltrail/domain/access"
	"leveltrail/domain/calibration"
	"leveltrail/domain/fault"
	"leveltrail/domain/request"
	"leveltrail/domain/survey"
	"leveltrail/domain/webhook"
	"leveltrail/persistence"
	"leveltrail/persistence/pgtest"
)

// receiver stands for what takes messages: it answers as told and hands them on.
type receiver struct {
	mu       sync.Mutex
	answer   func(m webhook.Message) webhook.Outcome // nil: taken
	received chan webhook.Message
}

func (r *receiver) send(_ context.Context, m webhook.Message) webhook.Outcome {
	r.mu.Lock()
	answer := r.answer
	r.mu.Unlock()
	r.received <- m
	if answer == nil {
		return webhook.Outcome{Status: 200}
	}
	return answer(m)
}

func (r *receiver) answers(f func(m webhook.Message) webhook.Outcome) {
	r.mu.Lock()
	r.answer = f
	r.mu.Unlock()
}

// work does the background work until the test ends, sending to the receiver returned.
func work(t *testing.T, s *persistence.Store) *receiver {
	t.Helper()
	r := &receiver{received: make(chan webhook.Message, 1000)}
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- s.Work(ctx, persistence.Work{Log: slog.New(slog.DiscardHandler), Send: r.send}) }()
	t.Cleanup(func() {
		cancel()
		if err := <-done; err != nil {
			t.Error(err)
		}
	})
	return r
}

func newWebhook(t *testing.T, s *persistence.Store, by access.Caller, types ...string) webhook.Webhook {
	t.Helper()
	w, err := s.CreateWebhook(access.With(t.Context(), by), webhook.Webhook{
		Name: "Jobs", URL: "https://jobs.example/", Types: types, Enabled: true,
	}, []byte("the first secret, 24 byte"))
	if err != nil {
		t.Fatal(err)
	}
	return w
}

// next returns the next message, and fails the test when none comes.
func (r *receiver) next(t *testing.T) webhook.Message {
	t.Helper()
	select {
	case m := <-r.received:
		return m
	case <-time.After(30 * time.Second):
		t.Fatal("no message comes")
		panic("unreachable")
	}
}

// deliveries returns the deliveries of w when done holds for them; it asks again until then.
func deliveries(t *testing.T, s *persistence.Store, w uuid.UUID, done func([]webhook.Delivery) bool) []webhook.Delivery {
	t.Helper()
	late := time.After(30 * time.Second)
	for ctx := seesAll(t); ; {
		ds, err := s.Deliveries(ctx, w, "", request.Page{Limit: 1000})
		if err != nil {
			t.Fatal(err)
		}
		if done(ds) {
			return ds
		}
		select {
		case <-time.After(20 * time.Millisecond):
		case <-late:
			t.Fatalf("the deliveries do not become as awaited: %+v", ds)
		}
	}
}

func allIn(state webhook.State, n int) func([]webhook.Delivery) bool {
	return func(ds []webhook.Delivery) bool {
		return len(ds) == n && !slices.ContainsFunc(ds, func(d webhook.Delivery) bool { return d.State != state })
	}
}

// Each webhook is sent the changes of its types, of clients that its key sees and
// of none, and none about keys and webhooks.
func TestWebhooksGetTheirChanges(t *testing.T) {
	t.Parallel()
	s := openStore(t, pgtest.New(t).App)
	ctx := seesAll(t)
	mill, quarry := createClient(t, s, "mill"), createClient(t, s, "quarry")
	seal(t, s) // before there is a webhook: never sent
	all := access.Caller{KeyID: "all", All: true}
	hooks := map[string]webhook.Webhook{
		"all":      newWebhook(t, s, all),
		"mill":     newWebhook(t, s, access.Caller{KeyID: "mill", Clients: []uuid.UUID{mill.ID}}),
		"both":     newWebhook(t, s, access.Caller{KeyID: "both", Clients: []uuid.UUID{quarry.ID, mill.ID}}, "project.*", "client.changed"),
		"projects": newWebhook(t, s, all, "project.created"),
		"disabled": newWebhook(t, s, all),
	}
	off := hooks["disabled"]
	off.Enabled, off.DisabledReason = false, "as asked"
	if _, err := s.UpdateWebhook(ctx, off); err != nil {
		t.Fatal(err)
	}
	if _, err := s.CreateKey(ctx, access.Key{ID: "abcdefghijkl", SecretHash: []byte{1}, Name: "key", Role: "qa"}); err != nil {
		t.Fatal(err)
	}
	for _, c := range []survey.Client{mill, quarry} {
		if _, err := s.CreateProject(ctx, survey.Project{ClientID: c.ID, Reference: "J-" + c.Name, Title: c.Name, TimeZone: "UTC"}); err != nil {
			t.Fatal(err)
		}
	}
	mill.Name = "mill, changed"
	if _, err := s.UpdateClient(ctx, mill); err != nil {
		t.Fatal(err)
	}
	lab := newLaboratory(t, s)
	createClient(t, s, "harbour")

	millChanges := []string{"project.created mill", "client.changed mill", "laboratory.created none"}
	want := map[string][]string{
		"all":      {"project.created mill", "project.created quarry", "client.changed mill", "laboratory.created none", "client.created other"},
		"mill":     millChanges,
		"both":     {"project.created mill", "project.created quarry", "client.changed mill"},
		"projects": {"project.created mill", "project.created quarry"},
		"disabled": nil,
	}
	seal(t, s)
	seal(t, s) // a second time there is nothing to do
	got := map[string][]string{}
	for name, w := range hooks {
		got[name] = nil
		for _, d := range deliveries(t, s, w.ID, func([]webhook.Delivery) bool { return true }) {
			of := map[uuid.UUID]string{mill.ID: "mill", quarry.ID: "quarry", uuid.Nil: "none"}[d.Entry.ClientID]
			if of == "" {
				of = "other"
			}
			if of == "none" && d.Entry.RecordID != lab || d.State != webhook.Pending || d.Round != 1 || d.Attempts != 0 || d.NextAttemptAt == nil {
				t.Errorf("delivery %+v", d)
			}
			got[name] = append(got[name], d.Entry.Type+" "+of)
		}
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("sent (-want +got):\n%s", diff)
	}

	// What is sent is the change as the sequence of changes has it.
	es, err := s.Entries(ctx, 0, 100, false)
	if err != nil {
		t.Fatal(err)
	}
	if slices.ContainsFunc(es, func(e access.Entry) bool { return e.RecordType == "key" || e.RecordType == "webhook" }) {
		t.Error("changes of keys and webhooks are told to whom they are not for")
	}
	for _, d := range deliveries(t, s, hooks["all"].ID, func([]webhook.Delivery) bool { return true }) {
		i := slices.IndexFunc(es, func(e access.Entry) bool { return e.Seq == d.Entry.Seq })
		e := es[i]
		e.KeyID, e.Actor, e.RequestID, e.Reason, e.Detail, e.SHA256 = "", "", "", "", nil, nil
		if diff := cmp.Diff(e, d.Entry); diff != "" {
			t.Errorf("change %d (-sequence +delivery):\n%s", e.Seq, diff)
		}
	}
}

func newLaboratory(t *testing.T, s *persistence.Store) uuid.UUID {
	t.Helper()
	l, err := s.CreateLaboratory(seesAll(t), calibration.Laboratory{Name: "Invented Laboratory"})
	if err != nil {
		t.Fatal(err)
	}
	return l.ID
}

func TestDelivery(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	s := openStore(t, db.App)
	ctx := seesAll(t)
	r := work(t, s)
	w := newWebhook(t, s, access.Caller{KeyID: "all", All: true})

	// Taken at once, without anyone asking for it to be sealed.
	c := createClient(t, s, "mill")
	m := r.next(t)
	if m.Entry.RecordID != c.ID || m.Entry.Type != "client.created" || m.URL != w.URL || m.Attempt != 1 || m.Webhook != w.ID ||
		len(m.Secrets) != 1 || string(m.Secrets[0]) != "the first secret, 24 byte" {
		t.Errorf("message %+v", m)
	}
	d := deliveries(t, s, w.ID, allIn(webhook.Delivered, 1))[0]
	if d.ID != m.Delivery || d.Attempts != 1 || d.AttemptedAt == nil || d.NextAttemptAt != nil || *d.Status != 200 || d.Error != "" {
		t.Errorf("delivery %+v", d)
	}

	// Sent again on request, under the same id, signed by both secrets during a rotation.
	if w, _ = s.Webhook(ctx, w.ID); w.Version != 1 {
		t.Errorf("version %d; want 1", w.Version)
	}
	w, err := s.RotateWebhookSecret(ctx, w, []byte("the second"), time.Hour)
	if err != nil {
		t.Fatal(err)
	}
	if d, err = s.Redeliver(ctx, w.ID, d.ID); err != nil || d.State != webhook.Pending || d.Round != 2 || d.Attempts != 0 {
		t.Errorf("Redeliver = %+v, %v", d, err)
	}
	again := r.next(t)
	if again.Delivery != m.Delivery || again.Round != 2 || len(again.Secrets) != 2 || string(again.Secrets[0]) != "the second" || string(again.Secrets[1]) != "the first secret, 24 byte" {
		t.Errorf("message %+v", again)
	}
	deliveries(t, s, w.ID, allIn(webhook.Delivered, 1))
	// A third secret ends the first, an overlap of nothing the second.
	if w, err = s.RotateWebhookSecret(ctx, w, []byte("the third"), time.Hour); err != nil {
		t.Fatal(err)
	}
	if _, err := s.Redeliver(ctx, w.ID, d.ID); err != nil {
		t.Fatal(err)
	}
	if again := r.next(t); len(again.Secrets) != 2 || string(again.Secrets[0]) != "the third" || string(again.Secrets[1]) != "the second" {
		t.Errorf("signed by %q; want the third and the second", again.Secrets)
	}
	deliveries(t, s, w.ID, allIn(webhook.Delivered, 1))
	if w, err = s.RotateWebhookSecret(ctx, w, []byte("the fourth"), 0); err != nil {
		t.Fatal(err)
	}
	if _, err := s.Redeliver(ctx, w.ID, d.ID); err != nil {
		t.Fatal(err)
	}
	if again := r.next(t); len(again.Secrets) != 1 || string(again.Secrets[0]) != "the fourth" {
		t.Errorf("signed by %q; want the fourth alone", again.Secrets)
	}
	deliveries(t, s, w.ID, allIn(webhook.Delivered, 1))
	if _, err := s.Redeliver(ctx, w.ID, uuid.Must(uuid.NewV7())); fault.KindOf(err) != fault.NotFound {
		t.Errorf("Redeliver of what is not there = %v; want NotFound", err)
	}
	if _, err := s.Redeliver(ctx, newWebhook(t, s, access.Caller{All: true}, "x.y").ID, d.ID); fault.KindOf(err) != fault.NotFound {
		t.Errorf("Redeliver of another webhook's = %v; want NotFound", err)
	}

	// Refused: tried again after a while, and given up after the tenth time.
	r.answers(func(webhook.Message) webhook.Outcome { return webhook.Outcome{Status: 500, Error: "no"} })
	createClient(t, s, "quarry")
	m = r.next(t)
	d = deliveries(t, s, w.ID, func(ds []webhook.Delivery) bool { return len(ds) == 2 && ds[1].Error != "" })[1]
	if wait := d.NextAttemptAt.Sub(*d.AttemptedAt); d.State != webhook.Pending || *d.Status != 500 || d.Error != "no" || wait < 5*time.Second || wait > 10*time.Second {
		t.Errorf("delivery %+v, waiting %s; want pending, about 5 s", d, wait)
	}
	super := pgtest.Connect(t, db.Superuser)
	if _, err := super.Exec(t.Context(), `update webhook_delivery set attempts = 9 where id = $1`, d.ID); err != nil {
		t.Fatal(err)
	}
	for passed := int64(0); passed == 0; { // let the seconds pass, once the queue waits
		tag, err := super.Exec(t.Context(), `
			update river_job set scheduled_at = now(), state = 'available'
			where kind = 'deliver' and state in ('scheduled', 'available') and scheduled_at between now() + interval '2 s' and now() + interval '6 s'`)
		if err != nil {
			t.Fatal(err)
		}
		passed = tag.RowsAffected()
	}
	if m2 := r.next(t); m2.Delivery != m.Delivery || m2.Attempt != 10 {
		t.Errorf("message %+v; want attempt 10 of %s", m2, m.Delivery)
	}
	d = deliveries(t, s, w.ID, func(ds []webhook.Delivery) bool { return ds[1].State == webhook.Failed })[1]
	if d.Attempts != 10 || d.NextAttemptAt != nil {
		t.Errorf("delivery %+v; want 10 attempts and no next", d)
	}
	// Nothing was taken since: the webhook is disabled until someone enables it.
	if w, err = s.Webhook(ctx, w.ID); err != nil || w.Enabled || !strings.HasPrefix(w.DisabledReason, "the receiver took nothing since 20") {
		t.Errorf("webhook %+v, %v; want it disabled because nothing was taken", w, err)
	}
	w.Enabled, w.DisabledReason = true, ""
	if w, err = s.UpdateWebhook(ctx, w); err != nil {
		t.Fatal(err)
	}

	// Gone: the webhook is disabled, and what waits is given up.
	r.answers(func(webhook.Message) webhook.Outcome { return webhook.Outcome{Status: 410, Error: "gone", Gone: true} })
	createClient(t, s, "harbour")
	r.next(t)
	if d := deliveries(t, s, w.ID, func(ds []webhook.Delivery) bool { return len(ds) == 3 && ds[2].State == webhook.Failed })[2]; d.Error != "gone" {
		t.Errorf("delivery %+v; want the error of its attempt", d)
	}
	if w, err = s.Webhook(ctx, w.ID); err != nil || w.Enabled || !strings.Contains(w.DisabledReason, "410") {
		t.Errorf("webhook %+v, %v; want it disabled because of 410", w, err)
	}
	if _, err := s.Redeliver(ctx, w.ID, d.ID); fault.KindOf(err) != fault.Conflict {
		t.Errorf("Redeliver of a disabled webhook = %v; want Conflict", err)
	}
	createClient(t, s, "unsent")
	seal(t, s)
	deliveries(t, s, w.ID, func(ds []webhook.Delivery) bool { return len(ds) == 3 })
	if err := s.DeleteWebhook(ctx, w); err != nil {
		t.Error(err)
	}
	deliveries(t, s, w.ID, func(ds []webhook.Delivery) bool { return len(ds) == 0 })
}

// Sealing and queueing happen together or not at all.
func TestDeliveriesComeWithTheSeal(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	s := openStore(t, db.App)
	ctx := seesAll(t)
	w := newWebhook(t, s, access.Caller{All: true})
	c := createClient(t, s, "mill")
	super := pgtest.Connect(t, db.Superuser)
	for _, step := range []string{"journal_seal", "journal_open", "webhook_delivery", "river_job"} {
		event := "insert"
		if step == "journal_open" {
			event = "delete"
		}
		exec := func(sql string) {
			t.Helper()
			if _, err := super.Exec(t.Context(), sql); err != nil {
				t.Fatal(err)
			}
		}
		exec(`create or replace function cut() returns trigger language plpgsql as 'begin raise exception ''cut short''; end'`)
		exec(`create trigger cut after ` + event + ` on ` + step + ` for each row execute function cut()`)
		if _, err := s.Seal(ctx); err == nil || !strings.Contains(err.Error(), "cut short") {
			t.Errorf("Seal cut short at %s = %v", step, err)
		}
		var left int
		if err := super.QueryRow(t.Context(), `select (select count(*) from journal_seal) + (select count(*) from webhook_delivery) + (select count(*) from river_job)`).Scan(&left); err != nil || left != 0 {
			t.Errorf("cut short at %s: %d rows stay, %v", step, left, err)
		}
		exec(`drop trigger cut on ` + step)
	}
	r := work(t, s)
	if m := r.next(t); m.Entry.RecordID != c.ID {
		t.Errorf("message %+v; want of %s", m, c.ID)
	}
	deliveries(t, s, w.ID, allIn(webhook.Delivered, 1))
}

// A job cut short after its message was taken sends nothing again: it is seen to be delivered.
func TestDeliveredIsNotSentAgain(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	s := openStore(t, db.App)
	r := work(t, s)
	w := newWebhook(t, s, access.Caller{All: true})
	createClient(t, s, "mill")
	r.next(t)
	deliveries(t, s, w.ID, allIn(webhook.Delivered, 1))
	super := pgtest.Connect(t, db.Superuser)
	var again int64
	if err := super.QueryRow(t.Context(), `
		insert into river_job (kind, args, queue, max_attempts) select kind, args, queue, max_attempts from river_job where kind = 'deliver' returning id`).Scan(&again); err != nil {
		t.Fatal(err)
	}
	for state := ""; state != "completed"; {
		if err := super.QueryRow(t.Context(), `select state::text from river_job where id = $1`, again).Scan(&state); err != nil {
			t.Fatal(err)
		}
	}
	if len(r.received) != 0 {
		t.Errorf("sent again: %+v", <-r.received)
	}
}

// A webhook ends with the key that answers for it; whoever changes it answers for it.
func TestWebhooksEndWithTheirKey(t *testing.T) {
	t.Parallel()
	s := openStore(t, pgtest.New(t).App)
	ctx := seesAll(t)
	k, err := s.CreateKey(ctx, access.Key{ID: "abcdefghijkl", SecretHash: []byte{1}, Name: "key", Role: "job_system"})
	if err != nil {
		t.Fatal(err)
	}
	ending, kept := newWebhook(t, s, access.Caller{KeyID: k.ID, All: true}), newWebhook(t, s, access.Caller{KeyID: k.ID, All: true})
	kept.Name = "taken over"
	if kept, err = s.UpdateWebhook(access.With(t.Context(), access.Caller{KeyID: "mnopqrstuvwx", All: true}), kept); err != nil || kept.Version != 2 {
		t.Fatalf("UpdateWebhook = %+v, %v", kept, err)
	}
	now := time.Now()
	k.RevokedAt = &now
	if _, err := s.UpdateKey(ctx, k, "revoked"); err != nil {
		t.Fatal(err)
	}
	createClient(t, s, "mill")
	seal(t, s)
	deliveries(t, s, ending.ID, allIn("", 0))
	deliveries(t, s, kept.ID, allIn(webhook.Pending, 1))
	if w, err := s.Webhook(ctx, ending.ID); err != nil || w.Enabled || !strings.Contains(w.DisabledReason, "revoked") {
		t.Errorf("Webhook = %+v, %v; want it disabled because its key was revoked", w, err)
	}
}

// A key sees the webhooks that tell nothing beyond its own clients, and makes none that do.
func TestWebhooksApart(t *testing.T) {
	t.Parallel()
	s := openStore(t, pgtest.New(t).App)
	mill, quarry := createClient(t, s, "mill").ID, createClient(t, s, "quarry").ID
	callers := map[string]access.Caller{
		"all": {KeyID: "1", All: true}, "mill": {KeyID: "2", Clients: []uuid.UUID{mill}},
		"quarry": {KeyID: "3", Clients: []uuid.UUID{quarry}}, "both": {KeyID: "4", Clients: []uuid.UUID{mill, quarry}},
	}
	hooks := map[string]webhook.Webhook{}
	for name, by := range callers {
		hooks[name] = newWebhook(t, s, by)
	}
	want := map[string][]string{"all": {"all", "both", "mill", "quarry"}, "mill": {"mill"}, "quarry": {"quarry"}, "both": {"both", "mill", "quarry"}, "none": nil}
	callers["none"] = access.Caller{KeyID: "5"}
	seal(t, s)
	createClient(t, s, "harbour")
	newLaboratory(t, s)
	seal(t, s)
	for name, by := range callers {
		ctx := access.With(t.Context(), by)
		ws, err := s.Webhooks(ctx, request.Page{Limit: 100})
		if err != nil {
			t.Fatal(err)
		}
		var got []string
		for of, w := range hooks {
			visible := slices.ContainsFunc(ws, func(x webhook.Webhook) bool { return x.ID == w.ID })
			_, err := s.Webhook(ctx, w.ID)
			ds, _ := s.Deliveries(ctx, w.ID, "", request.Page{Limit: 100})
			if visible != (err == nil) || visible != (len(ds) > 0) {
				t.Errorf("%s: the webhook of %s is listed %t, read %v, has %d deliveries", name, of, visible, err, len(ds))
			}
			if visible {
				got = append(got, of)
			} else {
				w.URL = "https://elsewhere.example/"
				if _, err := s.UpdateWebhook(ctx, w); err == nil {
					t.Errorf("%s changes the webhook of %s", name, of)
				}
				if err := s.DeleteWebhook(ctx, w); err == nil {
					t.Errorf("%s deletes the webhook of %s", name, of)
				}
			}
		}
		slices.Sort(got)
		if !slices.Equal(got, want[name]) {
			t.Errorf("%s sees the webhooks of %q; want %q", name, got, want[name])
		}
	}
	if _, err := s.CreateWebhook(access.With(t.Context(), callers["none"]), webhook.Webhook{Name: "x", URL: "https://x.example"}, nil); fault.KindOf(err) != fault.Conflict {
		t.Errorf("CreateWebhook of a key without clients = %v; want Conflict", err)
	}
}

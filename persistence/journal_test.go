package persistence_test

import (
	"context"
	"encoding/hex"
	"errors"
	"fmt"
	"maps"
	"math/rand/v2"
	"slices"
	"strings"
	"sync"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"

	"leveltrail/domain/access"
	"leveltrail/domain/request"
	"leveltrail/domain/survey"
	"leveltrail/persistence"
	"leveltrail/persistence/pgtest"
)

func openStore(t *testing.T, url string) *persistence.Store {
	t.Helper()
	s, err := persistence.Open(t.Context(), url)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(s.Close)
	return s
}

func seesAll(t *testing.T) context.Context {
	return access.With(t.Context(), access.Caller{Name: "test", All: true})
}

func createClient(t *testing.T, s *persistence.Store, name string) survey.Client {
	t.Helper()
	c, err := s.CreateClient(seesAll(t), survey.Client{Name: name})
	if err != nil {
		t.Fatal(err)
	}
	return c
}

func seal(t *testing.T, s *persistence.Store) {
	t.Helper()
	if _, err := s.Seal(t.Context()); err != nil {
		t.Fatal(err)
	}
}

// held is a transaction that has written and waits to be told how to end.
type held struct {
	id      uuid.UUID // of the client that it created
	end     chan bool // true: commit
	stopped chan error
}

// hold begins a transaction that creates a client, and holds it open.
func hold(ctx context.Context, s *persistence.Store, n int) (held, error) {
	h := held{end: make(chan bool), stopped: make(chan error, 1)}
	written := make(chan error, 1)
	go func() {
		r := request.Repeatable{KeyID: "test", Method: "POST", Path: "/v1/clients", IdempotencyKey: fmt.Sprint(n), RequestSHA256: []byte{1}}
		_, _, err := s.Once(ctx, r, func(ctx context.Context) (request.Answer, bool) {
			c, err := s.CreateClient(ctx, survey.Client{Name: fmt.Sprint("client ", n)})
			h.id = c.ID
			written <- err
			return request.Answer{Status: 201, Headers: map[string]string{}, Body: []byte{}}, err != nil || !<-h.end
		})
		h.stopped <- err
	}()
	err := <-written
	return h, err
}

// Transactions stay open while others commit, end in any order, and some are undone,
// while readers page through the changes: each of these sees every change that was
// committed once, in one order that is the same for all.
func TestChangesWhenTransactionsCommitOutOfOrder(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	writer, reader := openStore(t, db.App+addParameter(db.App, "pool_max_conns=12")), openStore(t, db.App)
	ctx := seesAll(t)
	seed := rand.Uint64()
	t.Logf("seed %d", seed)
	random := rand.New(rand.NewPCG(seed, 0))

	done := make(chan struct{})
	var wg sync.WaitGroup
	read := make([][]access.Entry, 3)
	failed := make([]error, len(read))
	more := func(i, limit int) (n int) {
		var after int64
		if n := len(read[i]); n > 0 {
			after = read[i][n-1].Seq
		}
		_, sealErr := reader.Seal(ctx)
		es, err := reader.Entries(ctx, after, limit, true)
		failed[i] = errors.Join(failed[i], sealErr, err)
		read[i] = append(read[i], es...)
		return len(es)
	}
	for i := range read {
		wg.Go(func() {
			random := rand.New(rand.NewPCG(seed, uint64(i)+1))
			for failed[i] == nil {
				more(i, 1+random.IntN(4))
				select {
				case <-done:
					return
				default:
				}
			}
		})
	}

	committed := map[uuid.UUID]bool{}
	var open []held
	began := 0
	end := func(i int) {
		h := open[i]
		open = slices.Delete(open, i, i+1)
		commit := random.IntN(5) > 0
		h.end <- commit
		if err := <-h.stopped; err != nil {
			t.Fatal(err)
		}
		if commit {
			committed[h.id] = true
		}
	}
	for range 150 {
		switch k := random.IntN(4); {
		case k == 0 && len(open) < 8:
			h, err := hold(ctx, writer, began)
			if err != nil {
				t.Fatal(err)
			}
			open = append(open, h)
			began++
		case k <= 1 && len(open) > 0:
			end(random.IntN(len(open)))
		default: // a short one, while the others stay open
			committed[createClient(t, writer, "short").ID] = true
		}
	}
	for len(open) > 0 {
		end(random.IntN(len(open)))
	}
	close(done)
	wg.Wait()
	if began == 0 || len(committed) < 50 {
		t.Fatalf("%d transactions were held open, %d changes made: the schedule tests little", began, len(committed))
	}
	if min(len(read[0]), len(read[1]), len(read[2])) == 0 {
		t.Error("a reader saw nothing while changes were made")
	}
	for i := range read {
		for failed[i] == nil { // what is left, now that nobody else seals
			if more(i, 4) == 0 {
				break
			}
		}
		if failed[i] != nil {
			t.Fatal(failed[i])
		}
		seen := map[uuid.UUID]bool{}
		for j, e := range read[i] {
			if e.Seq != int64(j)+1 {
				t.Fatalf("reader %d: change %d has number %d", i, j+1, e.Seq)
			}
			if seen[e.RecordID] {
				t.Errorf("reader %d sees %s twice", i, e.RecordID)
			}
			seen[e.RecordID] = true
		}
		if diff := cmp.Diff(slices.SortedFunc(maps.Keys(committed), compareID), slices.SortedFunc(maps.Keys(seen), compareID)); diff != "" {
			t.Errorf("reader %d (-committed +seen):\n%s", i, diff)
		}
		if diff := cmp.Diff(read[0], read[i]); diff != "" {
			t.Errorf("reader %d sees another order than reader 0 (-0 +%d):\n%s", i, i, diff)
		}
	}
	if v, err := reader.VerifyJournal(ctx); err != nil || v.BadSeq != 0 || v.Entries != int64(len(committed)) || v.Open != 0 {
		t.Errorf("VerifyJournal = %+v, %v; want %d entries", v, err, len(committed))
	}
}

func compareID(a, b uuid.UUID) int { return strings.Compare(a.String(), b.String()) }

// addParameter returns what adds a parameter to a connection string.
func addParameter(url, parameter string) string {
	if strings.Contains(url, "?") {
		return "&" + parameter
	}
	return "?" + parameter
}

// A change that is held open keeps back no other, and comes when it has ended.
func TestChangesWaitForNone(t *testing.T) {
	t.Parallel()
	s := openStore(t, pgtest.New(t).App)
	ctx := seesAll(t)
	before := createClient(t, s, "before")
	h, err := hold(ctx, s, 0)
	if err != nil {
		t.Fatal(err)
	}
	after := createClient(t, s, "after")
	ids := func() (ids []uuid.UUID) {
		t.Helper()
		seal(t, s)
		es, err := s.Entries(ctx, 0, 100, true)
		if err != nil {
			t.Fatal(err)
		}
		for _, e := range es {
			ids = append(ids, e.RecordID)
		}
		return ids
	}
	if diff := cmp.Diff([]uuid.UUID{before.ID, after.ID}, ids()); diff != "" {
		t.Errorf("while one is open (-want +got):\n%s", diff)
	}
	h.end <- true
	if err := <-h.stopped; err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff([]uuid.UUID{before.ID, after.ID, h.id}, ids()); diff != "" {
		t.Errorf("when all have ended (-want +got):\n%s", diff)
	}
}

// A transaction that began first changes a record that another, later one made:
// the record's versions come in their order, sealed at once or in between.
func TestChangesOfARecordComeInOrder(t *testing.T) {
	t.Parallel()
	s := openStore(t, pgtest.New(t).App)
	ctx := seesAll(t)
	wrote, changing, stopped := make(chan error, 1), make(chan survey.Client), make(chan error, 1)
	go func() {
		r := request.Repeatable{KeyID: "test", Method: "POST", Path: "/", IdempotencyKey: "1", RequestSHA256: []byte{1}}
		_, _, err := s.Once(ctx, r, func(ctx context.Context) (request.Answer, bool) {
			_, err := s.CreateClient(ctx, survey.Client{Name: "first"})
			wrote <- err
			c := <-changing
			c.Name = "changed"
			_, err = s.UpdateClient(ctx, c)
			return request.Answer{Status: 201, Headers: map[string]string{}, Body: []byte{}}, err != nil
		})
		stopped <- err
	}()
	if err := <-wrote; err != nil {
		t.Fatal(err)
	}
	c := createClient(t, s, "second")
	changing <- c
	if err := <-stopped; err != nil {
		t.Fatal(err)
	}
	seal(t, s)
	es, err := s.Entries(ctx, 0, 100, true)
	if err != nil {
		t.Fatal(err)
	}
	var versions []int
	for _, e := range es {
		if e.RecordID == c.ID {
			versions = append(versions, e.Version)
		}
	}
	if len(es) != 3 || !slices.Equal(versions, []int{1, 2}) {
		t.Errorf("versions %v among %d changes; want 1, 2 among 3", versions, len(es))
	}
}

// Whoever may write to the tables themselves, past all rights, cannot change what
// was sealed without its being found. Undoing each change makes all good again.
func TestTamperingIsFound(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	s := openStore(t, db.App)
	var clients []survey.Client
	for _, name := range []string{"a", "b", "c"} {
		clients = append(clients, createClient(t, s, name)) // entries 1 to 3
	}
	c := clients[1]
	c.Name = "b, changed"
	if _, err := s.UpdateClient(seesAll(t), c); err != nil { // entry 4: client b, version 2
		t.Fatal(err)
	}
	if _, err := s.CreateProject(seesAll(t), survey.Project{ClientID: c.ID, Reference: "J-1", Title: "Mill", TimeZone: "UTC"}); err != nil { // entry 5
		t.Fatal(err)
	}
	seal(t, s)
	good, err := s.VerifyJournal(t.Context())
	if err != nil || good.BadSeq != 0 || good.Entries != 5 || len(good.Head) != 32 {
		t.Fatalf("VerifyJournal = %+v, %v; want 5 good entries", good, err)
	}

	super := superuser(t, db)
	const entry = `(select entry_id from journal_seal where seq = %d)`
	of := func(seq int) string { return fmt.Sprintf(entry, seq) }
	first := `(select id from client where name = 'a')`
	tests := []struct {
		name, sql string
		bad       int64
	}{
		{"actor", `update journal set actor = 'x' where id = ` + of(2), 2},
		{"time", `update journal set at = at + interval '1 microsecond' where id = ` + of(3), 3},
		{"type", `update journal set type = 'client.made' where id = ` + of(1), 1},
		{"key", `update journal set key_id = 'x' where id = ` + of(1), 1},
		{"request", `update journal set request_id = 'x' where id = ` + of(1), 1},
		{"reason", `update journal set reason = 'x' where id = ` + of(5), 5},
		{"client", `update journal set client_id = null where id = ` + of(4), 4},
		{"record", `update journal set record_id = ` + first + ` where id = ` + of(2), 2},
		{"version number", `update journal set version = 1 where id = ` + of(4), 4},
		{"detail", `update journal set detail = '{}' where id = ` + of(4), 4},
		{"an old version", `update client_version set name = 'x' where name = 'b'`, 2},
		{"the newest version", `update client_version set name = 'x' where name = 'b, changed'`, 4},
		{"time of a version", `update project_version set recorded_at = recorded_at + interval '1 microsecond'`, 5},
		{"the record alone", `update client set name = 'x' where name = 'b, changed'`, 4},
		{"the record and its newest version", `update client set name = 'x' where name = 'c'; update client_version set name = 'x' where name = 'c'`, 3},
		{"a record deleted", `delete from project`, 5},
		{"a record added", `insert into client (id, version, created_at, recorded_at, name) values (gen_random_uuid(), 1, now(), now(), 'x')`, 6},
		{"a version deleted", `delete from client_version where name = 'b'`, 2},
		{"a version added", `insert into client_version (id, version, created_at, recorded_at, name) values (gen_random_uuid(), 1, now(), now(), 'x')`, 6},
		{"an entry deleted", `delete from journal where id = ` + of(3), 3},
		{"the first entry deleted", `delete from journal where id = ` + of(1), 1},
		{"the last entry deleted", `delete from journal where id = ` + of(5), 5},
		{"a seal deleted", `delete from journal_seal where seq = 2`, 2},
		{"the last seal deleted", `delete from journal_seal where seq = 5`, 5},
		{"an entry and its seal deleted", `delete from journal where id = ` + of(2) + `; delete from journal_seal where seq = 2`, 2},
		{"a seal altered", `update journal_seal set sha256 = '\x00' where seq = 3`, 3},
		{"entries swapped", `update journal_seal a set entry_id = b.entry_id from journal_seal b where a.seq in (2, 3) and b.seq = 5 - a.seq`, 2},
		{"versions swapped", `update client_version a set name = b.name from client_version b where a.name in ('a', 'c') and b.name in ('a', 'c') and a.name <> b.name`, 1},
		{"seals renumbered", `update journal_seal set seq = seq + 10 where seq >= 4`, 4},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) { // in turn: each undoes what it did
			undo := tamper(t, super, tt.sql)
			v, err := s.VerifyJournal(t.Context())
			if err != nil || v.BadSeq != tt.bad || v.Why == "" {
				t.Errorf("VerifyJournal = bad entry %d, %q, %v; want bad entry %d", v.BadSeq, v.Why, err, tt.bad)
			}
			undo()
			if v, err := s.VerifyJournal(t.Context()); err != nil || v.BadSeq != 0 || hex.EncodeToString(v.Head) != hex.EncodeToString(good.Head) {
				t.Fatalf("VerifyJournal = %+v, %v after undoing", v, err)
			}
		})
	}
}

// superuser returns connections that neither rights nor foreign keys nor unique indexes checked late hold back.
func superuser(t *testing.T, db pgtest.Database) *pgxpool.Pool {
	t.Helper()
	return pgtest.Connect(t, db.Superuser+addParameter(db.Superuser, "session_replication_role=replica"))
}

// tamper runs sql and returns what puts all tables back that the tests write to.
func tamper(t *testing.T, super *pgxpool.Pool, sql string) (undo func()) {
	t.Helper()
	tables := []string{"client", "client_version", "project", "project_version", "journal", "journal_seal", "journal_open"}
	exec := func(sql string) {
		t.Helper()
		if _, err := super.Exec(t.Context(), sql, pgx.QueryExecModeSimpleProtocol); err != nil {
			t.Fatalf("%s: %v", sql, err)
		}
	}
	for _, table := range tables {
		exec("drop table if exists kept_" + table + "; create table kept_" + table + " as table " + table)
	}
	if strings.Contains(sql, "entry_id = b.entry_id") {
		exec("alter table journal_seal drop constraint journal_seal_entry_id_key")
	}
	exec(sql)
	return func() {
		for _, table := range tables {
			exec("truncate " + table + " cascade")
		}
		for _, table := range tables {
			overriding := ""
			if table == "journal" {
				overriding = "overriding system value"
			}
			exec("insert into " + table + " " + overriding + " table kept_" + table)
		}
	}
}

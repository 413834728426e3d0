package fhir

import (
	"context"
	"database/sql"
	"flag"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/stdlib"
	"github.com/labstack/echo/v4"

	"candidacy/internal/journey"
	"candidacy/internal/record"
)

// benchCandidates is how many candidates the benchmarks have. The binary that
// `go test -c ./fhir` makes takes the flag and needs no source tree.
var benchCandidates = flag.Int("candidates", 10_000, "candidates in the store of the benchmarks")

// crowded are the stores of the benchmarks, built once and removed by TestMain.
var crowded = map[string]*crowdedStore{"sqlite": {}, "postgres": {}}

type crowdedStore struct {
	once     sync.Once
	location string
	store    *record.Store
	remove   func() error
}

func TestMain(m *testing.M) {
	code := m.Run()
	for _, c := range crowded {
		if c.store != nil {
			if err := c.store.Close(); err != nil {
				code = 1
			}
		}
		if c.remove != nil {
			if err := c.remove(); err != nil {
				fmt.Fprintln(os.Stderr, err)
				code = 1
			}
		}
	}
	os.Exit(code)
}

func benchID(i int) string {
	return fmt.Sprintf("%08x-6f3e-4a56-9a51-3f6f3c1d7a01", i*2654435761%(1<<32))
}

// leftOut is the work on requirements, which none of the benchmarks asks for by
// itself: with it, the largest store would not fit on the disks of small machines.
var leftOut = []string{typeServiceRequest, typeTask, typeProvenance}

// templates are what is published of some candidates who differ in dates, names
// and values. The others are copies of theirs under other ids.
func templates(b *testing.B) [][]record.Resource {
	var all [][]record.Resource
	for i := range 60 {
		s := testSnapshot(benchID(i))
		s.Results = s.Results[:6]
		for j := range s.Results {
			r := &s.Results[j]
			r.ID = fmt.Sprintf("%08x-0000-4000-8000-%012d", i, j)
			r.Identifier.Value = r.ID
			day := journey.Date("2025-01-01").AddDays(i*7 + j)
			r.Effective, r.EffectiveEnd, r.Issued, r.CollectedOn = string(day)+"T08:30:00Z", "", string(day)+"T15:00:00Z", string(day)
		}
		s.Report.Flags, s.Report.Derived = nil, nil
		s.Referral.Identity.Identifier.Value = s.Candidate
		s.Referral.Identity.Family = fmt.Sprintf("Family%02d", i)
		all = append(all, slices.DeleteFunc(mustPublish(b, s), func(r record.Resource) bool { return slices.Contains(leftOut, r.Type) }))
	}
	return all
}

// renamed is a copy of a template for another candidate.
func renamed(list []record.Resource, from, to int) []record.Resource {
	ids := strings.NewReplacer(benchID(from), benchID(to), fmt.Sprintf("%08x-0000-4000-8000-", from), fmt.Sprintf("%08x-0000-4000-8000-", to))
	copies := make([]record.Resource, len(list))
	for i, r := range list {
		r.ID, r.Body = ids.Replace(r.ID), []byte(ids.Replace(string(r.Body)))
		rows := make([]record.Index, len(r.Index))
		for j, x := range r.Index {
			x.Value = ids.Replace(x.Value)
			rows[j] = x
		}
		r.Index = rows
		copies[i] = r
	}
	return copies
}

// crowd returns a store with everybody in it. The rows are those that publishing
// makes, written at once: a command for each would take hours.
func crowd(b *testing.B, database string) *record.Store {
	c := crowded[database]
	c.once.Do(func() {
		location := ""
		switch database {
		case "sqlite":
			dir, err := os.MkdirTemp("", "candidacy-fhir")
			if err != nil {
				b.Fatal(err)
			}
			c.remove = func() error { return os.RemoveAll(dir) }
			location = filepath.Join(dir, "records.db")
		case "postgres":
			if location = os.Getenv("CANDIDACY_TEST_POSTGRES"); location == "" {
				return
			}
			location, c.remove = ownDatabase(b, location)
		}
		open := func() *record.Store {
			store, err := record.Open(b.Context(), location, func() time.Time { return testNow })
			if err != nil {
				b.Fatal(err)
			}
			return store
		}
		if err := open().Close(); err != nil { // which makes the tables
			b.Fatal(err)
		}
		fill(b, database, location)
		c.store, c.location = open(), location
	})
	if c.store == nil {
		b.Skip("there is no such database: set CANDIDACY_TEST_POSTGRES")
	}
	return c.store
}

// ownDatabase makes a database that is dropped again.
func ownDatabase(b *testing.B, location string) (string, func() error) {
	name := fmt.Sprintf("fhir_bench_%d", os.Getpid())
	run := func(text string) error {
		db, err := sql.Open("pgx", location)
		if err != nil {
			return err
		}
		defer db.Close()
		_, err = db.ExecContext(context.Background(), text)
		return err
	}
	if err := run("CREATE DATABASE " + name); err != nil {
		b.Fatal(err)
	}
	u, err := url.Parse(location)
	if err != nil {
		b.Fatal(err)
	}
	u.Path = "/" + name
	return u.String(), func() error { return run("DROP DATABASE " + name + " WITH (FORCE)") }
}

// benchTables are the columns in which a resource is kept.
var benchTables = map[string][]string{
	"resource":         {"type", "id", "version", "candidate_id", "updated_at", "digest", "body"},
	"resource_version": {"type", "id", "version", "updated_at", "body"},
	"resource_index":   {"type", "param", "value", "id", "system", "upto"},
}

// benchRows are the rows of some resources, as record.Store.Append writes them.
func benchRows(candidate int, list []record.Resource) map[string][][]any {
	rows := map[string][][]any{}
	// One candidate after another was published, some seconds apart.
	at := testNow.AddDate(-1, 0, 0).Add(time.Duration(candidate) * 7 * time.Second).UTC()
	stamp := at.Format(indexLayout)
	for _, r := range list {
		meta := `"versionId":"1","lastUpdated":"` + at.Format(instantLayout) + `"`
		if r.Meta != "" {
			meta += "," + r.Meta
		}
		body := `{"meta":{` + meta + `},` + string(r.Body[1:])
		rows["resource"] = append(rows["resource"], []any{r.Type, r.ID, 1, benchID(candidate), stamp, "", body})
		rows["resource_version"] = append(rows["resource_version"], []any{r.Type, r.ID, 1, stamp, body})
		seen := map[record.Index]bool{}
		for _, x := range r.Index {
			if !seen[x] {
				seen[x] = true
				rows["resource_index"] = append(rows["resource_index"], []any{r.Type, x.Param, x.Value, r.ID, x.System, x.End})
			}
		}
	}
	return rows
}

func fill(b *testing.B, database, location string) {
	start := time.Now()
	all := templates(b)
	const block = 500
	var put filler = &sqliteFiller{}
	if database == "postgres" {
		put = &postgresFiller{}
	}
	put.open(b, location)
	for start := 0; start < *benchCandidates; start += block {
		rows := map[string][][]any{}
		for i := start; i < min(start+block, *benchCandidates); i++ {
			for table, more := range benchRows(i, renamed(all[i%len(all)], i%len(all), i)) {
				rows[table] = append(rows[table], more...)
			}
		}
		put.add(b, rows)
	}
	size := put.close(b)
	fmt.Fprintf(os.Stderr, "%s: %d candidates in %d MB, filled in %s\n", database, *benchCandidates, size>>20, time.Since(start).Round(time.Second))
}

// filler writes the rows of many candidates. The indexes are made in the end, each
// in its own order: row by row they would take hours.
type filler interface {
	open(b *testing.B, location string)
	add(b *testing.B, rows map[string][][]any)
	// close returns the size of the database.
	close(b *testing.B) int64
}

// must carries out a statement.
func must(b *testing.B, db *sql.DB, text string, args ...any) {
	b.Helper()
	if _, err := db.ExecContext(b.Context(), text, args...); err != nil {
		b.Fatalf("%s: %v", text, err)
	}
}

// counted asks for one number.
func counted(b *testing.B, db *sql.DB, text string) (n int64) {
	b.Helper()
	if err := db.QueryRowContext(b.Context(), text).Scan(&n); err != nil {
		b.Fatal(err)
	}
	return n
}

// texts asks for rows of two texts.
func texts(b *testing.B, db *sql.DB, text string, args ...any) (list [][2]string) {
	b.Helper()
	rows, err := db.QueryContext(b.Context(), text, args...)
	if err != nil {
		b.Fatal(err)
	}
	defer rows.Close()
	for rows.Next() {
		var each [2]string
		if err := rows.Scan(&each[0], &each[1]); err != nil {
			b.Fatal(err)
		}
		list = append(list, each)
	}
	if err := rows.Err(); err != nil {
		b.Fatal(err)
	}
	return list
}

type sqliteFiller struct {
	db *sql.DB
	// again makes what was dropped.
	again []string
}

func (f *sqliteFiller) open(b *testing.B, location string) {
	var err error
	if f.db, err = sql.Open("sqlite", "file:"+location+"?_pragma=journal_mode(off)&_pragma=synchronous(off)&_pragma=cache_size(-524288)&_pragma=temp_store(1)"); err != nil {
		b.Fatal(err)
	}
	f.db.SetMaxOpenConns(1)
	for table := range benchTables {
		for _, index := range texts(b, f.db, "SELECT name, sql FROM sqlite_schema WHERE type = 'index' AND tbl_name = $1 AND sql IS NOT NULL", table) {
			must(b, f.db, "DROP INDEX "+index[0])
			f.again = append(f.again, index[1])
		}
	}
	// The rows of this table stand in the order of their key.
	must(b, f.db, "CREATE TEMP TABLE unordered AS SELECT "+strings.Join(benchTables["resource_index"], ", ")+" FROM resource_index WHERE 1 = 0")
}

func (f *sqliteFiller) add(b *testing.B, rows map[string][][]any) {
	tx, err := f.db.BeginTx(b.Context(), nil)
	if err != nil {
		b.Fatal(err)
	}
	for table, columns := range benchTables {
		if table == "resource_index" {
			table = "unordered"
		}
		marks := strings.TrimSuffix(strings.Repeat("?, ", len(columns)), ", ")
		statement, err := tx.PrepareContext(b.Context(), "INSERT INTO "+table+" ("+strings.Join(columns, ", ")+") VALUES ("+marks+")")
		if err != nil {
			b.Fatal(err)
		}
		if table == "unordered" {
			table = "resource_index"
		}
		for _, row := range rows[table] {
			// A context that can be cancelled costs a goroutine each time.
			if _, err := statement.ExecContext(context.Background(), row...); err != nil {
				b.Fatal(err)
			}
		}
		if err := statement.Close(); err != nil { //nolint:sqlclosecheck // one table after the other
			b.Fatal(err)
		}
	}
	if err := tx.Commit(); err != nil {
		b.Fatal(err)
	}
}

func (f *sqliteFiller) close(b *testing.B) int64 {
	columns := strings.Join(benchTables["resource_index"], ", ")
	must(b, f.db, "INSERT INTO resource_index ("+columns+") SELECT "+columns+" FROM unordered ORDER BY type, param, value, id, system, upto")
	must(b, f.db, "DROP TABLE unordered")
	for _, text := range f.again {
		must(b, f.db, text)
	}
	size := counted(b, f.db, "SELECT page_count * page_size FROM pragma_page_count, pragma_page_size")
	if err := f.db.Close(); err != nil {
		b.Fatal(err)
	}
	return size
}

type postgresFiller struct {
	db    *sql.DB
	again []string
}

func (f *postgresFiller) open(b *testing.B, location string) {
	var err error
	if f.db, err = sql.Open("pgx", location); err != nil {
		b.Fatal(err)
	}
	f.db.SetMaxOpenConns(1)
	for table := range benchTables {
		for _, key := range texts(b, f.db, "SELECT conname, pg_get_constraintdef(oid) FROM pg_constraint WHERE contype = 'p' AND conrelid = $1::regclass", table) {
			must(b, f.db, "ALTER TABLE "+table+" DROP CONSTRAINT "+key[0])
			f.again = append(f.again, "ALTER TABLE "+table+" ADD CONSTRAINT "+key[0]+" "+key[1])
		}
		for _, index := range texts(b, f.db, "SELECT indexname, indexdef FROM pg_indexes WHERE schemaname = current_schema() AND tablename = $1", table) {
			must(b, f.db, "DROP INDEX "+index[0])
			f.again = append(f.again, index[1])
		}
	}
}

func (f *postgresFiller) add(b *testing.B, rows map[string][][]any) {
	conn, err := f.db.Conn(b.Context())
	if err != nil {
		b.Fatal(err)
	}
	defer conn.Close()
	if err := conn.Raw(func(driver any) error {
		for table, columns := range benchTables {
			if _, err := driver.(*stdlib.Conn).Conn().CopyFrom(b.Context(), pgx.Identifier{table}, columns, pgx.CopyFromRows(rows[table])); err != nil {
				return err
			}
		}
		return nil
	}); err != nil {
		b.Fatal(err)
	}
}

func (f *postgresFiller) close(b *testing.B) int64 {
	must(b, f.db, "SET maintenance_work_mem = '512MB'")
	for _, text := range f.again {
		must(b, f.db, text)
	}
	must(b, f.db, "VACUUM ANALYZE")
	size := counted(b, f.db, "SELECT pg_database_size(current_database())")
	if err := f.db.Close(); err != nil {
		b.Fatal(err)
	}
	return size
}

// fetch reads one answer to its end.
func fetch(b *testing.B, client *http.Client, url string) []byte {
	res, err := client.Get(url)
	if err != nil {
		b.Fatal(err)
	}
	body, err := io.ReadAll(res.Body)
	if err != nil || res.StatusCode != http.StatusOK {
		b.Fatalf("%s: %d %v %.300s", url, res.StatusCode, err, body)
	}
	if err := res.Body.Close(); err != nil {
		b.Fatal(err)
	}
	return body
}

// compare measures requests over HTTP on loopback, and the same number of
// requests to a handler that has the same bytes in memory. Both are asked in
// turn, so that whatever else the machine does touches both alike.
func compare(b *testing.B, path func(i int) string) {
	for _, database := range []string{"sqlite", "postgres"} {
		b.Run(database, func(b *testing.B) { compareOn(b, crowd(b, database), path) })
	}
}

func compareOn(b *testing.B, store *record.Store, path func(i int) string) {
	e := echo.New()
	Register(e.Group("/fhir"), store, Options{BaseURL: func(*http.Request) string { return testBase }, Now: func() time.Time { return testNow }})
	served := httptest.NewServer(e)
	defer served.Close()
	client := served.Client()
	client.Transport.(*http.Transport).DisableCompression = true
	body := fetch(b, client, served.URL+path(1))
	memory := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
		w.Header().Set("Content-Type", contentType)
		if _, err := w.Write(body); err != nil {
			b.Error(err)
		}
	}))
	defer memory.Close()

	var ours, theirs time.Duration
	i, size := 0, 0
	for b.Loop() {
		i++
		target := path(i)
		start := time.Now()
		size += len(fetch(b, client, served.URL+target))
		middle := time.Now()
		fetch(b, client, memory.URL+target)
		ours += middle.Sub(start)
		theirs += time.Since(middle)
	}
	b.ReportMetric(float64(ours.Nanoseconds())/float64(i), "served-ns/op")
	b.ReportMetric(float64(theirs.Nanoseconds())/float64(i), "memory-ns/op")
	b.ReportMetric(float64(theirs)/float64(ours), "ratio")
	b.ReportMetric(float64(size)/float64(i), "bytes")
}

// someone is another candidate each time.
func someone(i int) string { return benchID(i * 7919 % *benchCandidates) }

func BenchmarkRead(b *testing.B) {
	compare(b, func(i int) string { return "/fhir/Patient/" + someone(i) })
}

func BenchmarkSearchByPatient(b *testing.B) {
	compare(b, func(i int) string { return "/fhir/Observation?patient=" + someone(i) + "&category=laboratory" })
}

func BenchmarkSearchByIdentifier(b *testing.B) {
	compare(b, func(i int) string { return "/fhir/Patient?identifier=" + someone(i) })
}

// A code that every candidate has, and a week in which a sixtieth of them do.
func BenchmarkSearchByCodeAndDate(b *testing.B) {
	compare(b, func(i int) string {
		day := journey.Date("2025-01-01").AddDays(i % 60 * 7)
		return fmt.Sprintf("/fhir/Observation?code=http://loinc.org%%7C2160-0&date=ge%s&date=lt%s&_count=20", day, day.AddDays(7))
	})
}

func BenchmarkSearchSorted(b *testing.B) {
	compare(b, func(i int) string { return "/fhir/Observation?patient=" + someone(i) + "&_sort=-date" })
}

func BenchmarkSearchNewest(b *testing.B) {
	compare(b, func(int) string { return "/fhir/Observation?_sort=-_lastUpdated&_count=20&_total=none" })
}

func BenchmarkInclude(b *testing.B) {
	compare(b, func(i int) string {
		return "/fhir/Observation?patient=" + someone(i) + "&category=laboratory&_include=Observation:patient"
	})
}

func BenchmarkChain(b *testing.B) {
	compare(b, func(i int) string {
		return "/fhir/Observation?patient.identifier=" + someone(i) + "&category=laboratory"
	})
}

func BenchmarkEverything(b *testing.B) {
	compare(b, func(i int) string { return "/fhir/Patient/" + someone(i) + "/$everything" })
}

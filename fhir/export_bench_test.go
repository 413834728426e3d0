package fhir

import (
	"bufio"
	"context"
	"database/sql"
	"io"
	"log/slog"
	"os"
	"path/filepath"
	"runtime"
	"testing"
	"time"

	"candidacy/internal/bulk"
	"candidacy/internal/record"
)

// weighed is a vault that looks at the heap as chunks come by.
type weighed struct {
	bulk.Vault
	most   *uint64
	chunks *int
}

type weighedPart struct {
	bulk.Part
	weighed
}

func (w weighed) Create(ctx context.Context, claim string, file int) (bulk.Part, error) {
	p, err := w.Vault.Create(ctx, claim, file)
	return weighedPart{p, w}, err
}

func (p weighedPart) Append(ctx context.Context, position int, chunk []byte) error {
	if *p.chunks++; *p.chunks%16 == 1 {
		var m runtime.MemStats
		runtime.ReadMemStats(&m)
		*p.most = max(*p.most, m.HeapInuse)
	}
	return p.Part.Append(ctx, position, chunk)
}

// dump copies every body to a file, line by line: what an export is held against.
func dump(b *testing.B, database, path string) (size int64) {
	driver, dsn := "pgx", crowded[database].location
	if database == "sqlite" {
		driver, dsn = "sqlite", "file:"+dsn+"?_pragma=query_only(1)&_pragma=cache_size(-16384)&_pragma=mmap_size(268435456)"
	}
	db, err := sql.Open(driver, dsn)
	if err != nil {
		b.Fatal(err)
	}
	file, err := os.Create(path)
	if err != nil {
		b.Fatal(err)
	}
	to := bufio.NewWriterSize(file, 1<<20)
	rows, err := db.QueryContext(b.Context(), "SELECT body FROM resource")
	if err != nil {
		b.Fatal(err)
	}
	var body sql.RawBytes
	for rows.Next() {
		if err := rows.Scan(&body); err != nil {
			b.Fatal(err)
		}
		_, _ = to.Write(body)
		if err := to.WriteByte('\n'); err != nil {
			b.Fatal(err)
		}
		size += int64(len(body)) + 1
	}
	for _, err := range []error{rows.Err(), rows.Close(), //nolint:sqlclosecheck // the closing is part of what is measured
		to.Flush(), file.Sync(), file.Close(), db.Close(), os.Remove(path)} {
		if err != nil {
			b.Fatal(err)
		}
	}
	return size
}

// BenchmarkExport measures whole exports, from the request to the last file, in
// turn with a plain dump of the same rows to a file. It also tells the most heap
// that was in use meanwhile, and how fast the files are fetched.
func BenchmarkExport(b *testing.B) {
	for _, database := range []string{"sqlite", "postgres"} {
		b.Run(database, func(b *testing.B) { exportOn(b, database) })
	}
}

func exportOn(b *testing.B, database string) {
	store, dir := crowd(b, database), b.TempDir()
	var vault bulk.Vault = bulk.Folder(filepath.Join(dir, "exports"))
	if store.Shared() {
		vault = bulk.Database{Store: store}
	}
	var most uint64
	var chunks int
	runner := &bulk.Runner{
		Store: store, Vault: weighed{vault, &most, &chunks}, Plan: PlanExport, Policy: bulk.DefaultPolicy, Now: time.Now, Log: slog.New(slog.DiscardHandler),
	}
	spec := exportSpec{Level: exportSystem}
	for _, typ := range exportable(exportSystem) {
		spec.Types = append(spec.Types, exportType{Type: typ})
	}
	dump(b, database, filepath.Join(dir, "dump")) // what the database keeps in memory is there for both
	var ours, theirs, fetched time.Duration
	var size, packed, resources int64
	b.ResetTimer()
	for range b.N {
		start := time.Now()
		size = dump(b, database, filepath.Join(dir, "dump"))
		theirs += time.Since(start)

		raw, err := encode(spec)
		if err != nil {
			b.Fatal(err)
		}
		runtime.GC()
		start = time.Now()
		id, err := runner.Start(b.Context(), record.Export{Spec: raw})
		if err != nil {
			b.Fatal(err)
		}
		if did, err := runner.Once(b.Context()); !did || err != nil {
			b.Fatal(did, err)
		}
		ours += time.Since(start)

		e, err := store.Export(b.Context(), id)
		if err != nil || e.State != record.ExportComplete {
			b.Fatal(e.State, err)
		}
		files, err := store.ExportFiles(b.Context(), id)
		if err != nil {
			b.Fatal(err)
		}
		resources, packed = 0, 0
		var whole int64
		start = time.Now()
		for _, f := range files {
			resources += f.Resources
			content := bulk.Open(b.Context(), vault, e.Claim, f, false)
			n, err := io.Copy(io.Discard, content)
			if err != nil {
				b.Fatal(err)
			}
			whole += n
			packed += bulk.Open(b.Context(), vault, e.Claim, f, true).Size()
		}
		fetched += time.Since(start)
		if whole != size {
			b.Fatalf("%d bytes exported, %d dumped", whole, size)
		}
		if err := runner.Cancel(b.Context(), e); err != nil {
			b.Fatal(err)
		}
	}
	n := float64(b.N)
	megabytes := float64(size) / 1e6
	b.ReportMetric(0, "ns/op")
	b.ReportMetric(megabytes, "MB")
	b.ReportMetric(float64(resources), "resources")
	b.ReportMetric(megabytes*n/ours.Seconds(), "MB/s")
	b.ReportMetric(megabytes*n/theirs.Seconds(), "dump-MB/s")
	b.ReportMetric(theirs.Seconds()/ours.Seconds(), "ratio")
	b.ReportMetric(megabytes*n/fetched.Seconds(), "unpack-MB/s")
	b.ReportMetric(float64(size)/float64(packed), "packed")
	b.ReportMetric(float64(most)/(1<<20), "MiB-heap")
}

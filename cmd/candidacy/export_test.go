package main

import (
	"bufio"
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"math/rand/v2"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"candidacy/internal/journey"
	"candidacy/internal/record"
)

// heap publishes many invented Observations, of no candidate, so that an export
// takes its time.
func heap(t testing.TB, data string, n int) {
	t.Helper()
	store, err := record.Open(t.Context(), filepath.Join(data, "records.db"), time.Now)
	if err != nil {
		t.Fatal(err)
	}
	list := make([]record.Resource, n)
	for i := range list {
		id := fmt.Sprintf("heap-%06d", i)
		list[i] = record.Resource{Type: "Observation", ID: id, Body: []byte(fmt.Sprintf(
			`{"resourceType":"Observation","id":%q,"status":"final","code":{"text":"synthetic %x"},"note":[{"text":%q}]}`,
			id, rand.Uint64(), strings.Repeat("synthetic ", 200)))}
	}
	if err := store.PublishProgramme(t.Context(), list); err != nil {
		t.Fatal(err)
	}
	if err := store.Close(); err != nil {
		t.Fatal(err)
	}
}

// request sends a request with headers, which are name, value, name, value.
func request(t testing.TB, method, url, token string, headers ...string) (answer, error) {
	t.Helper()
	r, err := http.NewRequestWithContext(t.Context(), method, url, nil)
	if err != nil {
		t.Fatal(err)
	}
	r.Header.Set("Authorization", "Bearer "+token)
	for i := 0; i < len(headers); i += 2 {
		r.Header.Set(headers[i], headers[i+1])
	}
	response, err := http.DefaultClient.Do(r)
	if err != nil {
		return answer{}, err
	}
	defer response.Body.Close()
	raw, err := io.ReadAll(response.Body)
	return answer{response.StatusCode, response.Header, raw}, err
}

// here is an address of an earlier process, on the present one.
func (s *server) here(address string) string {
	_, path, _ := strings.Cut(address, "/fhir/")
	return s.url + "/fhir/" + path
}

type exportManifest struct {
	TransactionTime time.Time
	Output          []exportOutput
}

type exportOutput struct {
	Type, URL string
	Count     int
}

// await asks until the export is complete.
func await(t testing.TB, srv *server, at, token string) exportManifest {
	t.Helper()
	for {
		a, err := request(t, "GET", srv.here(at), token)
		switch {
		case err != nil:
			t.Fatal(err)
		case a.status == 200:
			var m exportManifest
			a.decode(t, &m)
			return m
		case a.status != 202 && a.status != 429:
			t.Fatalf("%d %s", a.status, a.body)
		}
	}
}

// TestExportsSurviveKills kills the program with SIGKILL at random moments after an
// export was accepted, and while a file is fetched.
func TestExportsSurviveKills(t *testing.T) {
	seed := uint64(time.Now().UnixNano())
	if text := os.Getenv("CANDIDACY_SEED"); text != "" {
		seed, _ = strconv.ParseUint(text, 10, 64)
	}
	t.Logf("seed %d (repeat with CANDIDACY_SEED)", seed)
	chance := rand.New(rand.NewPCG(seed, 2))
	data := t.TempDir()
	s := hire(t, data)
	token := s.tokens[journey.EHR]
	const resources = 20_000
	heap(t, data, resources)

	srv := start(t, "serve", data)
	a, err := request(t, "GET", srv.url+"/fhir/$export", token, "Prefer", "respond-async")
	if err != nil || a.status != 202 {
		t.Fatalf("%v %d %s", err, a.status, a.body)
	}
	at := a.header.Get("Content-Location")
	progress := []string{}
	for range 4 { // fewer than the attempts that an export has
		for range chance.IntN(12) {
			if a, err := request(t, "GET", srv.here(at), token); err == nil {
				progress = append(progress, strconv.Itoa(a.status)+" "+a.header.Get("X-Progress"))
			}
		}
		srv.kill()
		srv = start(t, "serve", data)
	}
	t.Logf("seen before the kills: %q", slices.Compact(progress))
	m := await(t, srv, at, token)
	ids, all := map[string]bool{}, 0
	for _, out := range m.Output {
		all += out.Count
		a, err := request(t, "GET", srv.here(out.URL), token, "Accept-Encoding", "identity")
		if err != nil || a.status != 200 {
			t.Fatalf("%v %d %s", err, a.status, a.body)
		}
		lines := bufio.NewScanner(bytes.NewReader(a.body))
		n := 0
		for lines.Scan() {
			var r struct{ ResourceType, ID string }
			if err := json.Unmarshal(lines.Bytes(), &r); err != nil || r.ResourceType != out.Type {
				t.Fatalf("%v %s", err, lines.Text())
			}
			if strings.HasPrefix(r.ID, "heap-") { // the rest is the programme's own
				ids[r.ID] = true
			}
			n++
		}
		if err := lines.Err(); err != nil || n != out.Count {
			t.Errorf("%s: %d lines, not %d: %v", out.URL, n, out.Count, err)
		}
	}
	if len(ids) != resources {
		t.Errorf("%d resources, want %d", len(ids), resources)
	}

	// A file is fetched in pieces, each from a process that is killed after it.
	url := m.Output[slices.IndexFunc(m.Output, func(o exportOutput) bool { return o.Type == "Observation" })].URL
	whole, err := request(t, "GET", srv.here(url), token, "Accept-Encoding", "identity")
	if err != nil {
		t.Fatal(err)
	}
	var got []byte
	for len(got) < len(whole.body) {
		r, err := http.NewRequestWithContext(t.Context(), "GET", srv.here(url), nil)
		if err != nil {
			t.Fatal(err)
		}
		r.Header.Set("Authorization", "Bearer "+token)
		r.Header.Set("Range", fmt.Sprintf("bytes=%d-", len(got)))
		r.Header.Set("If-Range", whole.header.Get("ETag"))
		response, err := http.DefaultClient.Do(r)
		if err != nil || response.StatusCode != http.StatusPartialContent {
			t.Fatalf("%v %v", err, response)
		}
		piece, _ := io.ReadAll(io.LimitReader(response.Body, int64(len(whole.body)/4+chance.IntN(1000))))
		srv.kill()
		// What else had arrived before the process died counts too.
		rest, _ := io.ReadAll(io.LimitReader(response.Body, int64(chance.IntN(100_000))))
		got = append(append(got, piece...), rest...)
		_ = response.Body.Close() // broken off
		srv = start(t, "serve", data)
	}
	if !bytes.Equal(got, whole.body) {
		t.Error("the pieces are not the whole")
	}

	// What nobody needs any more is gone, and what is there is for us only.
	folders, err := os.ReadDir(exportsFolder(data))
	if err != nil || len(folders) != 1 {
		t.Errorf("folders of exports: %v %v", folders, err)
	}
	if err := filepath.WalkDir(exportsFolder(data), func(path string, d os.DirEntry, err error) error {
		if err != nil {
			return err
		}
		info, err := d.Info()
		if err == nil && info.Mode().Perm()&0o077 != 0 {
			t.Errorf("%s: %s", path, info.Mode())
		}
		return err
	}); err != nil {
		t.Error(err)
	}
	if list := mustRun(t, "export", "list", "--data", data); !strings.Contains(list, fmt.Sprintf("\tcomplete\t%d\t", all)) || strings.Contains(list, strings.TrimPrefix(at, "/")) {
		t.Errorf("listed: %s", list)
	}
	if a, err := request(t, "DELETE", srv.here(at), token); err != nil || a.status != 202 {
		t.Errorf("%v %d %s", err, a.status, a.body)
	}
	if folders, err := os.ReadDir(exportsFolder(data)); err != nil || len(folders) != 0 {
		t.Errorf("folders of exports: %v %v", folders, err)
	}
	srv.stop()
}

func TestExportToAFolder(t *testing.T) {
	data, out := t.TempDir(), filepath.Join(t.TempDir(), "copy")
	heap(t, data, 2500)
	said := mustRun(t, "export", "--data", data, "--out", out)
	if !strings.HasPrefix(said, "2500 resources of ") {
		t.Error(said)
	}
	raw, err := os.ReadFile(filepath.Join(out, "manifest.json"))
	if err != nil {
		t.Fatal(err)
	}
	var m struct {
		TransactionTime time.Time
		Output          []struct {
			Type, File string
			Count      int
		}
	}
	if err := json.Unmarshal(raw, &m); err != nil || m.TransactionTime.IsZero() || len(m.Output) != 1 || m.Output[0].Type != "Observation" || m.Output[0].Count != 2500 {
		t.Fatalf("%v %s", err, raw)
	}
	lines, err := os.ReadFile(filepath.Join(out, m.Output[0].File))
	if err != nil || bytes.Count(lines, []byte("\n")) != 2500 {
		t.Errorf("%d lines: %v", bytes.Count(lines, []byte("\n")), err)
	}
	for _, name := range []string{"manifest.json", m.Output[0].File} {
		if info, err := os.Stat(filepath.Join(out, name)); err != nil || info.Mode().Perm() != 0o600 {
			t.Errorf("%v %v", info, err)
		}
	}
	for _, c := range []struct {
		args []string
		says string
	}{
		{[]string{"--out", out}, "not empty"},
		{nil, "--out: missing"},
		{[]string{"--out", out + "2", "--type", "Recipient"}, `--type: "Recipient" can't be exported; accepted: Patient`},
		{[]string{"--out", out + "2", "--since", "today"}, "--since: accepted: an instant"},
		{[]string{"--out", filepath.Join(out, "no", "such")}, "make the folder"},
	} {
		if _, err := run(t, append([]string{"export", "--data", data}, c.args...)...); err == nil || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%v: %v", c.args, err)
		}
	}
	if entries, err := os.ReadDir(filepath.Dir(out)); err != nil || len(entries) != 1 {
		t.Errorf("what is left: %v %v", entries, err)
	}
	if said := mustRun(t, "export", "--data", data, "--out", out+"2", "--type", "Patient", "--since", "2026-03-02T09:30:00Z"); !strings.HasPrefix(said, "0 resources") {
		t.Error(said)
	}
}

package main

import (
	"bytes"
	"io/fs"
	"net/http"
	"net/http/cookiejar"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"candidacy/internal/journey"
)

// TestAdvocateNotesLeaveNoTrace writes a note of an advocate with a word that is nowhere
// else, and looks for it in every answer of the API and of FHIR to every role, in an
// export, in what the program logs and prints, and in every file of the data folder.
func TestAdvocateNotesLeaveNoTrace(t *testing.T) {
	const marker = "Zwetschgenkompott"
	data := t.TempDir()
	s := hire(t, data)
	added := mustRun(t, "account", "add", "--data", data, "--username", "own-notes", "--role", "advocate")
	of := func(name string) string {
		_, rest, _ := strings.Cut(added, name+" ")
		value, _, _ := strings.Cut(rest, "\n")
		return value
	}
	srv := start(t, "serve", data)
	give := func(path string, body any) answer {
		t.Helper()
		a := mustAsk(t, "POST", srv.url+path, s.tokens[journey.Coordinator], path, body)
		if a.status >= 300 {
			t.Fatalf("%s: %d %s", path, a.status, a.body)
		}
		return a
	}
	var receipt struct{ Candidate string }
	give("/api/candidates", map[string]any{
		"given": "Quillon", "family": "Zephyrwick", "birth_date": "1981-03-14", "sex": "male", "path": "nondirected",
		"identifier": map[string]string{"system": "urn:test", "value": "N-1"},
	}).decode(t, &receipt)
	home := "/candidates/" + receipt.Candidate
	give("/api"+home+"/commands/begin-screening", map[string]bool{"contact_consent": true, "duplicate_checked": true})
	give("/api"+home+"/commands/assign-advocate", map[string]string{"advocate": of("account")})

	jar, err := cookiejar.New(nil)
	if err != nil {
		t.Fatal(err)
	}
	browser := &http.Client{Jar: jar, CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	send := func(path string, form url.Values) {
		t.Helper()
		response, err := browser.PostForm(srv.url+path, form)
		if err != nil {
			t.Fatal(err)
		}
		if err := response.Body.Close(); err != nil || response.StatusCode != http.StatusSeeOther {
			t.Fatalf("%s: %d, %v", path, response.StatusCode, err)
		}
	}
	send("/sign-in", url.Values{"username": {"own-notes"}, "password": {of("password")}})
	send(home+"/advocate/notes", url.Values{"do": {"note"}, "key": {"one"}, "contact": {"met"}, "on": {"2026-01-02"}, "text": {marker}})
	send(home+"/advocate", url.Values{"do": {"pause"}, "key": {"two"}, "cause": {"pressure"}, "private": {marker}})
	response, err := browser.Get(srv.url + home + "/advocate/notes")
	if err != nil {
		t.Fatal(err)
	}
	var read bytes.Buffer
	if _, err := read.ReadFrom(response.Body); err != nil || response.Body.Close() != nil || strings.Count(read.String(), marker) != 2 {
		t.Fatalf("the author does not read both notes: %v", err)
	}

	clean := func(where string, text []byte) {
		t.Helper()
		if bytes.Contains(text, []byte(marker)) {
			t.Errorf("%s holds the note", where)
		}
	}
	document := string(mustAsk(t, "GET", srv.url+"/api/openapi.yaml", "", "", nil).body)
	var paths []string
	for _, path := range regexp.MustCompile(`(?m)^  (/[^:\n]*):\n    get:`).FindAllStringSubmatch(document, -1) {
		paths = append(paths, strings.ReplaceAll(path[1], "{id}", receipt.Candidate))
	}
	types := regexp.MustCompile(`"type":"([A-Z][A-Za-z]+)"`).FindAllStringSubmatch(string(mustAsk(t, "GET", srv.url+"/fhir/metadata", "", "", nil).body), -1)
	for _, each := range types {
		paths = append(paths, "/fhir/"+each[1]+"?_count=500", "/fhir/"+each[1]+"/_history")
	}
	paths = append(paths, "/fhir/Patient/"+receipt.Candidate+"/$everything", "/fhir/Patient/"+receipt.Candidate+"/_history")
	if len(paths) < 40 || len(types) < 10 {
		t.Fatalf("only %d addresses, %d types", len(paths), len(types))
	}
	answered := 0
	for _, role := range journey.Roles {
		for _, path := range paths {
			a := mustAsk(t, "GET", srv.url+path, s.tokens[role], "", nil)
			clean(string(role)+" at "+path, a.body)
			if a.status == http.StatusOK {
				answered++
			}
		}
	}
	if answered < 60 {
		t.Errorf("only %d addresses were answered", answered)
	}
	srv.stop()
	clean("the log", srv.logs.Bytes())
	out := filepath.Join(t.TempDir(), "copy")
	mustRun(t, "export", "--data", data, "--out", out)
	clean("audit verify", []byte(mustRun(t, "audit", "verify", "--data", data)))
	files := 0
	for _, folder := range []string{data, out} {
		if err := filepath.WalkDir(folder, func(path string, d fs.DirEntry, err error) error {
			if err != nil || d.IsDir() {
				return err
			}
			raw, err := os.ReadFile(path)
			files++
			clean(path, raw)
			return err
		}); err != nil {
			t.Fatal(err)
		}
	}
	if files < 4 {
		t.Errorf("only %d files", files)
	}
}

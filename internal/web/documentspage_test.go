package web

import (
	"encoding/base64"
	"fmt"
	"net/http"
	"net/url"
	"strings"
	"testing"

	"candidacy/internal/command"
	"candidacy/internal/incoming"
	"candidacy/internal/journey"
)

// bring sends a document as its form does.
func (b *browser) bring(path, data string, values map[string]string) answer {
	b.w.t.Helper()
	return b.sendFile(path, "file", "Fjellgren renal report.exe", data, values)
}

// TestDocumentsAreBroughtIn brings documents in, reads them back, and says that one was
// entered in error.
func TestDocumentsAreBroughtIn(t *testing.T) {
	w := newWorld(t, nil)
	w.day("2026-09-10")
	id := w.refer("Ottilie", "Fjellgren", "1979-05-02", "female", "SYN-0001", "R-771")
	other := w.refer("Bastian", "Okonedo", "1990-11-12", "male", "SYN-0002", "")
	cora, clem := w.as("cora"), w.as("clem")
	path := "/candidates/" + id + "/documents"
	const pdf = "%PDF-1.7 invented"
	good := func(key string) map[string]string {
		return map[string]string{"key": key, "kind": "imaging", "title": "CT of both kidneys", "on": "2026-09-01"}
	}
	for _, tt := range []struct {
		data, name, value, field, says string
	}{
		{"", "", "", "file", "Choose a file"}, {"<html>", "", "", "file", "none of these: PDF, PNG, JPEG"}, {"PK\x03\x04", "", "", "file", "none of these"},
		{pdf, "kind", "scan", "kind", "Say what the document is"}, {pdf, "title", " ", "title", "missing"}, {pdf, "title", strings.Repeat("x", 201), "title", "up to 200"},
		{pdf, "on", "2026-02-30", "on", "no date"}, {pdf, "on", "2026-09-11", "on", "lies ahead"}, {pdf + strings.Repeat("x", mostDocument), "", "", "file", "larger than 10 MiB"},
	} {
		values := good("bad")
		if tt.name != "" {
			values[tt.name] = tt.value
		}
		got := cora.bring(path, tt.data, values)
		if got.status != http.StatusUnprocessableEntity {
			t.Errorf("%q %s %q: %d", tt.data[:min(9, len(tt.data))], tt.name, tt.value[:min(20, len(tt.value))], got.status)
			continue
		}
		got.has(t, `href="#document-`+tt.field+`"`, tt.says)
	}
	if got := cora.bring(path, pdf+strings.Repeat("x", mostDocument+100<<10), good("bad")); got.status != http.StatusRequestEntityTooLarge {
		t.Errorf("more than anything is taken: %d", got.status)
	}
	for range 2 { // sent twice, kept once
		if got := cora.bring(path, pdf, good("k-1")); got.status != http.StatusSeeOther {
			t.Fatalf("a document: %d", got.status)
		}
	}
	cora.bring(path, pdf, good("k-2")).has(t, "on record of this candidate already")
	if got := clem.bring(path, "\x89PNG\r\n\x1A\nx", map[string]string{"key": "k-3", "kind": "report", "title": "Film <b>", "on": "2026-09-02"}); got.status != http.StatusSeeOther {
		t.Fatalf("a picture: %d", got.status)
	}
	page := clem.get(path)
	page.has(t, "CT of both kidneys", "Report of imaging", "PDF, 17 bytes", "Film &lt;b&gt;", "1 Sep 2026")
	page.lacks(t, "exe")
	if n := strings.Count(page.body, ">CT of both kidneys</a>"); n != 1 {
		t.Errorf("the document is listed %d times", n)
	}
	got := clem.get(path + "/1")
	h := got.header
	if got.status != http.StatusOK || got.body != pdf || h.Get("Content-Type") != "application/pdf" || h.Get("Content-Disposition") != `attachment; filename="document-1.pdf"` ||
		h.Get("Content-Security-Policy") != "default-src 'none'; sandbox" || h.Get("X-Content-Type-Options") != "nosniff" || h.Get("Cache-Control") != "no-store" {
		t.Errorf("read back: %d %v", got.status, h)
	}
	for _, wrong := range []string{path + "/3", path + "/x", path + "/-1", "/candidates/" + other + "/documents/1"} {
		if got := cora.get(wrong); got.status != http.StatusNotFound {
			t.Errorf("%s: %d", wrong, got.status)
		}
	}
	// The advocate and the auditor are not told of what the team brought in.
	w.as("audi").get(path).lacks(t, "CT of both kidneys", "Bring a document in")

	wrong := url.Values{"key": {"e-1"}, "about": {"1"}}
	clem.post(path, wrong).has(t, `href="#wrong-1-reason"`)
	wrong.Set("reason", "It is somebody else's.")
	for range 2 {
		if got := clem.post(path, wrong); got.status != http.StatusSeeOther {
			t.Fatalf("in error: %d", got.status)
		}
	}
	wrong.Set("key", "e-2")
	if got := clem.post(path, wrong); got.status != http.StatusConflict {
		t.Errorf("in error once more: %d", got.status)
	}
	if got := cora.get(path + "/1"); got.status != http.StatusNotFound {
		t.Errorf("what was entered in error is answered %d", got.status)
	}
	cora.get(path).has(t, "Entered in error:", "It is somebody else&#39;s, by")
}

// TestDocumentsSentIn: what came with a message is the candidate's once the message is on
// record.
func TestDocumentsSentIn(t *testing.T) {
	w := newWorld(t, nil)
	w.day("2026-09-10")
	id := w.refer("Ottilie", "Fjellgren", "1979-05-02", "female", "SYN-404", "R-771")
	other := w.refer("Bastian", "Okonedo", "1990-11-12", "male", "SYN-405", "")
	w.screen(id)
	const pdf = "%PDF-1.4 invented"
	message := func(n, family, title string) string {
		return fmt.Sprintf(`{"resourceType":"Bundle","type":"collection","entry":[
{"fullUrl":"urn:uuid:1","resource":{"resourceType":"Patient","identifier":[{"system":"urn:oid:1.2.36.146.595.217.0.1","value":"SYN-404"}],"name":[{"family":"%s","given":["Ottilie"]}]}},
{"fullUrl":"urn:uuid:2","resource":{"resourceType":"DiagnosticReport","status":"final","identifier":[{"system":"https://lab.example/report","value":"%s"}],
"code":{"coding":[{"system":"http://loinc.org","code":"24566-4"}]},"subject":{"reference":"urn:uuid:1"},"effectiveDateTime":"2026-09-01T08:00:00+02:00","issued":"2026-09-01T10:00:00+02:00",
"conclusion":"see the document","presentedForm":[{"contentType":"application/pdf","title":"%s","data":"%s"}]}}]}`, family, n, title, base64.StdEncoding.EncodeToString([]byte(pdf)))
	}
	cora := w.as("cora")
	path := "/candidates/" + id + "/documents"
	// The name of another: a person decides, and what is set aside is not the candidate's.
	held := w.arrive(message("D-2", "Okonedo", "Somebody else's report"))
	if held.State != incoming.Held {
		t.Fatalf("another's name is %s", held.State)
	}
	if got := cora.post("/incoming/"+held.ID, url.Values{"act": {"set-aside"}, "group": {"0"}, "revision": {"0"}, "key": {"aside-1"}, "reason": {"It is another's."}}); got.status != http.StatusSeeOther {
		t.Fatalf("set aside: %d", got.status)
	}
	out := w.arrive(message("D-1", "Fjellgren", "Report of the kidneys"))
	if out.State != incoming.Applied {
		t.Fatalf("the message is %+v", out)
	}
	cora.get(path).lacks(t, "Somebody else")
	if got := cora.get(path + "/incoming/" + held.ID + "/0/0"); got.status != http.StatusNotFound {
		t.Errorf("a document of a message that was set aside is answered %d", got.status)
	}
	link := path + "/incoming/" + out.ID + "/0/0"
	for _, who := range []string{"cora", "clem"} {
		w.as(who).get(path).has(t, "Report of the kidneys", link)
		got := w.as(who).get(link)
		if got.status != http.StatusOK || got.body != pdf || got.header.Get("Content-Security-Policy") != "default-src 'none'; sandbox" {
			t.Errorf("%s reads it back: %d %v", who, got.status, got.header)
		}
	}
	for _, wrong := range []string{path + "/incoming/" + out.ID + "/1/0", path + "/incoming/" + out.ID + "/0/1", path + "/incoming/" + out.ID + "/0/-1", "/candidates/" + other + "/documents/incoming/" + out.ID + "/0/0"} {
		if got := cora.get(wrong); got.status != http.StatusNotFound {
			t.Errorf("%s: %d", wrong, got.status)
		}
	}
}

// TestConsentsAmongDocuments: consents that were given together are named together.
func TestConsentsAmongDocuments(t *testing.T) {
	w := newWorld(t, nil)
	id := w.refer("Ottilie", "Fjellgren", "1979-05-02", "female", "SYN-0001", "R-771")
	w.screen(id)
	w.give("cora", id, journey.AssignAdvocate, &command.AssignAdvocate{Advocate: "adva"})
	w.give("cora", id, journey.RecordConsent, &command.RecordConsent{Requirements: []string{"consent-evaluation"}})
	w.as("cora").get("/candidates/"+id+"/documents").has(t, titleOf(w.protocol, "consent-evaluation")+"</a>")
}

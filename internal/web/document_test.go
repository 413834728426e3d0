package web

import (
	"encoding/base64"
	"fmt"
	"net/http"
	"strings"
	"testing"
)

// TestDocumentsOfAMessage: what a laboratory attaches is read as text or saved, and
// never drawn or run, whatever the sender says that it is.
func TestDocumentsOfAMessage(t *testing.T) {
	w := newWorld(t, nil)
	const pdf, page, words = "%PDF-1.4 invented", "<html><script>alert(1)</script></html>", "Both kidneys <b>of usual size</b>.\r\nNo stones."
	form := func(media, title, data string) string {
		return fmt.Sprintf(`{"contentType":"%s","title":"%s","data":"%s"}`, media, title, base64.StdEncoding.EncodeToString([]byte(data)))
	}
	forms := strings.Join([]string{
		form("application/pdf", "Report", pdf), form("text/plain; charset=utf-8", "Findings", words), form("text/html", "Page", page),
		form("application/pdf", "No PDF", page), form("text/plain", "Bytes", "\xff\xfe"), `{"contentType":"application/dicom","url":"https://pacs.example/1","title":"Images"}`,
	}, ",")
	raw := fmt.Sprintf(`{"resourceType":"Bundle","type":"collection","entry":[
{"fullUrl":"urn:uuid:1","resource":{"resourceType":"Patient","identifier":[{"system":"urn:oid:1.2.36.146.595.217.0.1","value":"SYN-404"}]}},
{"fullUrl":"urn:uuid:2","resource":{"resourceType":"DiagnosticReport","status":"final","identifier":[{"system":"https://lab.example/report","value":"D-1"}],
"code":{"coding":[{"system":"http://loinc.org","code":"24566-4"}]},"subject":{"reference":"urn:uuid:1"},"effectiveDateTime":"2026-09-01T08:00:00+02:00","issued":"2026-09-01T10:00:00+02:00",
"conclusion":"see the document","presentedForm":[%s]}}]}`, forms)
	id := w.arrive(raw).ID
	cora := w.as("cora")
	shown := cora.get("/incoming/" + id)
	shown.has(t, "Report", "Save this document", "PDF, 17 bytes", `href="/incoming/`+id+`/documents/0/0"`, "Both kidneys &lt;b&gt;of usual size&lt;/b&gt;.\nNo stones.",
		"of another kind", "It is kept elsewhere: <code>https://pacs.example/1</code>")
	shown.lacks(t, "<script>alert", "<b>of usual", `href="https://pacs.example`)
	for n, want := range []struct{ media, name, data string }{
		{"application/pdf", "document-1-1.pdf", pdf}, {"text/plain", "document-1-2.txt", words}, {"application/octet-stream", "document-1-3.bin", page},
		{"application/octet-stream", "document-1-4.bin", page}, {"application/octet-stream", "document-1-5.bin", "\xff\xfe"},
	} {
		got := cora.get(fmt.Sprintf("/incoming/%s/documents/0/%d", id, n))
		h := got.header
		if got.status != http.StatusOK || got.body != want.data || h.Get("Content-Type") != want.media || h.Get("Content-Disposition") != `attachment; filename="`+want.name+`"` ||
			h.Get("X-Content-Type-Options") != "nosniff" || h.Get("Content-Security-Policy") != "default-src 'none'; sandbox" || h.Get("Cache-Control") != "no-store" {
			t.Errorf("document %d: %d %q %v", n, got.status, got.body, h)
		}
	}
	for _, path := range []string{"0/5", "0/6", "1/0", "-1/0", "0/-1", "x/0", "0/x"} {
		if got := cora.get("/incoming/" + id + "/documents/" + path); got.status != http.StatusNotFound {
			t.Errorf("%s is answered %d", path, got.status)
		}
	}
	if got := w.as("clem").get("/incoming/" + id + "/documents/0/0"); got.status != http.StatusForbidden {
		t.Errorf("a clinician is answered %d", got.status)
	}
}

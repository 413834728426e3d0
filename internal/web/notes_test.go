package web

import (
	"context"
	"net/url"
	"strings"
	"testing"
)

// testNotes writes notes, corrects one, and looks for them in front of everybody else.
func testNotes(t *testing.T, w *world, id, other string) {
	path := "/candidates/" + id
	cora := w.as("cora")
	write := func(b *browser, values url.Values) answer {
		t.Helper()
		if !values.Has("key") {
			values.Set("key", newKey())
		}
		return b.post(path+"/notes", values)
	}
	key := newKey()
	first := url.Values{"kind": {"call"}, "text": {"Prefers to be called <after> four.\nHas a new number."}, "key": {key}}
	for range 2 { // sent twice, it is kept once
		if got := write(cora, first); got.header.Get("Location") != path+"?done=note#notes" {
			t.Fatalf("a note: %d %s", got.status, got.header.Get("Location"))
		}
	}
	write(w.as("clem"), url.Values{"kind": {"arrangement"}, "text": {"Prefers to be called after five."}, "corrects": {"1"}})
	page := cora.get(path + "?done=note")
	page.has(t, "The note is kept.", "Prefers to be called &lt;after&gt; four.", "Telephone call", "Cora Lindqvist", "Clement Oduya", `href="#note-1"`, `href="#note-2"`, "Corrected by")
	if n := strings.Count(page.body, "after&gt; four"); n != 1 {
		t.Errorf("the note is there %d times", n)
	}
	for _, bad := range []struct {
		values url.Values
		want   string
	}{
		{url.Values{"kind": {"call"}, "text": {" "}}, "Note: this is missing"},
		{url.Values{"kind": {"gossip"}, "text": {"x"}}, "Say what the note is about"},
		{url.Values{"kind": {"call"}, "text": {"x"}, "corrects": {"9"}}, "There is no such note"},
		{url.Values{"kind": {"call"}, "text": {"x"}, "corrects": {"-1"}}, "There is no such note"},
		{url.Values{"kind": {"call"}, "text": {strings.Repeat("é", 4001)}}, "accepted: up to 4000"},
	} {
		got := write(cora, bad.values)
		if got.status != 422 {
			t.Errorf("%v: %d", bad.want, got.status)
		}
		got.has(t, bad.want, bad.values.Get("text"))
	}
	for _, who := range []string{"adva", "comm", "audi"} {
		w.as(who).get(path).lacks(t, "Prefers to be called", "Write a note")
	}
	cora.get("/candidates/"+other).lacks(t, "Prefers to be called")
	// Nothing of it is in an entry or on paper.
	entries, err := w.store.Entries(context.Background(), id)
	must(t, err)
	for _, e := range entries {
		if strings.Contains(string(e.Body)+string(e.Event), "Prefers") {
			t.Error("a note is in an entry")
		}
	}
	paper := w.as("clem").get(path + "/evaluation-summary")
	paper.has(t, "Evaluation summary: Fjellgren, Ottilie", "As of ", w.protocol.Version, w.protocol.Digest(), "Serum creatinine", "Estimated GFR from creatinine", "The newest of each kind")
	paper.lacks(t, "Prefers to be called", "R-771", "Adva Rosengren")
}

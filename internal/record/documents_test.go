package record_test

import (
	"errors"
	"strings"
	"testing"

	"candidacy/internal/journey"
	"candidacy/internal/record"
)

func TestDocumentsAreKept(t *testing.T) {
	onEach(t, func(t *testing.T, b *bench) {
		ctx := t.Context()
		b.refer(t, "cand-a", 1)
		b.refer(t, "cand-b", 1)
		d := record.Document{Candidate: "cand-a", By: "cora", Role: journey.Coordinator, Kind: "report", Title: "t", On: "2026-03-02", Media: "application/pdf"}
		first, err := b.KeepDocument(ctx, "k-1", d, []byte("abc"))
		// The digest of "abc" in FIPS 180-4's examples.
		if err != nil || first.Seq != 1 || first.Size != 3 || first.Digest != "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad" {
			t.Fatalf("%+v: %v", first, err)
		}
		if again, err := b.KeepDocument(ctx, "k-1", d, []byte("abc")); err != nil || again.Seq != 1 {
			t.Errorf("the same form again: %+v, %v", again, err)
		}
		if _, err := b.KeepDocument(ctx, "k-2", d, []byte("abc")); !errors.Is(err, record.ErrSameDocument) {
			t.Errorf("the same bytes again: %v", err)
		}
		if data, err := b.DocumentData(ctx, "cand-a", first.Digest); err != nil || string(data) != "abc" {
			t.Errorf("%q, %v", data, err)
		}
		if _, err := b.DocumentData(ctx, "cand-b", first.Digest); !errors.Is(err, record.ErrNotFound) {
			t.Errorf("another candidate's: %v", err)
		}
		wrong := record.Document{Candidate: "cand-a", By: "clem", Role: journey.Clinician, InError: 1, Reason: "another person's"}
		if _, err := b.WithdrawDocument(ctx, "k-3", wrong); err != nil {
			t.Fatal(err)
		}
		if _, err := b.WithdrawDocument(ctx, "k-4", wrong); !errors.Is(err, record.ErrNoDocument) {
			t.Errorf("twice in error: %v", err)
		}
		// What was entered in error may be brought in again.
		if again, err := b.KeepDocument(ctx, "k-5", d, []byte("abc")); err != nil || again.Seq != 3 {
			t.Errorf("%+v, %v", again, err)
		}
		list, err := b.Documents(ctx, "cand-a")
		if err != nil || len(list) != 3 || list[1].Reason != "another person's" || len(record.Standing(list)) != 1 {
			t.Errorf("%+v, %v", list, err)
		}
		if v, err := b.Verify(ctx); err != nil || v.Documents != 3 {
			t.Errorf("%d documents verified: %v", v.Documents, err)
		}
		for _, statement := range []string{"UPDATE candidate_document SET body = '{}'", "DELETE FROM candidate_document", "UPDATE document_file SET data = data", "DELETE FROM document_file"} {
			if _, err := b.raw(t).ExecContext(ctx, statement); err == nil || !strings.Contains(err.Error(), "append") {
				t.Errorf("%s: %v", statement, err)
			}
		}
	})
}

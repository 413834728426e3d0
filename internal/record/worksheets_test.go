package record_test

import (
	"errors"
	"testing"
	"time"

	"candidacy/internal/record"
)

func TestWorksheetDrafts(t *testing.T) {
	onEach(t, func(t *testing.T, b *bench) {
		b.refer(t, "cand-a", 1)
		b.refer(t, "cand-b", 1)
		kept := func(candidate, account string) string {
			t.Helper()
			d, err := b.WorksheetDraft(t.Context(), candidate, account, "w")
			if errors.Is(err, record.ErrNotFound) {
				return ""
			}
			if err != nil {
				t.Fatal(err)
			}
			return d.Body
		}
		keep := func(candidate, account, body string) {
			t.Helper()
			if err := b.KeepWorksheet(t.Context(), record.WorksheetDraft{Candidate: candidate, Account: account, Worksheet: "w", Body: body}); err != nil {
				t.Fatal(err)
			}
		}
		keep("cand-a", "clem", "one")
		keep("cand-a", "clem", "two")
		keep("cand-a", "cleo", "hers")
		if kept("cand-a", "clem") != "two" || kept("cand-a", "cleo") != "hers" || kept("cand-b", "clem") != "" {
			t.Error("a draft is another's, or an older one")
		}
		if err := b.DropWorksheet(t.Context(), "cand-a", "clem", "w"); err != nil || kept("cand-a", "clem") != "" || kept("cand-a", "cleo") != "hers" {
			t.Errorf("a draft is not dropped alone: %v", err)
		}
		b.clock.advance(31 * 24 * time.Hour)
		keep("cand-b", "clem", "later")
		if kept("cand-a", "cleo") != "" || kept("cand-b", "clem") != "later" {
			t.Error("an old draft is kept")
		}
	})
}

func TestSourceFiles(t *testing.T) {
	onEach(t, func(t *testing.T, b *bench) {
		b.refer(t, "cand-a", 1)
		b.refer(t, "cand-b", 1)
		file := record.SourceFile{Candidate: "cand-a", Kind: "k", Data: []byte("abc"), ReceivedBy: "clem"}
		first, err := b.KeepSourceFile(t.Context(), file)
		// The digest of "abc" in FIPS 180-4's examples.
		if err != nil || first.Digest != "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad" {
			t.Fatalf("the digest is %s: %v", first.Digest, err)
		}
		if again, err := b.KeepSourceFile(t.Context(), file); err != nil || again.Digest != first.Digest {
			t.Errorf("the same file again: %v", err)
		}
		file.Candidate = "cand-b"
		if _, err := b.KeepSourceFile(t.Context(), file); !errors.Is(err, record.ErrOtherCandidate) {
			t.Errorf("another's file: %v", err)
		}
		got, err := b.SourceFile(t.Context(), "cand-a", first.Digest)
		if err != nil || string(got.Data) != "abc" || got.Kind != "k" || got.ReceivedBy != "clem" || got.ReceivedAt.IsZero() {
			t.Errorf("read back as %+v: %v", got, err)
		}
		if _, err := b.SourceFile(t.Context(), "cand-b", first.Digest); !errors.Is(err, record.ErrNotFound) {
			t.Errorf("read as another's: %v", err)
		}
		if list, err := b.SourceFiles(t.Context(), "cand-a", "k"); err != nil || len(list) != 1 || list[0].Digest != first.Digest || list[0].ReceivedBy != "clem" || !list[0].ReceivedAt.Equal(got.ReceivedAt) {
			t.Errorf("listed as %+v: %v", list, err)
		}
		for candidate, kind := range map[string]string{"cand-a": "other", "cand-b": "k"} {
			if list, err := b.SourceFiles(t.Context(), candidate, kind); err != nil || len(list) > 0 {
				t.Errorf("%s has %+v of %s: %v", candidate, list, kind, err)
			}
		}
	})
}

package web

import (
	"context"
	"net/http"
	"net/url"
	"path"
	"strings"
	"testing"

	"candidacy/internal/journey"
	"candidacy/internal/linkage"
	"candidacy/internal/record"
	"candidacy/internal/result"
)

func someAlike() []alikeModel {
	on := record.Candidate{ID: "c-1", Identity: record.Identity{Given: "Ottilie", Family: "Fjellgren", BirthDate: "1979-05-02", Sex: "female", Identifier: result.Identifier{System: "urn:oid:1", Value: "1"}}}
	on.State.Stage = journey.Evaluation
	who := record.Identity{Given: "Otilie", Family: "Fjellgren", BirthDate: "1979-02-05", Sex: "female", Identifier: result.Identifier{System: "urn:oid:2", Value: "2"}}
	v := &viewer{Account: record.Account{Role: journey.Coordinator}}
	return []alikeModel{alikeOf(v, who, on, linkage.Compare(personOf(who), personOf(on.Identity)))}
}

// idIn is the candidate that an answer leads to.
func idIn(a answer) string {
	to, _, _ := strings.Cut(a.header.Get("Location"), "?")
	return path.Base(to)
}

// testAlikeUnseen: whoever cares for the recipient learns nothing of the recipient's
// candidate, and every other coordinator learns that the two may be one.
func testAlikeUnseen(t *testing.T, w *world, form url.Values) {
	hidden := w.refer("Mirelle", "Ashdown-Quist", "1988-03-04", "female", "WEB-0077", "R-991")
	must(t, w.store.AddToRecipientTeam(context.Background(), "R-991", "cora"))
	again := url.Values{
		"given": {"Mireille"}, "family": {"Ashdown"}, "birth_date": {"1988-04-03"}, "sex": {"female"}, "path": {"nondirected"},
		"identifier_system": form["identifier_system"], "identifier_value": {"WEB-0078"}, "key": {"twice"},
	}
	got := w.as("cora").post("/candidates/new", again)
	if got.status != http.StatusSeeOther {
		t.Fatalf("a referral beside somebody who is kept from the coordinator: %d", got.status)
	}
	w.as("cora").get("/candidates/"+idIn(got)).lacks(t, "May be the same person", hidden, "WEB-0077")
	must(t, w.store.RemoveFromRecipientTeam(context.Background(), "R-991", "cora"))
	page := w.as("cora").get("/candidates/" + idIn(got))
	page.has(t, "May be the same person", "WEB-0077", "day and month of birth are swapped", "family name agrees in one part", "given name differs by one letter")
	w.as("clem").get("/candidates/"+idIn(got)).lacks(t, "May be the same person")
	// The other one is in the same stage and is told of as well.
	w.as("cora").get("/candidates/"+hidden).has(t, "May be the same person", "WEB-0078")
}

// BenchmarkAlike compares a referral with all candidates on record.
func BenchmarkAlike(b *testing.B) {
	store, p, now := crowd(b, *benchCandidates)
	s := &server{Deps: Deps{Store: store, Current: p, Now: now}}
	v := s.viewer(record.Account{ID: "cora", Role: journey.Coordinator})
	who := record.Identity{
		Given: "Given 7", Family: "Family 12", BirthDate: "1979-05-02", Sex: "female", Identifier: result.Identifier{System: "urn:synthetic", Value: "new"},
	}
	for b.Loop() {
		if _, err := s.alike(context.Background(), v, who, ""); err != nil {
			b.Fatal(err)
		}
	}
}

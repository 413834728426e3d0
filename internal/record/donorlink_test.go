package record_test

import (
	"errors"
	"regexp"
	"testing"
	"time"

	"candidacy/internal/journey"
	"candidacy/internal/record"
)

func TestDonorLinks(t *testing.T) {
	onEach(t, func(t *testing.T, b *bench) {
		b.refer(t, "cand-a", 1)
		b.refer(t, "cand-b", 1)
		opens := func(secret string) string {
			t.Helper()
			c, err := b.LinkedCandidate(t.Context(), secret)
			if err != nil && !errors.Is(err, record.ErrNotFound) {
				t.Fatal(err)
			}
			return c.ID
		}
		n := 0
		change := func(candidate string, link record.LinkChange, closed bool) {
			t.Helper()
			n++
			b.mustGive(t, candidate, "link-"+string(rune('a'+n)), journey.GiveDonorLink, func(d *record.Draft) {
				d.Link = &link
				if closed {
					d.Link, d.State.Stage = nil, journey.Closed
				}
			})
		}
		first, digest := record.NewDonorSecret()
		if !regexp.MustCompile(`^[A-Za-z0-9_-]{43}$`).MatchString(first) || record.DonorDigest(first) != digest {
			t.Errorf("the secret is %q with %q", first, digest)
		}
		if opens(first) != "" {
			t.Error("a link that was not given opens a page")
		}
		until := b.clock.now().Add(time.Hour)
		change("cand-a", record.LinkChange{Digest: digest, ExpiresAt: until}, false)
		other, otherDigest := record.NewDonorSecret()
		change("cand-b", record.LinkChange{Digest: otherDigest, ExpiresAt: until}, false)
		if opens(first) != "cand-a" || opens(other) != "cand-b" || opens(digest) != "" || opens("") != "" {
			t.Error("a link opens another page, or its digest does")
		}
		if _, err := b.give("cand-b", "again", journey.GiveDonorLink, func(d *record.Draft) {
			d.Link = &record.LinkChange{Digest: digest, ExpiresAt: until}
		}); err == nil {
			t.Error("a digest is stored twice")
		}
		// Visits are of one link and one browser, for a time.
		visits := func(secret, visit string) string {
			t.Helper()
			c, err := b.OwnVisit(t.Context(), secret, visit)
			if err != nil && !errors.Is(err, record.ErrNotFound) {
				t.Fatal(err)
			}
			return c.ID
		}
		begin := func(secret string) string {
			t.Helper()
			visit, err := b.BeginOwnVisit(t.Context(), secret, time.Minute)
			if err != nil {
				t.Fatal(err)
			}
			return visit
		}
		one, two, theirs := begin(first), begin(first), begin(other)
		if visits(first, one) != "cand-a" || visits(first, two) != "cand-a" || visits(other, theirs) != "cand-b" {
			t.Error("a visit does not open its page")
		}
		if visits(first, theirs) != "" || visits(other, one) != "" || visits(first, "") != "" || visits(first, first) != "" {
			t.Error("a visit opens another's page, or a link is a visit")
		}
		if err := b.EndOwnVisit(t.Context(), other, one); err != nil || visits(first, one) != "cand-a" {
			t.Error("a visit is ended by another link", err)
		}
		if err := b.EndOwnVisit(t.Context(), first, one); err != nil || visits(first, one) != "" || visits(first, two) != "cand-a" {
			t.Error("a visit does not end, or ends another", err)
		}
		b.clock.advance(time.Minute)
		if visits(first, two) != "" || opens(first) != "cand-a" {
			t.Error("a visit does not end by itself, or ends the link")
		}
		last := begin(first)
		second, secondDigest := record.NewDonorSecret()
		change("cand-a", record.LinkChange{Digest: secondDigest, ExpiresAt: until}, false)
		if visits(first, last) != "" || visits(second, last) != "" {
			t.Error("a visit outlives its link")
		}
		if opens(first) != "" || opens(second) != "cand-a" || opens(other) != "cand-b" {
			t.Error("a new link does not replace the one before, or another's")
		}
		change("cand-a", record.LinkChange{}, false)
		if opens(second) != "" || opens(other) != "cand-b" {
			t.Error("a revoked link opens a page, or another's does not")
		}
		change("cand-b", record.LinkChange{}, true)
		if opens(other) != "" {
			t.Error("a journey that has ended shows its page")
		}
		third, thirdDigest := record.NewDonorSecret()
		change("cand-a", record.LinkChange{Digest: thirdDigest, ExpiresAt: b.clock.now().Add(-time.Second)}, false)
		if opens(third) != "" {
			t.Error("a link that is over opens a page")
		}
	})
}

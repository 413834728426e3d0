package population_test

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"candidacy/internal/command"
	"candidacy/internal/population"
	"candidacy/internal/protocol"
)

// published is a digest of everything that a journey published.
func published(t *testing.T, p *population.Programme, j population.Journey) string {
	t.Helper()
	versions, err := versionsOf(t.Context(), p.Store, j.Candidate)
	if err != nil {
		t.Fatal(err)
	}
	hash := sha256.New()
	for _, v := range versions {
		hash.Write(v.Body)
	}
	return fmt.Sprintf("%d versions %s", len(versions), hex.EncodeToString(hash.Sum(nil)))
}

// TestSeedsRepeat: a seed always gives the same journey, and the steps of a journey
// given again lead to the same.
func TestSeedsRepeat(t *testing.T) {
	for seed := range uint64(4) {
		first, second, third := open(t, memory(t)), open(t, memory(t)), open(t, memory(t))
		a, err := first.Play(t.Context(), seed)
		if err != nil {
			t.Fatal(err)
		}
		b, err := second.Play(t.Context(), seed)
		if err != nil {
			t.Fatal(err)
		}
		c, err := third.Replay(t.Context(), fmt.Sprint(seed), a.Steps)
		if err != nil {
			t.Fatal(err)
		}
		want := published(t, first, a)
		if got := published(t, second, b); got != want || population.Describe(a) != population.Describe(b) {
			t.Errorf("seed %d: published %s, then %s", seed, want, got)
		}
		if got := published(t, third, c); got != want || c.State.Seq != a.State.Seq {
			t.Errorf("seed %d: published %s, replayed %s", seed, want, got)
		}
	}
}

// TestDescriptionsNameNobody: what is printed of a journey holds no name, no date of
// birth, no identifier, no recipient and no free text.
func TestDescriptionsNameNobody(t *testing.T) {
	p := open(t, memory(t))
	for seed := range uint64(3) {
		j, err := p.Play(t.Context(), seed)
		if err != nil {
			t.Fatal(err)
		}
		text := population.Describe(j)
		who, ok := j.Steps[0].Body.(*command.Referral)
		if !ok || strings.Count(text, "\n") != len(j.Steps)+1 {
			t.Fatalf("seed %d: %d steps, described as %s", seed, len(j.Steps), text)
		}
		for _, word := range []string{
			who.Given, who.Family, string(who.BirthDate), who.Identifier.Value,
			population.Secret, population.Told, population.RecipientMark, population.Reach,
		} {
			if len(word) > 2 && strings.Contains(text, word) {
				t.Errorf("seed %d: the description holds %q", seed, word)
			}
		}
	}
}

// TestSamplesAreProtocols: samples are valid protocols whatever they leave out, the
// same for the same chance, and tell in confidence what the default protocol does.
func TestSamplesAreProtocols(t *testing.T) {
	whole := protocol.Default()
	for n := range uint64(12) {
		sample := func() *protocol.Protocol {
			p, err := population.Sample(whole.Source(), rand.New(rand.NewPCG(n, 1)), "sample", int(n)*6)
			if err != nil {
				t.Fatal(err)
			}
			return p
		}
		p := sample()
		if p.Digest() != sample().Digest() {
			t.Errorf("%d: the same chance made two protocols", n)
		}
		if len(p.Requirements) >= len(whole.Requirements) || p.ApprovedBy == "" {
			t.Errorf("%d: %d requirements, approved by %q", n, len(p.Requirements), p.ApprovedBy)
		}
		for _, code := range whole.ConfidentialCodes() {
			if _, there := p.Observation(code); there && !slices.Contains(p.ConfidentialCodes(), code) {
				t.Errorf("%d: %s is not told in confidence", n, code)
			}
		}
	}
}

package record_test

import (
	"bytes"
	"errors"
	"testing"
	"time"

	"candidacy/internal/journey"
	"candidacy/internal/record"
)

// TestQuestionnaireLinks: a link opens what it was given for until it ends, and what
// is filled in by it is sealed, replaced only by who knows it, and goes with it.
func TestQuestionnaireLinks(t *testing.T) {
	onEach(t, func(t *testing.T, b *bench) {
		b.refer(t, "cand-a", 1)
		n := 0
		change := func(c record.QuestionnaireChange) {
			t.Helper()
			n++
			b.mustGive(t, "cand-a", "questionnaire-"+string(rune('a'+n)), journey.GiveQuestionnaire, func(d *record.Draft) { d.Questionnaire = &c })
		}
		opens := func(secret string) string {
			t.Helper()
			c, questionnaire, err := b.OpenQuestionnaire(t.Context(), secret)
			if err != nil && !errors.Is(err, record.ErrNotFound) {
				t.Fatal(err)
			}
			return c.ID + " " + questionnaire
		}
		until := b.clock.now().Add(time.Hour)
		first, digest := record.NewQuestionnaireSecret()
		change(record.QuestionnaireChange{Digest: digest, Questionnaire: "intake", ExpiresAt: until})
		if opens(first) != "cand-a intake" || opens(digest) != " " || opens("") != " " {
			t.Error("a link opens something else, or its digest does")
		}
		save := func(text string, revision int64, want error) {
			t.Helper()
			if err := b.SaveQuestionnaireDraft(t.Context(), first, []byte(text), revision); !errors.Is(err, want) {
				t.Errorf("save %q over %d: %v, want %v", text, revision, err, want)
			}
		}
		save("gout: yes", 0, nil)
		save("gout: no", 0, record.ErrDraftChanged)
		save("gout: no", 1, nil)
		text, revision, err := b.QuestionnaireDraft(t.Context(), first)
		if err != nil || revision != 2 || !bytes.Equal(text, []byte("gout: no")) {
			t.Errorf("the draft is %q, %d, %v", text, revision, err)
		}
		visit, err := b.BeginQuestionnaireVisit(t.Context(), first, time.Minute)
		if err != nil {
			t.Fatal(err)
		}
		given := func(link, visit string) (bool, bool) {
			t.Helper()
			given, sent, err := b.QuestionnaireVisit(t.Context(), link, visit)
			if err != nil {
				t.Fatal(err)
			}
			return given, sent
		}
		if g, s := given(first, visit); !g || s {
			t.Error("a visit is not known")
		}
		if g, _ := given(first, "x"); g {
			t.Error("any visit is known")
		}
		second, secondDigest := record.NewQuestionnaireSecret()
		change(record.QuestionnaireChange{Digest: secondDigest, Questionnaire: "intake", ExpiresAt: until})
		save("gout: no", 2, record.ErrNotFound)
		if text, _, err := b.QuestionnaireDraft(t.Context(), first); err != nil || text != nil || opens(first) != " " {
			t.Errorf("a link that was replaced still holds %q, %v", text, err)
		}
		if g, _ := given(first, visit); g {
			t.Error("a visit outlives its link")
		}
		if visit, err = b.BeginQuestionnaireVisit(t.Context(), second, time.Minute); err != nil {
			t.Fatal(err)
		}
		change(record.QuestionnaireChange{Sent: true})
		if g, s := given(second, visit); !g || !s || opens(second) != " " {
			t.Error("whoever sent it is not told so, or it still opens")
		}
		third, thirdDigest := record.NewQuestionnaireSecret()
		change(record.QuestionnaireChange{Digest: thirdDigest, Questionnaire: "intake", ExpiresAt: b.clock.now().Add(-time.Second)})
		if opens(third) != " " {
			t.Error("a link that is over opens")
		}
	})
}

package web

import (
	"slices"
	"strings"
	"testing"
	"time"

	"candidacy/internal/journey"
	"candidacy/internal/protocol"
)

func TestPartsAndSpans(t *testing.T) {
	systolic, diastolic := component{systolicCode, "Systolic", "121", "mmHg"}, component{diastolicCode, "Diastolic", "75", "mmHg"}
	other := diastolic
	other.Unit = "kPa"
	for _, c := range []struct {
		parts []component
		want  string
	}{
		{[]component{systolic, diastolic}, "121/75 mmHg"},
		{[]component{systolic, other}, "Systolic 121 mmHg, Diastolic 75 kPa"},
		{[]component{systolic}, "Systolic 121 mmHg"},
		{[]component{{"x", "Colour", "clear", ""}, diastolic}, "Colour clear, Diastolic 75 mmHg"},
	} {
		if got := partsWord(c.parts); got != c.want {
			t.Errorf("%v: %q, want %q", c.parts, got, c.want)
		}
	}
	for _, c := range []struct{ from, to, want string }{
		{"2026-08-31T08:47:00Z", "2026-08-31T12:49:00Z", "31 Aug 2026, 08:47 to 12:49"},
		{"2026-08-31T23:50:00Z", "2026-09-01T00:10:00Z", "31 Aug 2026, 23:50 to 1 Sep 2026, 00:10"},
		{"2026-08-31", "2026-09-02", "31 Aug 2026 to 2 Sep 2026"},
		{"2026-08-31", "2026-08-31", "31 Aug 2026 to 31 Aug 2026"},
		{"2026-08-31T08:47:00Z", "", "31 Aug 2026, 08:47"},
	} {
		if got := spanWord(c.from, c.to, time.UTC); got != c.want {
			t.Errorf("%s to %s: %q, want %q", c.from, c.to, got, c.want)
		}
	}
}

// TestAgainCloseToTheOperation: what has to be done again close to an operation is open
// once that has a day, and not before.
func TestAgainCloseToTheOperation(t *testing.T) {
	p := protocol.Default()
	i := slices.IndexFunc(p.Requirements, func(r protocol.Requirement) bool { return r.OperationDays == 28 })
	r := p.Requirements[i]
	sc := scene{protocol: p, viewer: &viewer{}, today: "2026-09-01"}
	sc.candidate.State.Stage = journey.Scheduled
	state := journey.Requirement{ID: r.ID, Status: journey.Met, Collected: "2026-07-20"}
	if row := requirement(sc, r, state, nil); !row.Again || row.Expires || !strings.Contains(row.Validity, "before the operation") {
		t.Errorf("without a day: %+v", row)
	}
	sc.candidate.State.Planned = "2026-10-20"
	if row := requirement(sc, r, state, nil); !row.Again || !row.Expires || !strings.Contains(row.Validity, "22 Sep 2026") {
		t.Errorf("with a day: %+v", row)
	}
}

func TestReasonsHaveDatesAsPeopleWriteThem(t *testing.T) {
	p := protocol.Default()
	for _, c := range []struct {
		reason journey.Reason
		want   string
	}{
		{journey.Reason{Rule: "verification-window", Message: "the verification is made from 2026-12-09 on"}, "The verification is made from 9 Dec 2026 on"},
		{journey.Reason{Rule: "valid", Requirement: "acr", Message: "acr is valid only until 2026-12-09"}, titleOf(p, "acr") + " is valid only until 9 Dec 2026"},
	} {
		if got := reasonWord(p, c.reason); got != c.want {
			t.Errorf("%q, want %q", got, c.want)
		}
	}
}

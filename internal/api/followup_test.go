package api

import (
	"net/http"
	"slices"
	"strings"
	"testing"

	"candidacy/internal/command"
	"candidacy/internal/journey"
	"candidacy/internal/protocol/protocoltest"
	"candidacy/internal/result"
	"candidacy/internal/walk"
)

// TestFollowUp reads a donor whose visit at half a year is over, by a programme
// whose present protocol asks for forms that the donor's own does not.
func TestFollowUp(t *testing.T) {
	site := *fix
	site.deps.Current = protocoltest.FollowUp()
	site.server = serve(site.deps)
	donor := walk.New(71, today.AddDate(0, 0, -walk.OperationDay-260))
	donor.Refer().Screen().Evaluate().Present().Approve().Schedule().Prepare().Operate()
	at := donor.At(walk.OperationDay+180, 0)
	low := command.Result{
		Identifier: result.Identifier{System: "https://lab.walk.example/result", Value: "71-mood"}, Status: result.Final,
		Code: result.Coding{Code: "followup-low-mood"}, Coded: &result.Coding{System: "http://snomed.info/sct", Code: "373066001", Display: "Yes"},
		Effective: at.Format("2006-01-02"),
	}
	donor.Add(at, journey.RecordResults, walk.Nephrologist, journey.Clinician, &command.RecordResults{Results: []command.Result{
		donor.Quantity("2160-0", "1.30", "mg/dL", at), donor.Quantity("9318-7", "6", "mg/g{creat}", at), low,
	}})
	donor.Add(donor.At(walk.OperationDay+200, 0), journey.RecordContact, walk.Coordinator, journey.Coordinator, &command.RecordContact{
		Visit: "month-6", Channel: "call", Outcome: journey.NoAnswer, Note: walk.Secret,
	})
	id, err := walk.NewPlayer(fix.dispatcher).Play(t.Context(), "follow-up", donor.Steps())
	if err != nil {
		t.Fatal(err)
	}

	got := site.must(t, http.StatusOK, call{method: "GET", path: "/api/candidates/" + id + "/follow-up", as: "coordinator"})
	visits := got["visits"].([]any)
	i := slices.IndexFunc(visits, func(v any) bool { return v.(obj)["id"] == "month-6" })
	month := visits[i].(obj)
	if month["late"] != true || month["complete"] != false || len(month["contacts"].([]any)) != 1 {
		t.Errorf("got %v", month)
	}
	complete := map[string]bool{}
	for _, f := range month["forms"].([]any) {
		complete[f.(obj)["set"].(string)] = f.(obj)["complete"].(bool)
	}
	if complete["clinical"] || !complete["laboratory"] {
		t.Errorf("complete: %v", complete)
	}
	kidney := got["kidney"].(obj)
	// 1.30 over 0.70 is 1.857, above 1.6.
	flags := kidney["flags"].([]any)
	i = slices.IndexFunc(flags, func(f any) bool { return f.(obj)["id"] == "after-creatinine-ratio" })
	if f := flags[i].(obj); f["band"] != "needs-discussion" || f["shown"] != "1.86" || f["unit"] != "1" || len(f["inputs"].([]any)) != 2 {
		t.Errorf("got %v", f)
	}
	if kidney["expected"] == nil || len(kidney["before"].([]any)) != 1 || len(kidney["after"].([]any)) != 1 {
		t.Errorf("got %v", kidney)
	}
	// What is flagged after the operation is none of the flags before it.
	if text := encoded(t, site.must(t, http.StatusOK, call{method: "GET", path: "/api/candidates/" + id, as: "clinician"})["flags"]); strings.Contains(text, "after-") {
		t.Errorf("the assessment holds %s", text)
	}

	all := site.must(t, http.StatusOK, call{method: "GET", path: "/api/follow-up", as: "coordinator"})
	if text := encoded(t, all["late"]); !strings.Contains(text, id) || !strings.Contains(text, walk.Family) {
		t.Errorf("late: %s", text)
	}
	shares := 0
	for _, each := range all["completeness"].([]any) {
		m := each.(obj)
		if m["visit"] != "month-6" {
			continue
		}
		shares++
		if want := map[any]float64{"clinical": 0, "laboratory": 100}[m["set"]]; m["closed"] != float64(1) || m["percent"] != want {
			t.Errorf("got %v", m)
		}
	}
	if shares != 2 {
		t.Errorf("%d shares of the visit, want 2", shares)
	}

	// Who needs the facts and not the person gets no name, and nobody the note
	// but the care team.
	for _, path := range []string{"/api/follow-up", "/api/candidates/" + id + "/follow-up"} {
		text := site.do(t, call{method: "GET", path: path, as: "auditor"}).Body.String()
		for _, told := range []string{walk.Family, walk.Given, walk.Recipient, "pemberwhistle"} {
			if strings.Contains(text, told) {
				t.Errorf("%s tells an auditor %q", path, told)
			}
		}
	}
	// The other advocate, and whoever cares for the recipient, learn of nobody.
	if err := fix.store.AddToRecipientTeam(t.Context(), walk.Recipient, "acc-recipient-clinician"); err != nil {
		t.Fatal(err)
	}
	for _, as := range []string{"other-advocate", "recipient-clinician"} {
		if text := site.do(t, call{method: "GET", path: "/api/follow-up", as: as}).Body.String(); strings.Contains(text, id) {
			t.Errorf("%s learns of the donor: %s", as, text)
		}
		if answer := site.do(t, call{method: "GET", path: "/api/candidates/" + id + "/follow-up", as: as}); answer.Code != http.StatusNotFound {
			t.Errorf("%s: got %d", as, answer.Code)
		}
	}
}

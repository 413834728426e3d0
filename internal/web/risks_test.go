package web

import (
	"regexp"
	"testing"

	"candidacy/internal/journey"
)

// testRisks records a risk, corrects it and takes it back through the page.
func testRisks(t *testing.T, w *world, id string) {
	clem := w.as("clem")
	given := []string{
		"outcome", "kidney-failure", "scenario", "after-donation", "percent", "0.90", "low", "0.4", "high", "1.6", "coverage", "95",
		"horizon_years", "15", "model", "Invented projection", "model_version", "2.1", "source", "An invented tool", "on", "2026-10-05",
	}
	with := func(name, value string, more ...string) []string {
		var list []string
		for i := 0; i < len(given); i += 2 {
			if given[i] == name {
				list = append(list, name, value)
			} else {
				list = append(list, given[i], given[i+1])
			}
		}
		return append(list, more...)
	}
	for field, values := range map[string][]string{
		"outcome":       with("outcome", ""),
		"outcome_text":  with("outcome", "other"),
		"scenario-0":    with("scenario", ""),
		"percent":       with("percent", "0,9"),
		"high":          with("percent", "1.7"),
		"low":           with("low", "1e-1"),
		"coverage":      with("coverage", "-95"),
		"horizon_years": with("horizon_years", "15.5"),
		"model":         with("model", ""),
		"on":            with("on", "2026-10-06"),
		"basis-0":       with("model", "M", "basis", "no-result"),
	} {
		a := wantStatus(t, field, clem.form(id, journey.RecordRisk, values...), 422)
		a.has(t, `href="#record-risk-`+field+`"`)
	}
	w.as("clem").get("/candidates/"+id).lacks(t, `id="risks"`)
	page := clem.get("/candidates/" + id)
	basis := regexp.MustCompile(`name="basis" value="([0-9a-f-]{36})"`).FindStringSubmatch(page.body)
	if basis == nil {
		t.Fatal("no result is offered as what a risk stands on")
	}
	wantStatus(t, "a risk", clem.form(id, journey.RecordRisk, with("model", "Invented projection", "basis", basis[1])...), 303)
	page = clem.get("/candidates/" + id)
	page.has(t, `id="risks"`, "Kidney failure, if the candidate donates", "0.90 % (0.4 to 1.6 %, 95 % interval)", "15 years", "Invented projection, version 2.1. An invented tool", "Risk recorded")
	entry := regexp.MustCompile(`option value="([0-9]+)">Entry [0-9]+: Kidney failure`).FindStringSubmatch(page.body)
	if entry == nil {
		t.Fatal("the risk can't be corrected")
	}
	wantStatus(t, "without a reason", clem.form(id, journey.RecordRisk, with("percent", "0.8", "replaces", entry[1])...), 422).has(t, `href="#record-risk-reason"`)
	wantStatus(t, "a correction", clem.form(id, journey.RecordRisk, with("horizon_years", "", "replaces", entry[1], "reason", "Read wrongly.")...), 303)
	wantStatus(t, "the same again", clem.form(id, journey.RecordRisk, with("percent", "0.8", "replaces", entry[1], "reason", "Read wrongly.")...), 409)
	page = clem.get("/candidates/" + id)
	page.has(t, "Lifetime", "Corrects", "Read wrongly.")
	// It is the care team's.
	w.as("audi").get("/candidates/"+id).lacks(t, `id="risks"`, "Invented projection", "0.90 %")
	w.as("adva").get("/candidates/"+id).has(t, `id="risks"`)
	entry = regexp.MustCompile(`option value="([0-9]+)">Entry [0-9]+: Kidney failure`).FindStringSubmatch(page.body)
	wantStatus(t, "taken back", clem.form(id, journey.RecordRisk, with("percent", "0.9", "replaces", entry[1], "entered_in_error", "yes", "reason", "Another person.")...), 303)
	clem.get("/candidates/"+id).lacks(t, `id="risks"`)
}

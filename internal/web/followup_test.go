package web

import (
	"net/url"
	"strings"
	"testing"

	"candidacy/internal/command"
	"candidacy/internal/followup"
	"candidacy/internal/journey"
	"candidacy/internal/protocol"
	"candidacy/internal/protocol/protocoltest"
	"candidacy/internal/walk"
)

// halfYear plays a donor to the results of the visit at half a year.
func halfYear(t *testing.T, w *world) string {
	t.Helper()
	must(t, walk.Employ(t.Context(), w.store))
	donor := walk.New(1, w.clock.now())
	donor.Refer().Screen().Evaluate().Present().Approve().Schedule().Prepare().Operate()
	c := journey.Coordinator
	at := donor.At(walk.OperationDay+7, 2)
	donor.Add(at, journey.RecordVisit, walk.Coordinator, c, &command.RecordVisit{Visit: "week-1", Outcome: journey.Seen})
	donor.Add(at, journey.CompleteRecovery, walk.Coordinator, c, &command.Plain{})
	// The operation is on 18 September 2026, so that six months are 18 March.
	sample := donor.At(walk.OperationDay+181, 0)
	donor.Add(sample, journey.RecordResults, walk.Coordinator, c, &command.RecordResults{Results: []command.Result{
		donor.Quantity("2160-0", "1.00", "mg/dL", sample), donor.Quantity("9318-7", "35", "mg/g{creat}", sample), donor.Pressure(sample, 128, 76),
	}})
	id, err := walk.NewPlayer(w.dispatcher).Play(t.Context(), "donor", donor.Steps())
	must(t, err)
	return id
}

// TestFollowUp takes a donor through half a year on the pages: contacts, forms,
// flags, a window that closes, and the page of the programme.
func TestFollowUp(t *testing.T) {
	w := newWorldOf(t, protocoltest.FollowUp(), nil)
	id := halfYear(t, w)

	w.day("2027-03-20")
	path := "/candidates/" + id
	cora := w.as("cora")
	cora.get(path).has(t, "Call the donor: Six months", "Laboratory form: 2 of 2", "Clinical form: 0 of 2", "Missing:", "In hospital again since the last form",
		"Next contact: Ask the family doctor, for six months, on 17 Apr 2027", "Albumin-to-creatinine ratio after donation", "≥ 30 mg/g", `class="trend"`, "operation on 18 Sep 2026",
		"Expected about a year after the operation")
	post := func(status int, kind journey.Kind, values ...string) answer {
		t.Helper()
		form := url.Values{"key": {newKey()}}
		for i := 0; i < len(values); i += 2 {
			form.Add(values[i], values[i+1])
		}
		got := w.as("cora").post(path+"/"+string(kind), form)
		if got.status != status {
			t.Errorf("%s %v: %d, want %d", kind, values, got.status, status)
		}
		return got
	}
	post(422, journey.RecordContact, "visit", "month-6").has(t, "How", "What came of it")
	post(422, journey.RecordContact, "visit", "month-6", "channel", "call", "outcome", "no-answer", "on", "2027-03-21").has(t, "not after today")
	post(303, journey.RecordContact, "visit", "month-6", "channel", "call", "outcome", "no-answer", "note", "Rang twice.")
	cora.get(path).has(t, "20 Mar 2027: call, no answer", "Rang twice.", "Contact recorded", "Next contact: Ask the family doctor", "Late")
	post(303, journey.RecordContact, "visit", "month-6", "channel", "call", "outcome", "refused")
	page := cora.get(path)
	page.has(t, "refused on 20 Mar 2027, no more contacts for it", "Next contact: Send a reminder, for one year")

	w.day("2027-05-20")
	cora = w.as("cora")
	post(303, journey.RecordVisit, "visit", "month-6", "outcome", "not-reached", "reason_code", "abroad")
	cora.get(path).has(t, "Missed", "Abroad")

	all := cora.get("/follow-up")
	all.has(t, "Completeness", "100 %", "0 %", "reaches", "below", "Not reached, whatever the windows now known bring",
		"1 more complete form by 17 Nov 2027 to reach 80 %", "Zephyrwick", "2 items of the clinical form", "Nobody is lost")
	link := "/follow-up?form=clinical&from=2015-01-01&visit=month-6&who=incomplete"
	if !strings.Contains(all.body, strings.ReplaceAll(link, "&", "&amp;")+"#people") {
		t.Errorf("no number leads to %s", link)
	}
	cora.get(link).has(t, "Six months, clinical form: not complete", "Missing: Alive, In hospital again since the last form", path+"#follow-up")
	cora.get("/follow-up?form=clinical&from=2015-01-01&visit=month-6&who=everybody").lacks(t, "Show everybody again")
	w.as("audi").get(link).lacks(t, "Zephyrwick", "Quillon")
	w.as("adva").get("/follow-up").has(t, "Nobody has donated yet")
	must(t, w.store.AddToRecipientTeam(t.Context(), walk.Recipient, "clem"))
	w.as("clem").get("/follow-up").has(t, "Nobody has donated yet")

	// Another window without contact; the lost rule counts them from the state.
	w.day("2027-11-20")
	post(409, journey.RecordVisit, "visit", "year-1", "outcome", "not-reached").has(t, "name the reason")
	post(303, journey.RecordVisit, "visit", "year-1", "outcome", "not-reached", "reason_code", "no-answer")
	w.as("cora").get(path).lacks(t, "Lost to follow-up")
	w.day("2028-11-20")
	post(303, journey.RecordVisit, "visit", "year-2", "outcome", "not-reached", "reason_code", "moved")
	w.as("cora").get(path).has(t, "Lost to follow-up since: Two years", "Yearly visit, year 3")
	w.as("cora").get("/follow-up").has(t, "Donors without contact")
	post(303, journey.RecordContact, "visit", "yearly-m36", "channel", "call", "outcome", "reached")
	w.as("cora").get(path).lacks(t, "Lost to follow-up")
	post(303, journey.RecordVisit, "visit", "yearly-m36", "outcome", "not-reached", "reason_code", "died", "on", "2028-11-01")
	w.as("cora").get(path).has(t, "Died on 1 Nov 2028")
	for _, told := range []string{"Zephyrwick", "Quillon", "pemberwhistle"} {
		if strings.Contains(w.log.String(), told) {
			t.Errorf("the log tells %q", told)
		}
	}
}

// TestTrend: the picture says what it shows and draws no more than there is.
func TestTrend(t *testing.T) {
	p := protocol.Default()
	if got := trend(p, followup.Kidney{}, "2026-01-15"); got != "" {
		t.Errorf("a picture of nothing: %s", got)
	}
	k := followup.Kidney{
		Before: []followup.Point{{On: "2025-06-01", GFR: 101.2}},
		After:  []followup.Point{{On: "2026-01-18", GFR: 48, Early: true}, {On: "2026-07-15", GFR: 66.4}, {On: "2027-01-15", Err: errNotFound}, {On: "2028-01-15", GFR: 64.1}},
	}
	got := string(trend(p, k, "2026-01-15"))
	for text, n := range map[string]int{"<circle": 4, "trend-early": 1, "trend-limit": 2, "trend-band": 0, "newest 64 on 15 Jan 2028": 1, "before the operation 101": 1, ">Jan 2027</text>": 1} {
		if strings.Count(got, text) != n {
			t.Errorf("%q is there %d times, want %d", text, strings.Count(got, text), n)
		}
	}
}

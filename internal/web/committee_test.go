package web

import (
	"context"
	"net/http"
	"net/url"
	"regexp"
	"strings"
	"testing"

	"candidacy/internal/command"
	"candidacy/internal/journey"
	"candidacy/internal/meeting"
	"candidacy/internal/protocol"
	"candidacy/internal/protocol/protocoltest"
)

var madeFrom = regexp.MustCompile(`name="act" value="([a-z]+)">\s*<input type="hidden" name="seen" value="(\d+)">`)

// sends fills a form of the committee's room in, as it is on the page.
func (b *browser) sends(path, act string, values url.Values) answer {
	b.w.t.Helper()
	page := b.get(path)
	for _, found := range madeFrom.FindAllStringSubmatch(page.body, -1) {
		if found[1] == act {
			values.Set("act", act)
			values.Set("seen", found[2])
			b.w.keys++
			values.Set("key", "room-"+found[2]+act+strings.ReplaceAll(path, "/", ""))
			return b.post(path, values)
		}
	}
	b.w.t.Fatalf("%s has no form %q", path, act)
	return answer{}
}

func (a answer) went(t *testing.T, what string) answer {
	t.Helper()
	if a.status != http.StatusSeeOther {
		t.Errorf("%s: %d\n%s", what, a.status, regexp.MustCompile(`(?s)<div class="errors.*?</div>`).FindString(a.body))
	}
	return a
}

func (a answer) refused(t *testing.T, status int, texts ...string) {
	t.Helper()
	if a.status != status {
		t.Errorf("status %d, want %d", a.status, status)
	}
	a.has(t, texts...)
}

// present brings a candidate before the committee.
func (w *world) present(id string) {
	w.evaluate(id)
	w.bundle(id, "c06-screening")
	w.bundle(id, "c06-evaluation")
	w.sign(id)
	w.review(id)
	w.give("cora", id, journey.PresentToCommittee, &command.Plain{})
}

// sits has everybody there that the quorum needs.
func sits() url.Values {
	return url.Values{
		"who-comm": {"there"}, "who-una": {"there:psychosocial-evaluator"}, "who-clem": {"there:nephrologist"}, "who-cleo": {"there:surgeon"},
		"who-adva": {"there:advocate"}, "who-cora": {"there"},
	}
}

// lettered is the brief protocol with the letters of the default one.
func lettered(t *testing.T) *protocol.Protocol {
	t.Helper()
	source := protocol.Default().Source()
	_, rest, _ := strings.Cut(source, "\nletters:\n")
	letters, _, _ := strings.Cut(rest, "\n# ")
	p, err := protocol.Parse([]byte(protocoltest.Brief().Source() + "\nletters:\n" + letters + "\n"))
	must(t, err)
	return p
}

func TestCommitteeRoom(t *testing.T) {
	w := newWorld(t, nil)
	_, err := w.store.AddAccount(t.Context(), "una", "una", "Una Weatherby", journey.CommitteeRole, password)
	must(t, err)
	id := w.refer("Ottilie", "Fjellgren", "1979-05-02", "female", "WEB-0001", "R-771")
	other := w.refer("Bastian", "Okonedo", "1990-11-12", "male", "WEB-0002", "")
	w.day("2026-09-16")
	w.present(id)
	w.evaluate(other)
	cora, comm, una, clem, cleo, adva := w.as("cora"), w.as("comm"), w.as("una"), w.as("clem"), w.as("cleo"), w.as("adva")

	// The room before there is a meeting.
	cora.get("/committee").has(t, "No meeting is planned", "Fjellgren, Ottilie", "On none", "Okonedo, Bastian", "Plan a meeting")
	clem.get("/committee").lacks(t, "Plan a meeting")
	cora.post("/committee", url.Values{"key": {"p0"}, "on": {"2026-09-31"}, "chair": {"comm"}}).refused(t, 422, "Not a calendar date")
	cora.post("/committee", url.Values{"key": {"p0"}, "on": {"2026-09-18"}, "chair": {"clem"}}).refused(t, 422, "Not an account of the selection committee")
	plan := url.Values{"key": {"p1"}, "on": {"2026-09-18"}, "time": {"13:00"}, "place": {"Room 4"}, "chair": {"comm"}}
	room := strings.TrimSuffix(cora.post("/committee", plan).went(t, "plan").header.Get("Location"), "?done=plan")
	if again := cora.post("/committee", plan).header.Get("Location"); !strings.HasPrefix(again, room) {
		t.Errorf("the same form sent twice plans another meeting: %s", again)
	}
	if list, err := w.store.Meetings(t.Context()); err != nil || len(list) != 1 {
		t.Errorf("%d meetings (%v)", len(list), err)
	}
	item := room + "/candidates/" + id
	cora.get(item).refused(t, 404)
	cora.sends(room, "agenda", url.Values{"order-" + id: {"first"}}).refused(t, 422, "whole number")
	cora.sends(room, "agenda", url.Values{"order-" + id: {"1"}}).went(t, "agenda")
	// Two people set the agenda from the same page.
	comm.post(room, url.Values{"act": {"agenda"}, "seen": {"0"}}).refused(t, 409, "it has changed since it was shown to you")
	lacking := sits()
	lacking.Set("who-cleo", "there:nephrologist")
	comm.sends(room, "attendance", lacking).refused(t, 422, "A seat is taken by two people")
	comm.sends(room, "attendance", sits()).went(t, "attendance")
	comm.get("/committee").has(t, "Meeting on 18 Sep 2026", "Declare whether you have a conflict of interest", "18 Sep 2026, 13:00")

	// What the committee wants to know, and what the candidate says.
	w.give("comm", id, journey.AskQuestion, &command.AskQuestion{Question: "Who looks after the children?"})
	w.give("adva", id, journey.RecordWords, &command.RecordWords{Words: "I have thought about it for a year.", Agreed: true})
	comm.get(item).has(t, "Who looks after the children?", "I have thought about it for a year.", "Open.")
	if got := cora.post("/candidates/"+id+"/answer-question", url.Values{"key": {"a1"}, "question": {"3"}, "answer": {"x"}}); got.status != 422 {
		t.Errorf("an answer to no question: %d", got.status)
	}
	// The coordinator did not record them, and does not read them.
	cora.get(summaryLink(id)).has(t, withheld, "Who looks after the children?")
	cora.get(summaryLink(id)).lacks(t, "I have thought about it")
	cora.get("/candidates/"+id).lacks(t, "I have thought about it")

	// Votes.
	vote := func(b *browser, choice meeting.Choice, reason string) answer {
		return b.sends(item, "vote", url.Values{"choice": {string(choice)}, "text": {reason}})
	}
	declare := func(b *browser, conflict string) answer {
		return b.sends(item, "declare", url.Values{"conflict": {conflict}, "text": {map[string]string{"yes": "A neighbour."}[conflict]}})
	}
	comm.get(item).lacks(t, `value="vote"`)
	una.sends(item, "declare", url.Values{}).refused(t, 422, "This is missing")
	for _, b := range []*browser{comm, una, clem} {
		declare(b, "no").went(t, "declare")
	}
	adva.get(item).lacks(t, `value="vote"`)
	declare(cleo, "yes").went(t, "declare")
	cleo.get(item).has(t, "you neither vote nor count")
	cleo.get(item).lacks(t, `value="vote"`)
	vote(una, meeting.Decline, "").refused(t, 422, "This vote needs its reason")
	vote(una, meeting.Decline, "Too soon after the flu.").went(t, "vote")
	una.post(item, url.Values{"act": {"vote"}, "seen": {"0"}, "choice": {"approve"}}).refused(t, 409, "You have voted already")
	vote(comm, meeting.WithConditions, "Weight first.").went(t, "vote")
	vote(clem, meeting.Approve, "").went(t, "vote")
	cleo.post(item, url.Values{"act": {"vote"}, "seen": {"0"}, "choice": {"approve"}}).refused(t, 409, "You have declared a conflict of interest")
	// Nobody sees how the others voted, whether or not they have voted themselves.
	for _, b := range []*browser{comm, clem, cleo, cora} {
		b.get(item).lacks(t, "Too soon after the flu.")
		b.get(item).has(t, "shown to nobody before the chair has closed the vote")
		b.get(room).lacks(t, "Too soon after the flu.")
		b.get(room+"/minutes").lacks(t, "Too soon after the flu.")
	}
	vote(una, meeting.Approve, "Recovered since.").went(t, "another vote")
	una.get(item).has(t, "You voted before: Decline")

	// No quorum without the surgeon, who has a conflict.
	comm.sends(item, "close", url.Values{}).refused(t, 409, "No quorum: surgeon is not present")
	if _, err := w.try("comm", id, journey.RecordDecision, &command.RecordDecision{
		Outcome: journey.Approve, Side: journey.Left, Seats: w.protocol.Rules().Quorum, Meeting: strings.TrimPrefix(room, "/committee/"), Seen: 1,
	}); err == nil {
		t.Error("a decision from a meeting without a vote that is closed")
	}
	declare(cleo, "no").went(t, "another declaration")
	una.post(item, url.Values{"act": {"close"}, "seen": {"1"}}).refused(t, 403, "The chair of the meeting closes a vote")
	comm.sends(item, "close", url.Values{}).went(t, "close")
	comm.post(item, url.Values{"act": {"close"}, "seen": {"1"}}).refused(t, 409, "The vote is closed already")
	una.post(item, url.Values{"act": {"vote"}, "seen": {"1"}, "choice": {"decline"}, "text": {"x"}}).refused(t, 409, "The vote is closed")
	clem.get(item).has(t, "Recovered since.", "changed 1 time before", "Did not vote", "Weight first.")
	cora.get(item).has(t, "Approve with conditions", withheld)
	cora.get(item).lacks(t, "Weight first.", "Too soon")

	// The decision follows the votes: two plain approvals of three are enough.
	decide := func(values url.Values) answer { return comm.sends(item, "decide", values) }
	decide(url.Values{"outcome": {"decline"}, "reason": {"x"}}).refused(t, 409, "The votes are for another decision")
	decide(url.Values{"outcome": {"approve"}}).refused(t, 422, "Side")
	approve := url.Values{
		"outcome": {"approve"}, "side": {"left"}, "condition-0-text": {"Weigh less than 90 kg."}, "condition-0-before": {"scheduling"},
		"condition-0-due": {"2026-10-20"},
	}
	decide(approve).refused(t, 422, "Condition 1: signed by")
	clem.post(item, url.Values{"act": {"decide"}, "seen": {"1"}}).refused(t, 403, "may not do this")
	approve.Set("condition-0-signer", "clinician")
	decide(approve).went(t, "decide")
	comm.post(item, url.Values{"act": {"decide"}, "seen": {"1"}, "outcome": {"approve"}, "side": {"left"}, "key": {"again"}}).refused(t, 409, "")
	c, err := w.store.Candidate(context.Background(), id)
	must(t, err)
	if c.State.Stage != journey.Approved || len(c.State.Imposed) != 1 {
		t.Fatalf("the candidate is %s with %d conditions", c.State.Stage, len(c.State.Imposed))
	}
	m, err := w.store.Meeting(t.Context(), strings.TrimPrefix(room, "/committee/"))
	must(t, err)
	if i, _ := m.Item(id); i.Decided != journey.Approve || i.Entry != c.State.Decision.Seq {
		t.Errorf("the meeting has %+v", i)
	}
	clem.get("/candidates/"+id).has(t, "Weigh less than 90 kg.", "2 approve, 1 approve with conditions", "Condition is due: Weigh less than 90 kg.")

	// The condition stops the planning until a clinician has signed it.
	w.give("cora", id, journey.RecordConsent, &command.RecordConsent{Requirement: "consent-donation", Side: journey.Left})
	cora.post("/candidates/"+id+"/schedule-operation", url.Values{"key": {"s1"}, "date": {"2026-10-30"}}).refused(t, 409, "Weigh less than 90 kg. is due")
	w.give("clem", id, journey.RecordReview, &command.RecordReview{Requirement: "condition-1", Position: journey.Supports, Findings: "88 kg today."})
	if got := cora.post("/candidates/"+id+"/schedule-operation", url.Values{"key": {"s2"}, "date": {"2026-10-30"}}); strings.Contains(got.body, "Weigh less than 90 kg. is due") {
		t.Error("the planning waits for a condition that is met")
	}

	// Minutes: signed once, frozen, added to.
	una.get(room).lacks(t, "Sign the minutes")
	una.post(room, url.Values{"act": {"sign"}, "seen": {"1"}}).refused(t, 403, "The chair of the meeting signs the minutes")
	comm.post(room, url.Values{"act": {"sign"}, "seen": {"1"}}).refused(t, 409, "has changed since it was shown")
	comm.sends(room, "sign", url.Values{"text": {"The theatre list was discussed."}}).went(t, "sign")
	minutes := comm.get(room + "/minutes")
	minutes.has(t, "The theatre list was discussed.", "Signed by Comfort Vanterpool", "Weigh less than 90 kg (", "Recovered since.", "Una Weatherby, Psychosocial evaluator", "Digest ")
	minutes.lacks(t, "What stands is not what was signed")
	comm.post(room, url.Values{"act": {"attendance"}, "seen": {"3"}}).refused(t, 409, "The minutes are signed")
	cora.sends(room, "amend", url.Values{"text": {"The meeting began at 13:10."}}).went(t, "amend")
	comm.get(room+"/minutes").has(t, "The meeting began at 13:10.", "Signed by Comfort Vanterpool")
	if v, err := w.store.Verify(t.Context()); err != nil || v.MeetingChanges == 0 {
		t.Errorf("%+v, %v", v, err)
	}
	// The trail tells who did what, and neither how they voted nor why.
	audi := w.as("audi")
	trail := audi.get("/audit?show=meetings&candidate=" + short(id))
	trail.has(t, "<div>Agenda set</div>", "<div>Voted</div>", "<div>Vote closed</div>", "<div>Decision recorded</div>", "Meeting on ")
	trail.lacks(t, "<div>Minutes signed</div>", "Recovered since.", choiceWords[meeting.WithConditions], "Fjellgren")
	audi.get("/audit?show=meetings&who=cora").has(t, "<div>Minutes amended</div>")
	audi.get("/audit?show=meetings&until=2026-01-01").has(t, "Nothing was done in a meeting.")
	t.Run("letters", func(t *testing.T) { testLetters(t, w, cora, id, other) })

	// The approval lapses with its time, and with it its conditions; what has become
	// old is open again, and the room says so.
	w.day("2027-04-20")
	w.give("comm", id, journey.AskQuestion, &command.AskQuestion{Question: "Is it still what they want?"})
	c, err = w.store.Candidate(context.Background(), id)
	must(t, err)
	if r, _ := c.State.Find("condition-1"); c.State.Stage != journey.Evaluation || c.State.Decision != nil || r.Status != journey.NotApplicable {
		t.Errorf("after the approval has lapsed the candidate is %s with %+v and a condition %s", c.State.Stage, c.State.Decision, r.Status)
	}
	cora, comm = w.as("cora"), w.as("comm") // their sessions have ended
	comm.get("/committee").has(t, "Nobody is before the committee.", "Fjellgren, Ottilie", "(expired)")
	comm.get(summaryLink(id)).has(t, "Out of date", "Decisions so far", "Approved, left kidney")
	cora.post("/candidates/"+id+"/present-to-committee", url.Values{"key": {"late"}}).refused(t, 409, "is expired")
	cora.get(room).has(t, "Approved")
}

// TestLetters writes to somebody who has withdrawn. The reason of it, and that of a
// decline, is in no text, and a letter is kept as it was sent.
func TestLetters(t *testing.T) {
	w := newWorldOf(t, lettered(t), nil)
	gone := w.refer("Ottilie", "Fjellgren", "1979-05-02", "female", "WEB-0001", "R-771")
	declined := w.refer("Bastian", "Okonedo", "1990-11-12", "male", "WEB-0002", "")
	w.evaluate(gone)
	w.give("adva", gone, journey.Withdraw, &command.Plain{Note: "Afraid of the brother."})
	w.screen(declined)
	w.give("clem", declined, journey.Decline, &command.Reasoned{Reason: "Diabetes."})
	cora, adva := w.as("cora"), w.as("adva")
	for id, says := range map[string][2]string{gone: {"That is your choice", "Afraid"}, declined: {"You will not go on as a donor with us", "Diabetes"}} {
		page := cora.get(lettersLink(id))
		page.has(t, says[0])
		page.lacks(t, says[1])
	}
	path := lettersLink(gone)
	seenNow := func() string { return madeFrom.FindStringSubmatch(adva.get(path).body)[2] }
	form := url.Values{"act": {"letter"}, "for": {"withdrawal"}, "seen": {seenNow()}, "title": {"You have stopped"}, "text": {"Dear Ottilie,\r\n\r\nThank you."}, "channel": {"handed-over"}}
	preview := url.Values{"preview": {"yes"}}
	for name, values := range form {
		preview[name] = values
	}
	preview.Set("text", "Dear Ottilie,\n\nA word of my own.")
	adva.post(path, preview).refused(t, 200, "A word of my own.", "None.")
	form.Set("channel", "")
	adva.post(path, form).refused(t, 422, "This is missing")
	form.Set("channel", "handed-over")
	form.Set("for", "decline")
	adva.post(path, form).refused(t, 409, "stands elsewhere")
	form.Set("for", "withdrawal")
	sent := adva.post(path, form).went(t, "letter").header.Get("Location")
	adva.post(path, form).refused(t, 409, "A letter was kept since")
	adva.get(sent).has(t, "You have stopped", "Thank you.", "Handed over by Adva Rosengren", "WEB-0001")
	cora.get(path).has(t, "You have stopped", "handed over, Adva Rosengren")
	audi := w.as("audi").get("/audit?show=letters&candidate=" + short(gone))
	audi.has(t, "<div>Letter sent</div>", "Adva Rosengren, advocate")
	audi.lacks(t, "You have stopped", "Thank you.", "withdrawal")
	for _, who := range []string{"clem", "comm", "audi", "admi", "edna"} {
		w.as(who).get(sent).refused(t, 403)
	}
	w.as("adil").get(sent).refused(t, 404)
	if v, err := w.store.Verify(t.Context()); err != nil || v.Letters != 1 {
		t.Errorf("%+v, %v", v, err)
	}
}

func testLetters(t *testing.T, w *world, cora *browser, id, other string) {
	letters := "/candidates/" + id + "/letters"
	// The protocol of the tests has none.
	cora.get(letters).has(t, "has no letter for this")
	cora.get("/candidates/"+other+"/letters").has(t, "nothing to tell")
	w.as("clem").get(letters).refused(t, 403)
	w.as("adil").get(letters).refused(t, 404)
	cora.post(letters, url.Values{"for": {"approval"}, "title": {"x"}, "text": {"y"}, "channel": {"post"}}).refused(t, 409, "stands elsewhere")
}

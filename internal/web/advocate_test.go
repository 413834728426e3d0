package web

import (
	"context"
	"encoding/json"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"candidacy/internal/command"
	"candidacy/internal/journey"
	"candidacy/internal/protocol"
	"candidacy/internal/protocol/protocoltest"
	"candidacy/internal/record"
)

func anAdvocate() *viewer {
	return &viewer{Account: record.Account{ID: "adva", Name: "Adva", Role: journey.Advocate}}
}

func advocateModels(p *protocol.Protocol) []any {
	sc := scene{protocol: p, viewer: anAdvocate(), candidate: record.Candidate{ID: "c"}, today: "2026-07-20"}
	pause := pauseForm(sc, "pause-c")
	full := standingBy{
		Contact: "c", Long: true, Done: 1, All: 2, Untold: 3, Disclosures: 4, Asked: 1, Told: []toldSign{{"t", bandMark(journey.Excludes, true)}}, Stop: "1 Mar 2026",
		Positions: []positionModel{{}, {Title: "t", Given: "g", By: "b", Link: "/", Needed: true, Late: true}},
	}
	return []any{advocateModel{}, advocateModel{
		Sentence: "s", Before: &pageLink{"/", 1}, After: &pageLink{"/", 3}, Operated: []advocateRow{{Name: "n", Link: "/", Stage: journey.Recovery}},
		Rows: []advocateRow{{}, {Name: "n", Identifier: "i", Home: "/", Link: "/", Stage: journey.Evaluation, Days: "d", standingBy: full, What: "w", To: "/", Pause: &pause}, {Closed: "c"}},
	}}
}

func roomModels(p *protocol.Protocol) []any {
	sc := scene{protocol: p, viewer: anAdvocate(), candidate: record.Candidate{ID: "c"}, today: "2026-07-20"}
	pause, note := pauseForm(sc, "pause"), ownNoteForm(sc, nil)
	pause.fill(url.Values{}, []problem{{Text: "Wrong.", Field: "cause"}})
	pause.Open = true
	tick := form{ID: "tick", Action: "/", Fields: dutiesAction.Fields(sc)}
	row := advocateModels(p)[1].(advocateModel).Rows[1]
	return []any{&roomModel{}, &roomModel{
		Name: "n", Number: "i", Home: "/", Link: "/", Stage: journey.Evaluation, Days: "d", standingBy: row.standingBy, What: "w", To: "/", Pause: &pause, Closed: "c",
		Words: "w", Settle: "/", Duties: []dutyModel{{}, {Title: "t", Done: "d", Source: "s", Over: true}}, Tick: &tick, Back: &tick,
		Disclosed: []disclosureModel{{}, {Title: "t", Told: "w", Source: "s", Back: true}}, Questions: []questionModel{{Open: true}, {Text: "q", Asked: "a", Answers: []answerShown{{"t", "b"}}}},
		Summary: "/", Notes: "n", NotesAt: "/", Note: &note, Withdraw: "/", Statement: "/",
	}}
}

func ownNotesModels(p *protocol.Protocol) []any {
	sc := scene{protocol: p, viewer: anAdvocate(), candidate: record.Candidate{ID: "c"}, today: "2026-07-20"}
	note := ownNoteForm(sc, []record.AdvocateNote{{Seq: 1, Author: "adva"}})
	return []any{&ownNotesModel{}, &ownNotesModel{
		Name: "n", Room: "/", Rows: []ownNote{{}, {ID: "i", When: "w", Contact: "c", Who: "w", Text: "t", Corrects: "i", Corrected: "i"}}, Write: &note, Handed: "h", Over: &note, Keyless: true,
	}}
}

func witnessModels() []any {
	return []any{&witnessModel{}, &witnessModel{Name: "n", Room: "/", Plain: "/", Statement: "s", Form: &form{ID: "withdrawal", Action: "/", Button: "b"}}}
}

// dutyProtocol is the brief protocol with two duties of the advocate and three
// disclosures.
func dutyProtocol(t *testing.T) *protocol.Protocol {
	t.Helper()
	source := string(protocoltest.Brief().Source())
	const lists = `disclosures:
  - {id: told-free, title: Donation is a free choice, requirement: consent-evaluation, source: test}
  - {id: told-risk, title: Risks of the operation, requirement: consent-evaluation, source: test}
advocate_duties:
  - {id: duty-explain, title: Explained what donation means, requirement: advocate-review-final, source: test}
  - {id: duty-free, title: Looked whether the decision is free, requirement: advocate-review-final, source: test}
`
	at := strings.Index(source, "\nflags:")
	if at < 0 {
		t.Fatal("the protocol has no flags")
	}
	p, err := protocol.Parse([]byte(source[:at+1] + lists + source[at+1:]))
	must(t, err)
	return p
}

var formKey = regexp.MustCompile(`name="key" value="([^"]+)"`)

// formKeyOf is the key of the form with the id.
func formKeyOf(t *testing.T, page answer, id string) string {
	t.Helper()
	_, rest, ok := strings.Cut(page.body, `id="`+id+`"`)
	key := formKey.FindStringSubmatch(rest)
	if !ok || key == nil {
		t.Fatalf("the page has no form %s", id)
	}
	return key[1]
}

// TestAdvocatesRoom goes through the room: duties at their time, notes, a pause, and a
// withdrawal before a witness.
func TestAdvocatesRoom(t *testing.T) {
	w := newWorldOf(t, dutyProtocol(t), nil)
	id := w.refer("Ottilie", "Fjellgren", "1979-05-02", "female", "WEB-0001", "R-771")
	other := w.refer("Bastian", "Okonedo", "1990-11-12", "male", "WEB-0002", "")
	w.screen(id)
	w.give("cora", id, journey.AssignAdvocate, &command.AssignAdvocate{Advocate: "adva"})
	room := roomLink(id)
	adva, adil := w.as("adva"), w.as("adil")

	t.Run("only their own", func(t *testing.T) {
		list := adva.get("/advocate")
		list.has(t, "Fjellgren", "1 candidate before the operation stands with you", "None on record", "<strong>0</strong> of 2 done", "2 of 2 disclosures", "Get in touch, and note it", "none yet")
		list.lacks(t, "Okonedo", other)
		adil.get("/advocate").has(t, "No candidate is assigned to you")
		for _, path := range []string{room, room + "/notes", room + "/withdrawal"} {
			if got := adil.get(path); got.status != http.StatusNotFound {
				t.Errorf("another advocate at %s: %d", path, got.status)
			}
			if got := adil.post(path, url.Values{"do": {doNote}, "text": {"x"}, "key": {"k"}}); got.status != http.StatusNotFound {
				t.Errorf("another advocate sends to %s: %d", path, got.status)
			}
			if got := adva.get(strings.Replace(path, id, other, 1)); got.status != http.StatusNotFound {
				t.Errorf("of somebody else's candidate at %s: %d", path, got.status)
			}
		}
		adva.get("/today").has(t, `href="/advocate">How your candidates stand`)
		adva.get("/candidates/"+id).has(t, `href="`+room+`">Advocate&#39;s room`)
		w.as("cora").get("/candidates/"+id).lacks(t, room)
	})

	t.Run("duties", func(t *testing.T) {
		page := adva.get(room)
		page.has(t, "Explained what donation means", "<strong>Open</strong>", "Donation is a free choice", "No position yet")
		tick := url.Values{"do": {doDuties}, "key": {formKeyOf(t, page, "tick")}, "duties": {"duty-explain"}, "on": {"2026-07-19"}}
		for range 2 { // sent twice, done once
			if got := adva.post(room, tick); got.header.Get("Location") != room+"?done=duties" {
				t.Fatalf("ticked: %d %s", got.status, got.body)
			}
		}
		adva.get(room+"?done=duties").has(t, "The duties are recorded.", "19 Jul 2026, Adva Rosengren", "1 of 2 done")
		if n := len(candidateState(t, w, id).Duties); n != 1 {
			t.Errorf("%d duties are done", n)
		}
		for name, wrong := range map[string]url.Values{
			"nothing chosen":      {"do": {doDuties}, "on": {"2026-07-19"}},
			"a day ahead":         {"do": {doDuties}, "duties": {"duty-free"}, "on": {"2026-07-21"}},
			"no reason":           {"do": {doTakeBack}, "duties": {"duty-explain"}},
			"nothing to be done":  {"do": {"dance"}},
			"what there is not":   {"do": {doDuties}, "duties": {"told-free"}},
			"a pause for nothing": {"do": {doPause}},
		} {
			wrong.Set("key", "wrong "+name)
			if got := adva.post(room, wrong); got.status != http.StatusUnprocessableEntity {
				t.Errorf("%s: %d", name, got.status)
			}
		}
		adva.post(room, url.Values{"do": {doTakeBack}, "key": {"back"}, "duties": {"duty-explain"}, "reason": {"It was another candidate."}})
		adva.get(room).has(t, "0 of 2 done")
		w.as("cora").get("/candidates/"+id).lacks(t, "It was another candidate.")
		w.as("cora").get("/candidates/"+id).has(t, "Duties of the advocate")
		if got := adva.post("/candidates/"+id+"/confirm-duties", url.Values{"key": {"page"}, "duties": {"duty-explain", "duty-free"}, "on": {"2026-07-20"}}); got.status != http.StatusSeeOther {
			t.Errorf("ticked on the candidate's page: %d", got.status)
		}
		w.give("cora", id, journey.RecordConsent, &command.RecordConsent{Requirement: "consent-evaluation", Disclosures: []string{"told-free", "told-risk"}, TeachBack: []string{"told-risk"}})
		w.give("cora", id, journey.BeginEvaluation, &command.Plain{})
		page = adva.get(room)
		page.has(t, "All 2 told", "20 Jul 2026, Cora Lindqvist", "Told back", "2 of 2 done", "Give your position")
		// The review counts what was ticked, and shows it.
		adva.get("/candidates/"+id).has(t, "Explained what donation means (done 20 Jul 2026)", `value="duty-free" checked`)
		w.give("adva", id, journey.RecordReview, &command.RecordReview{Requirement: "advocate-review-final", Position: journey.Supports})
		adva.get("/advocate").has(t, "Supports, 20 Jul 2026")
	})

	t.Run("a pause with a private reason", func(t *testing.T) {
		page := adva.get("/advocate")
		key := formKeyOf(t, page, "pause-"+short(id))
		pause := url.Values{"do": {doPause}, "key": {key}, "cause": {"pressure"}, "private": {"His aunt waits in the corridor."}}
		for range 2 {
			if got := adva.post(room, pause); got.header.Get("Location") != room+"?done=pause" {
				t.Fatalf("paused: %d %s", got.status, got.body)
			}
		}
		if got := candidateState(t, w, id).Stage; got != journey.OnHold {
			t.Errorf("the stage is %s", got)
		}
		adva.get(room).has(t, "Paused since 20 Jul 2026", "1 note, the last of")
		adva.get(room+"/notes").has(t, "Why I paused: His aunt waits in the corridor.")
		w.as("clem").get("/candidates/"+id).has(t, "Pressure from somebody")
		for _, who := range []string{"cora", "audi"} {
			w.as(who).get("/candidates/"+id).lacks(t, "Pressure from somebody", "aunt")
		}
		// A second pause is refused, and says why.
		if got := adva.post(room, url.Values{"do": {doPause}, "key": {"again"}, "cause": {"other"}}); got.status != http.StatusConflict {
			t.Errorf("paused twice: %d", got.status)
		}
		w.give("cora", id, journey.Resume, &command.Plain{})
	})

	t.Run("a witness", func(t *testing.T) { testWitness(t, w, id) })
	v, err := w.store.Verify(context.Background())
	must(t, err)
	if v.Entries == 0 {
		t.Error("nothing was verified")
	}
}

// testWitness withdraws before a witness, after everything that can't be one.
func testWitness(t *testing.T, w *world, id string) {
	ctx := context.Background()
	adva := w.as("adva")
	path := roomLink(id) + "/withdrawal"
	secret, codes := enrol(t, w, w.as("clem"))
	must(t, w.store.AddToRecipientTeam(ctx, "R-771", "cleo"))
	_, err := w.store.AddAccount(ctx, "newa", "newa", "Newa Halvorsen", journey.Clinician, password)
	must(t, err)
	must(t, w.store.SetFirstPassword(ctx, "newa", password))
	form := func(who, pass, code string) url.Values {
		return url.Values{"key": {"withdrawal-1"}, "said": {"yes"}, "note": {"Wants to be there for her children."}, "witness": {who}, "password": {pass}, "code": {code}}
	}
	for _, tt := range []struct {
		name   string
		form   url.Values
		status int
		says   string
	}{
		{"nothing", url.Values{"key": {"k"}}, 422, "Tick this once"},
		{"not said", url.Values{"key": {"k"}, "witness": {"cora"}, "password": {password}}, 422, "Tick this once"},
		{"a wrong password", form("cora", "wrong", ""), 403, "password of the witness is wrong"},
		{"nobody", form("nobody", password, ""), 403, "password of the witness is wrong"},
		{"the advocate", form("adva", password, ""), 422, "another person than you"},
		{"an auditor", form("audi", password, ""), 422, "can&#39;t be the witness"},
		{"the committee", form("comm", password, ""), 422, "can&#39;t be the witness"},
		{"an administrator", form("admi", password, ""), 422, "can&#39;t be the witness"},
		{"the recipient's team", form("cleo", password, ""), 422, "can&#39;t be the witness"},
		{"a first password", form("newa", password, ""), 422, "sign in by themselves once"},
		{"no code", form("clem", password, ""), 422, "has a second factor"},
		{"a wrong code", form("clem", password, "000000"), 403, "The code is wrong"},
	} {
		got := adva.post(path, tt.form)
		if got.status != tt.status || !strings.Contains(got.body, tt.says) {
			t.Errorf("%s: %d, %s", tt.name, got.status, got.body)
		}
		if strings.Contains(got.body, password) {
			t.Errorf("%s: the page shows a password", tt.name)
		}
	}
	if got := candidateState(t, w, id).Stage; got != journey.Evaluation {
		t.Fatalf("the stage is %s", got)
	}
	// Nobody's word is taken for a witness on the other pages.
	if got := adva.post(path, form("clem", password, codes[0])); got.header.Get("Location") != roomLink(id)+"?done="+ended {
		t.Fatalf("withdrawn: %d %s", got.status, got.body)
	}
	if got := candidateState(t, w, id).Stage; got != journey.Withdrawn {
		t.Errorf("the stage is %s", got)
	}
	_ = secret
	if f, err := w.store.SecondFactor(ctx, "clem"); err != nil || f.Codes != len(codes)-1 {
		t.Errorf("%d codes are left: %v", f.Codes, err)
	}
	for _, who := range []string{"cora", "adva"} {
		w.as(who).get("/candidates/"+id).has(t, "Clement Oduya", "Wants to be there for her children.", "Witness")
	}
	for _, who := range []string{"comm", "audi"} {
		w.as(who).get("/candidates/"+id).lacks(t, "Wants to be there for her children.", "Witness</dt><dd>Clement Oduya")
	}
	adva.get(roomLink(id)).has(t, "The journey has ended", "The statement for outsiders")
	adva.get("/candidates/"+id+"/statement").has(t, "This person will not be going forward as a donor. We do not share reasons.", "Ottilie Fjellgren")
	adva.get(path).has(t, "nobody can withdraw here")
	if got := adva.post(path, form("cora", password, "")); got.status != http.StatusConflict {
		t.Errorf("withdrawn twice: %d", got.status)
	}
}

// TestStatementTellsNothing: the statement is the same letter for letter after a
// withdrawal, a decline and a death, to whoever may print it.
func TestStatementTellsNothing(t *testing.T) {
	w := newWorld(t, nil)
	var pages []string
	for i, end := range []func(string){
		func(id string) { w.give("adva", id, journey.Withdraw, &command.Withdrawal{Note: "x"}) },
		func(id string) { w.give("cora", id, journey.Decline, &command.Reasoned{Reason: "x"}) },
		func(id string) { w.give("cora", id, journey.RecordDeath, &command.RecordDeath{DiedOn: "2026-07-19"}) },
	} {
		id := w.refer("Ottilie", "Fjellgren", "1979-05-02", "female", "WEB-000"+string(rune('1'+i)), "")
		w.screen(id)
		w.give("cora", id, journey.AssignAdvocate, &command.AssignAdvocate{Advocate: "adva"})
		w.as("adva").get("/candidates/"+id+"/statement").has(t, "nothing to state to outsiders")
		end(id)
		w.clock.add(1e9)
		for _, who := range []string{"cora", "clem", "adva"} {
			got := w.as(who).get("/candidates/" + id + "/statement")
			got.has(t, w.protocol.Statement, "Ottilie Fjellgren")
			_, rest, _ := strings.Cut(got.body, `<main`)
			pages = append(pages, strings.ReplaceAll(rest, id, "ID"))
			w.as(who).get("/candidates/"+id).has(t, "/candidates/"+id+"/statement")
		}
	}
	if len(pages) != 9 {
		t.Errorf("%d pages", len(pages))
	}
	for _, p := range pages[1:] {
		if p != pages[0] {
			t.Errorf("the statement differs:\n%s\n%s", pages[0], p)
		}
	}
}

// TestOwnNotesStayOwn writes a note with a word that is nowhere else, and looks for it
// wherever anybody else could read.
func TestOwnNotesStayOwn(t *testing.T) {
	const marker, second = "Zwetschgenkompott", "Quittengelee"
	w := newWorld(t, nil)
	ctx := context.Background()
	id := w.refer("Ottilie", "Fjellgren", "1979-05-02", "female", "WEB-0001", "R-771")
	w.evaluate(id)
	notes := roomLink(id) + "/notes"
	adva := w.as("adva")
	write := func(b *browser, key, text string, more ...string) answer {
		form := url.Values{"do": {doNote}, "key": {key}, "contact": {"met"}, "on": {"2026-07-18"}, "text": {text}}
		for i := 0; i < len(more); i += 2 {
			form.Set(more[i], more[i+1])
		}
		return b.post(notes, form)
	}
	for name, tt := range map[string][]string{
		"text": {"text", " "}, "too long": {"text", strings.Repeat("x", longestNote+1)}, "a day ahead": {"on", "2026-07-21"}, "a kind": {"contact", "dance"},
		"another's note": {"corrects", "7"}, "no key": {"key", ""},
	} {
		if got := write(adva, "wrong", "x", tt...); got.status != http.StatusUnprocessableEntity {
			t.Errorf("%s: %d", name, got.status)
		}
	}
	for range 2 {
		if got := write(adva, "first", marker); got.header.Get("Location") != roomLink(id)+"?done=note" {
			t.Fatalf("written: %d", got.status)
		}
	}
	write(adva, "second", second, "corrects", "1", "contact", "", "on", "")
	page := adva.get(notes)
	page.has(t, marker, second, "Met in person, 18 Jul 2026", "Corrected by", "Nobody else reads it")
	if strings.Count(page.body, marker) != 1 {
		t.Error("a note that was sent twice is there twice")
	}
	adva.get("/advocate").has(t, "18 Jul 2026, 2 days ago")
	// The room counts the notes, and does not show them.
	adva.get(roomLink(id)).has(t, "2 notes, the last of")

	search := func(t *testing.T) {
		t.Helper()
		for _, who := range []string{"cora", "clem", "cleo", "comm", "audi", "admi", "edna", "adil", ""} {
			b := w.browser()
			if who != "" {
				b = w.as(who)
			}
			for _, r := range (&server{}).routes() {
				if r.method != http.MethodGet || r.path == pathAsset {
					continue
				}
				path := strings.NewReplacer(":id", id, ":kind", "hold", ":check", "confirm-verification", ":requirement", "surgery-review", ":secret", "no-secret", ":message", "m-none",
					":part", "0", ":document", "0", ":meeting", "m-none", ":letter", "1", ":page", "why").Replace(r.path)
				for _, query := range []string{"", "?show=looks&verify=yes", "?show=ended"} {
					if got := b.get(path + query); strings.Contains(got.body, marker) || strings.Contains(got.body, second) {
						t.Errorf("%q reads a note at %s", who, path+query)
					}
				}
			}
			if got := write(b, "stolen "+who, "x"); got.status == http.StatusSeeOther && who != "" {
				t.Errorf("%s writes a note: %d", who, got.status)
			}
		}
	}
	t.Run("everybody else", search)

	t.Run("in an emergency", func(t *testing.T) {
		adil := w.as("adil")
		open := url.Values{"number": {"WEB-0001"}, "born": {"1979-05-02"}, "reason": {"Calls from the ward at night, the advocate is abroad."}}
		if got := adil.post("/emergency", open); got.status != http.StatusSeeOther {
			t.Fatalf("opened: %d", got.status)
		}
		if got := w.as("cora").post("/emergency", open); got.status != http.StatusSeeOther {
			t.Fatalf("opened: %d", got.status)
		}
		adil.get("/candidates/"+id).has(t, "Fjellgren")
		search(t)
		for _, path := range []string{roomLink(id), notes, roomLink(id) + "/withdrawal"} {
			if got := adil.get(path); got.status != http.StatusNotFound {
				t.Errorf("%s: %d", path, got.status)
			}
		}
	})

	t.Run("at rest and in the logs", func(t *testing.T) {
		file := filepath.Join(t.TempDir(), "copy.db")
		must(t, w.store.Snapshot(ctx, file))
		raw, err := os.ReadFile(file)
		must(t, err)
		for _, word := range []string{marker, second} {
			if strings.Contains(string(raw), word) {
				t.Errorf("the database holds %s", word)
			}
			if strings.Contains(w.log.String(), word) {
				t.Errorf("the log holds %s", word)
			}
		}
		if !strings.Contains(string(raw), "Fjellgren") {
			t.Error("the copy is empty")
		}
		entries, err := w.store.Entries(ctx, id)
		must(t, err)
		for _, e := range entries {
			if strings.Contains(string(e.Body)+string(e.Event), marker) {
				t.Errorf("entry %d holds the note", e.Seq)
			}
		}
	})

	t.Run("who read and who wrote is on record", func(t *testing.T) {
		for interaction, actors := range map[string]int{record.AccessNotesRead: 1, record.AccessNoteWritten: 3} {
			rows, err := w.store.Accesses(ctx, record.AccessQuery{Interactions: []string{interaction}, Limit: 100})
			must(t, err)
			if len(rows) < actors {
				t.Errorf("%s: %d rows", interaction, len(rows))
			}
			for _, row := range rows {
				if row.Actor != "adva" || row.ID != id || !slices.Contains(row.Candidates, id) {
					t.Errorf("%s: %+v", interaction, row)
				}
			}
		}
		w.as("audi").get("/audit?show=looks").has(t, "Read an advocate&#39;s own notes", "Wrote an advocate&#39;s own note")
	})

	t.Run("a successor", func(t *testing.T) {
		adil := w.as("adil")
		assign := func(to string) {
			w.give("cora", id, journey.AssignAdvocate, &command.AssignAdvocate{Advocate: to, Reason: "Leave."})
		}
		assign("adil")
		adil.get(notes).has(t, "None yet")
		if got := adva.get(notes); got.status != http.StatusNotFound {
			t.Errorf("the former advocate: %d", got.status)
		}
		assign("adva")
		hand := url.Values{"do": {doHandOver}, "key": {"h"}, "successor": {"adil"}}
		adva.post(notes, hand).has(t, "Ask the candidate first")
		hand.Set("successor", "cora")
		adva.post(notes, hand).has(t, "Choose one of the list")
		hand.Set("successor", "adil")
		hand.Set("agreed", "yes")
		if got := adva.post(notes, hand); got.status != http.StatusSeeOther {
			t.Fatalf("handed over: %d", got.status)
		}
		adva.get(notes).has(t, "Handed over to Adil Brandt", "up to note 2")
		assign("adil")
		adil.get(notes).has(t, marker, second, "written", "by Adva Rosengren, who handed it over to you")
		adil.get(roomLink(id)).has(t, "2 notes")
		// A successor who looks after the recipient reads nothing.
		must(t, w.store.AddToRecipientTeam(ctx, "R-771", "adil"))
		if got := w.as("adil").get(notes); got.status != http.StatusNotFound {
			t.Errorf("of the recipient's team: %d", got.status)
		}
	})
}

// TestDutiesWithAReview: what was confirmed with a review counts while the review stands,
// and for nobody but the advocate who gave it.
func TestDutiesWithAReview(t *testing.T) {
	p := dutyProtocol(t)
	body, err := json.Marshal(command.RecordReview{Requirement: "advocate-review-final", Position: journey.Supports, Duties: []string{"duty-explain", "duty-free"}})
	must(t, err)
	at := journey.Date("2026-07-01").Start(p.Zone())
	sc := scene{protocol: p, viewer: anAdvocate(), today: "2026-07-20", entries: []record.Entry{{Kind: journey.RecordReview, Actor: "adva", OccurredAt: at, Body: body}}}
	sc.candidate.State = journey.State{Advocate: "adva", Requirements: []journey.Requirement{{
		ID: "advocate-review-final", Status: journey.Met, SignedBy: "adva", SignedOn: "2026-07-01", ValidUntil: "2026-09-01", Position: journey.Supports,
	}}}
	if done := dutiesDone(sc); len(done) != 2 || done["duty-free"].On != "2026-07-01" || done["duty-free"].over {
		t.Errorf("done with the review: %+v", done)
	}
	sc.candidate.State.Duties = []journey.Duty{{ID: "duty-free", By: "adva", On: "2026-07-10"}}
	if done := dutiesDone(sc); done["duty-free"].On != "2026-07-10" {
		t.Errorf("ticked after it: %+v", done)
	}
	sc.today = "2026-09-02"
	if done := dutiesDone(sc); !done["duty-explain"].over {
		t.Errorf("after the review has expired: %+v", done)
	}
	sc.candidate.State.Advocate = "adil"
	sc.candidate.State.Duties = nil
	sc.viewer.ID = "adil"
	if done := dutiesDone(sc); len(done) != 0 {
		t.Errorf("another advocate has done %+v", done)
	}
}

package web

import (
	"bytes"
	"errors"
	"flag"
	"fmt"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/labstack/echo/v4"

	"candidacy/activities"
	"candidacy/internal/command"
	"candidacy/internal/journey"
	"candidacy/internal/protocol"
	"candidacy/internal/protocol/protocoltest"
	"candidacy/internal/record"
	"candidacy/internal/recovery"
	"candidacy/internal/smart"
)

var update = flag.Bool("update", false, "write the golden files")

func actionBody(t *testing.T, kind journey.Kind, values url.Values) command.Body {
	t.Helper()
	body, problems := actionOf(kind).Body(scene{protocol: protocoltest.Brief()}, values, "key")
	if len(problems) > 0 {
		t.Fatal(problems)
	}
	return body
}

func fullSummary(forms []form) summaryModel {
	return summaryModel{
		Number: "n", Facts: []fact{{"a", "b"}}, Values: []valueModel{{}}, Flags: []flagModel{{Number: "n"}, {Flag: protocol.Flag{Reason: "r", Date: "2026-07-20", Near: true}}}, Reviews: []reviewModel{{}, {Findings: "f", Sign: "s", Before: "b"}}, Plain: []reviewModel{{Title: "t", Sign: "s"}, {}},
		Conflicts: []conflictModel{{"k", "t"}}, Questions: []questionModel{{Open: true}, {Answers: []answerShown{{"t", "b"}}}}, Words: "w", Open: []string{"a", "b"}, Expiring: []string{"a", "b"}, Waived: []string{"a", "b"},
		Risks: []riskModel{{}}, Decisions: []decisionModel{{Votes: "v", Conditions: []string{"c"}, Reason: "r"}}, Forms: forms[:1],
	}
}

// TestTemplates executes every template with an empty and a filled model.
func TestTemplates(t *testing.T) {
	a, err := loadAssets()
	must(t, err)
	all, err := loadPages(a)
	must(t, err)
	p := protocoltest.Brief()
	v := &viewer{Account: record.Account{ID: "cora", Name: "Cora", Role: journey.Coordinator}, now: time.Date(2026, 7, 20, 7, 0, 0, 0, time.UTC)}
	account := v.Account
	c := record.Candidate{ID: "c", State: journey.Begin(p.Rules(), journey.Event{Command: journey.Command{Candidate: "c", Today: "2026-07-20"}})}
	var forms []form
	for _, kind := range onPage() {
		for _, code := range []string{"", "2160-0", "882-1", "85354-9"} {
			f := makeForm(scene{protocol: p, viewer: v, candidate: c, today: "2026-07-20", code: code}, kind)
			f.fill(url.Values{"reason": {"x"}}, []problem{{Text: "Wrong.", Field: "reason"}, {Text: "Wrong.", Field: "outcome"}, {Text: "Wrong.", Field: "contact_consent"}})
			forms = append(forms, f)
		}
	}
	plan := &recoveryModel{Picture: "<svg></svg>", Stay: []fact{{"a", "b"}}, Late: []string{"x"}, Now: []lineModel{{Title: "t"}}, Plan: "/", Topics: []topicModel{{"T", []lineModel{{When: "w", Title: "t", For: "f", Review: "r", Source: "s", State: lineMark(recovery.Line{State: recovery.Now})}}}}}
	models := map[string][]any{
		"recovery-plan":      {planModel{Recovery: &recoveryModel{}}, planModel{Name: "n", Identifier: "i", Home: "/", Recovery: plan, Contacts: protocol.Default().Contacts}},
		"donor-link":         {linkModel{}, linkModel{Name: "n", Home: "/", Link: "https://site.example/my/x", Until: "1 Mar 2028"}},
		"my":                 myModels(),
		"sign-in":            {signInModel{}, signInModel{Provider: "p", ProviderLink: "/", Username: "u", Next: "/", SignIns: []SignIn{{"u", journey.Auditor, "p"}}}},
		"questionnaire-link": {linkModel{}, linkModel{Name: "n", Home: "/", Link: "https://site.example/questions/x", Until: "1 Mar 2028"}},
		"questions":          questionPages(),
		"plasma":             plasmaModels(), "ambulatory": ambulatoryModels(), "review": reviewModels(),
		"advocate": advocateModels(p), "room": roomModels(p), "own-notes": ownNotesModels(p), "witness": witnessModels(), "statement": {statementModel{}, statementModel{Name: "n", Programme: "p", Home: "/", When: "w", Paragraphs: []string{"p"}}},
		"visits": visitsModels(), "day-plan": {dayPlanModel{}, dayPlanModel{Name: "n", Home: "/", Day: "d", Visits: someBooked(), Contacts: p.Contacts}},
		"all-visits": {allVisitsModel{}, allVisitsModel{Overdue: someComing(), Days: []comingDay{{"d", "/", someComing()}}, Before: "/", After: "/"}, allVisitsModel{Day: "d"}},
		"error":      {errorPage{}, errorPage{Status: 500, Message: "m", Request: "r"}},
		"referral":   {referralModel{}, referralModel{Form: referralForm("urn:oid:1"), Alike: someAlike()}},
		"evaluation": {evaluationModel{}, evaluationModel{
			Name: "n", Home: "/", Date: "d", Protocol: "p", Digest: "d", Stage: journey.Evaluation, Facts: []fact{{"a", "b"}}, Decision: []fact{{"a", "b"}},
			Flags: []flagModel{{Number: "1", Rule: "r"}}, Calm: []flagModel{{}}, Derived: []valueModel{{Title: "t", Inputs: []inputModel{{"a", "b", "c"}, {}}}}, Results: []valueModel{{}},
			Gates: gates(scene{protocol: p, viewer: v, candidate: c, today: "2026-07-20"}, nil, nil), Medicines: &medicinesModel{Current: []medicineModel{{"n", "d", "s"}}},
		}},
		"today": {todayModel{}, todayModel{
			Sentence: "s", Date: "d", Found: 60, From: 1, To: 50, Before: &pageLink{"/", 1}, After: &pageLink{"/", 3},
			Groups: []taskGroup{{"t", []taskRow{{}, {Name: "n", Identifier: "i", Home: "/", What: "w", Why: "w", Lost: "l", Link: "/", When: "w", Left: "l", Late: true}}}},
		}},
		"board": {boardModel{}, boardModel{
			Emergencies: []emergencyRow{{Link: "/"}},
			Bands:       []option{{"", "Any"}}, Advocates: []option{{"a", "b"}}, Orders: []option{{"", "o"}}, Columns: []boardColumn{{"t", "/", "ascending"}, {"t", "/", "descending"}, {}}, Order: "o",
			Views:  viewsModel{Saved: []viewLink{{ID: "i", Name: "n", Link: "/", Current: true, Mine: true}}, Kept: []fact{{"a", "b"}}, MaySave: true, Error: "e"},
			Filter: boardFilter{Stage: journey.Committee, Text: "t", Show: showStuck}, Stages: []stageCount{{journey.Committee, 1, 2, "/", true}},
			Shows: []showCount{{"t", "h", 1, "/", true}}, Options: showWords, Found: 1, From: 1, To: 1, Before: &pageLink{"/", 1}, After: &pageLink{"/", 3}, Names: true, MayNew: true,
			Rows: []boardRow{{Clocks: []clockModel{{Text: "c"}}, Link: "/", Name: "n", Needs: []need{{journey.Hold, "x"}}, Outstanding: []string{"a", "b"}, Count: 3, More: 1, Stuck: []string{"s"}, Next: "n", Planned: "p", Expiring: []string{"e", "f"}}},
		}},
		"notices": {noticesModel{}, noticesModel{
			People: true, Failed: true, MayChange: true,
			Lists: []noticeList{{Title: "t", Hint: "h", Full: true, Rows: []noticeModel{{Link: "/", Name: "n", To: "t", Occasion: "o", Subject: "s", When: "w", Problem: "p"}, {}}}, {Empty: "e"}},
		}},
		"incoming": {incomingModel{}, incomingModel{Full: true, Working: 2, Waiting: []messageRow{{Link: "/", Age: "a", About: "a", Known: "k", Why: []string{"w"}, Told: "t"}, {}}, Done: []messageRow{{}}}},
		"message": {messageModel{Hidden: true}, messageModel{
			Waits: true, ForMany: true, Facts: []fact{{"a", "b"}}, Notes: []issueModel{{"w", "t"}}, Acts: []actModel{{"w", "w", "w", "w"}}, Forms: forms[:1], Raw: "r",
			Groups: []messagePart{{}, {Result: "r", Name: "n", Link: "/", Issues: []issueModel{{"w", "t"}}, Facts: []beside{{"l", "g", "r", true}}, Rows: []resultRow{{}, {OnRecord: "o", Became: "b"}}, More: true, Documents: []documentModel{{Title: "t", Kind: "k", Link: "/", Text: "x"}, {Pointer: "p"}}, Search: &searchModel{Asked: true, Found: 1}, Forms: forms[:1]}},
		}},
		"clients": {clientsModel{}, clientsModel{Chosen: &clientModel{
			Disabled: true, Scopes: []string{"s"}, Keys: []smart.Key{{}}, KeysURL: "u", Changes: []clientChangeModel{{}}, Rescope: forms[0], Rekey: forms[0], Switch: forms[0],
		}}},
		"accounts":       {accountsModel{Accounts: []accountRow{{Off: true}}}, accountsModel{Chosen: &chosenAccount{Own: true, Forms: []titledForm{{"t", forms[0]}}, Sessions: []sessionRow{{This: true}, {}}, Changes: []accountChangeModel{{}}}}},
		"account":        {accountModel{}, accountModel{Must: "m", Facts: []fact{{"a", "b"}}, Sessions: []sessionRow{{This: true}, {End: forms[0]}}, Others: &forms[0], Password: forms[0]}},
		"password":       {passwordModel{}, passwordModel{"n", "u", "p", "/"}},
		"audit":          {auditModel{}, auditModel{Asked: "a", Fields: forms[0].Fields, More: "/", Verify: "/", Proof: &proofModel{Holds: true, Counts: []fact{{"a", "b"}}, Digest: "d"}, Rows: []trailRow{{}, {People: []personLink{{"n", "/"}, {"m", ""}}, Outcome: "o"}}}},
		"emergency":      {emergencyModel{}, emergencyModel{true, forms[0]}},
		"second-factor":  {factorModel{}, factorModel{Set: true, Few: true, Secret: "s", Must: "m", Forms: []titledForm{{"t", forms[0]}}}},
		"recovery-codes": {codesModel{}, codesModel{Codes: []string{"c"}, Next: "/"}},
		"code":           {codeModel{}, codeModel{forms[0]}},
		"check": {checkModel{}, checkModel{
			Name: "n", Link: "/", Title: "t", Planned: "p", Standing: []fact{{"a", "b"}}, Stopped: true, Form: forms[0], PaperLink: "/",
			Outcome: []activities.CheckedLine{{ID: "i", Title: "t", Read: "left", Recorded: "right"}, {Agrees: true}}, Paper: []paperLine{{"t", "f", "r"}},
		}},
		"followup": {programmeModel{}, programmeModel{
			Shows: []showCount{{"t", "h", 1, "/", true}}, Measures: []measureModel{{}, {Known: true, Met: true, Complete: countLink{1, "/"}, Incomplete: countLink{1, "/"}, Pending: countLink{1, "/"}}},
			People: &peopleModel{Title: "t", Rows: []donorRow{{Identifier: "i", Note: "n", Past: true}}, More: 1},
			Due:    []donorRow{{}}, Late: []donorRow{{}}, Lost: []donorRow{{}}, More: 1,
		}},
		"committee": {committeeModel{}, committeeModel{
			Next: &meetingModel{Title: "t", Facts: []fact{{"a", "b"}}, Items: []itemRow{{Number: 1, Mine: []string{"a", "b"}, Open: 1}, {Hidden: true}}}, Plan: &forms[0],
			Coming: []meetingRow{{Place: "p"}}, Past: []meetingRow{{}}, More: 1, Ready: []readyRow{{On: "o"}, {}}, NotReady: []readyRow{{Why: []string{"a", "b"}, More: 1}}, MoreNotReady: 1,
		}},
		"meeting":      {meetingModel{}, meetingModel{CalledOff: true, Items: []itemRow{{}}, Present: []fact{{"a", "b"}}, Forms: forms[:2]}},
		"meeting-item": {&itemModel{}, &itemModel{Summary: fullSummary(forms), Quorum: []fact{{"a", "b"}}, Mine: []fact{{"a", "b"}}, History: []string{"a", "b"}, Lacking: []string{"l"}, Waiting: "w", Ballots: []ballotModel{{}, {Earlier: "e", Reason: "r"}}, Forms: forms[:1], Letters: "/"}},
		"summary":      {summaryModel{}, fullSummary(forms)},
		"minutes": {minutesModel{}, minutesModel{
			Altered: true, Present: []fact{{"a", "b"}}, Text: "t", Signed: "s", Digest: "d", Amendments: []answerShown{{"t", "b"}},
			Items: []minuteItem{{Hidden: true}, {Identifier: "i", Conflict: "c", Counts: "c", Ballots: []ballotModel{{}}, Packet: "p", Decision: &decisionModel{Conditions: []string{"c"}, Reason: "r"}}},
		}},
		"results": {trendsModel{}, trendsModel{
			Name: "n", Home: "/", Shows: []trendShow{{"l", "/", 1, true}, {}}, Only: "o", Empty: "e", Worded: []wordedRow{{}, {Before: "b", Mark: noBand()}}, More: 1,
			Groups: []trendGroup{{Title: "t", ID: "i", Trends: []trendModel{{}, {ID: "of-a", Mark: noBand(), Rule: "r", Validity: "v", Unit: "u", Method: "m", Doubt: true, More: 1, All: "/", Rows: []trendRow{{}, {Converted: "c", Interval: "i", Left: "l", Mark: noBand(), About: "a"}}}}}},
		}},
		"documents": {documentsModel{}, documentsModel{Name: "n", Home: "/", More: 1, Form: &forms[0], File: field{ID: "f", Error: "e"}, Rows: []documentRow{{}, {When: "w", Title: "t", Link: "/", Save: true, Who: "w", Detail: "d", Wrong: "r", Form: &forms[0]}}}},
		"letters":   {lettersModel{}, lettersModel{Empty: "e", Form: &forms[0], Sent: []letterRow{{}}, Preview: []string{"p"}, Title: "t"}},
		"letter":    {letterModel{}, letterModel{Number: "n", Paragraphs: []string{"p"}}},
		"measures": {measuresModel{}, measuresModel{
			From: "a", Until: "b", Protocol: "c", Protocols: []option{{"c", "c"}}, MayNarrow: true, Narrowed: true, Smallest: 5, People: "/",
			Sheets: []sheetModel{{ID: "flow", Title: "t", Head: []string{"h"}}, {
				ID: "stops", Picture: "p", Legend: []legendLine{{"chart-main", "m"}, {"chart-median", "m"}, {"chart-range", "m"}}, Head: []string{"h"},
				Rows: []sheetRow{{Title: "t", Cells: []sheetCell{{"l", "1", false}}}, {Total: true, Cells: []sheetCell{{None: true}}}},
			}},
		}, measuresModel{Empty: true}},
		"measured": {measuredModel{}, measuredModel{
			From: "a", Until: "b", FollowUp: "/", People: &measuredPeople{Title: "t", More: 1, Back: "/", Rows: []measuredRow{{}, {Value: "v"}}},
			Groups: []measureGroup{{ID: "flow", Title: "t", Rows: []measureRow{{Share: "1 %", Picture: "p", Are: numberLink{N: 1}}, {Spread: "s", Timed: true}, {}}}},
		}},
		"protocols": {protocolsModel{}, protocolsModel{
			Versions: []versionModel{{Version: "1", Digest: "d", Approved: "a", Effective: "e", Stored: "s", Current: true, Open: 1, Link: "/", Chosen: true}, {}},
			Move: &moveModel{
				To: "1", Base: "2", Approved: true, Waiting: 1, All: 2, Done: 1, Affected: 1, More: 1, Totals: "t", Form: moveForm("1"),
				Changes: []protocol.Change{{Part: "p", Kind: protocol.Added}, {Part: "p", ID: "i", Kind: protocol.Changed, Fields: []protocol.FieldChange{{Field: "f", To: "t"}, {From: "f"}}}},
				Rows:    []moveRow{{Candidate: "c", Stage: "s", From: "f", Lines: []string{"l"}}},
			},
		}},
		"reports": {reportsModel{}, reportsModel{
			Tally: journey.ReportTally{Open: 1, Overdue: 1, InTime: 1, Unlimited: 1}, Open: []reportModel{{Late: true, Limit: "l"}}, Settled: []reportModel{{}},
		}},
		"candidate": {candidateModel{}, candidateModel{
			Open: "12:00", Emergencies: []emergencyRow{{}},
			Clocks: []clockModel{{Text: "c", Late: true}}, Reports: []reportModel{{Late: true, Limit: "l"}, {}},
			Facts: []fact{{"a", "b"}}, Needs: []need{{journey.Hold, "x"}}, Stuck: []string{"s"}, Expiring: []string{"e"},
			Gates: gates(scene{protocol: p, viewer: v, candidate: c, today: "2026-07-20"}, nil, nil),
			Flags: []flagModel{{Number: "1", Sources: []inputModel{{"a", "b", "c"}}, Needs: "n"}}, Derived: []valueModel{{Title: "t", Inputs: []inputModel{{}}}},
			Reported: []valueModel{{Spark: "<svg></svg>", Trend: "/"}, {Trend: "/"}}, Risks: []riskModel{{}}, Deadlines: []deadlineModel{{Past: true}}, Decision: []fact{{}}, Calm: []flagModel{{}}, Countdown: &countdownModel{Open: []countdownRow{{}}, Ready: []string{"r"}}, FollowUp: &followUpModel{
				Lost: "l", Died: "d", Next: "n", Older: []visitModel{{}}, Visits: []visitModel{{}, {Late: true, Ahead: true, Due: "d", Detail: []string{"x"}, Contacts: []string{"c"},
					Forms: []formModel{{}, {Excused: true, Missing: []string{"m"}, Items: []fact{{"a", "b"}}}}}},
				Kidney: &kidneyModel{Picture: "p", Points: []pointModel{{}, {Note: "n"}}, Source: "s", Flags: []afterFlag{{}, {Value: "v", Compared: "c", Reason: "r", Near: true, Notes: []string{"n"}, Inputs: []inputModel{{}}}}},
			},
			History: historyModel{Now: "n", All: "/", People: []trendShow{{"l", "/", 1, true}}, Kinds: []trendShow{{}}}, Timeline: []entryModel{{Details: []fact{{}}, Changes: []fact{{}}, Basis: &basisModel{}}, {Basis: &basisModel{
				Protocol: "p", Digest: "d", Requirements: []basisRequirement{{}, {Title: "t", Status: statusMark(journey.Met), Detail: "d", Collected: "c", Validity: "v", Sign: "s"}},
				Flags: []basisFlag{{}, {Value: "1", Compared: "1.2", When: "w", Threshold: "t", Source: "s"}}, Derived: []valueModel{{Title: "t"}},
			}}}, Earlier: []entryModel{{}}, Pages: []option{{"/", "p"}}, Notes: &notesModel{Rows: []careNote{{}, {ID: "i", Kind: "k", Text: "t", Corrects: "i", Corrected: "i"}}, Form: noteForm("c", []record.Note{{Seq: 1}})}, Forms: forms, Grave: forms[:1], HasActions: true,
		}},
	}
	for _, name := range pageNames {
		if len(models[name]) < 2 {
			t.Fatalf("no models for the template %s", name)
		}
		for i, model := range models[name] {
			layout := page{Title: "T", Body: model}
			if i == 1 {
				layout = page{Title: "T", Body: model, Account: &account, Demo: true, Notice: "n", Errors: &summary{"t", []problem{{"a", "b"}, {"c", ""}}}, Path: "/"}
			}
			var out bytes.Buffer
			if err := all[name].ExecuteTemplate(&out, "layout", layout); err != nil {
				t.Errorf("%s, model %d: %v", name, i, err)
			}
			if strings.Contains(out.String(), "ZgotmplZ") || strings.Contains(out.String(), "<no value>") {
				t.Errorf("%s, model %d: a value was not rendered", name, i)
			}
		}
	}
}

// TestOlderDecisions reads entries of decisions from before they kept what they
// stood on, and from before that held the requirements.
func TestOlderDecisions(t *testing.T) {
	sc := scene{protocol: protocol.Default(), viewer: &viewer{Account: record.Account{ID: "cora", Role: journey.Coordinator}}}
	if m := basisOf(sc, activities.Basis{}, nil); m != nil {
		t.Errorf("nothing is shown as %+v", m)
	}
	m := basisOf(sc, activities.Basis{Protocol: "2026.1", Digest: "d", Flags: []protocol.Flag{
		{ID: "bmi", Title: "Body mass index", Band: journey.Meets, Value: "25.63", Shown: "25.6", Unit: "kg/m2", Threshold: "excludes when >= 35 kg/m2", Source: "s"},
		{ID: "acr", Title: "Albumin", Band: journey.CannotDecide, Reason: "no result", Threshold: "x"},
	}}, nil)
	want := []basisFlag{
		{Title: "Body mass index", Band: bandMark(journey.Meets, false), Value: "25.6 kg/m²", Compared: "25.63", Threshold: "Excludes when ≥ 35 kg/m²", Source: "s"},
		{Title: "Albumin", Band: bandMark(journey.CannotDecide, false), Value: "cannot decide: no result", Threshold: "X"},
	}
	first := basisOf(sc, activities.Basis{Protocol: "2026.1", Requirements: []activities.BasisRequirement{{
		ID: "acr", Title: "Albumin", Status: journey.NeedsReview, Awaiting: &journey.Countersignature{By: "clem", On: "2026-09-16", Until: "2026-12-01", Waiver: true},
	}}}, nil)
	if text := "waiver until 1 Dec 2026 signed by clem, 16 Sep 2026; a second signature was needed"; first.Requirements[0].Detail != text {
		t.Errorf("a first signature is shown as %q", first.Requirements[0].Detail)
	}
	if m.Protocol != "protocol version 2026.1" || m.Requirements != nil || !slices.Equal(m.Flags, want) {
		t.Errorf("got %+v, want %+v", m, want)
	}
}

// TestSearchLeavesNoName looks for what was searched for in every address of the
// board.
func TestSearchLeavesNoName(t *testing.T) {
	a, err := loadAssets()
	must(t, err)
	all, err := loadPages(a)
	must(t, err)
	m := boardModel{Filter: boardFilter{Text: "Fjellgren", Show: showStuck, Stage: journey.Evaluation}, Options: showWords, Names: true}
	m.count(nil)
	m.paginate(make([]*boardKey, 3*boardRows), 2)
	m.Rows = make([]boardRow, boardRows)
	m.Views = viewsModel{Saved: []viewLink{{}}, Kept: m.Filter.Kept(), MaySave: true}
	var out bytes.Buffer
	must(t, all["board"].ExecuteTemplate(&out, "layout", page{Title: "Candidates", Body: m}))
	page := answer{body: out.String()}
	page.has(t, `name="page" value="1"`, `name="page" value="3"`, `name="q" value="Fjellgren"`, `name="show" value="stuck"`)
	page.lacks(t, `method="get"`, "q=")
	for _, part := range strings.Split(page.body, `href="`)[1:] {
		if address, _, _ := strings.Cut(part, `"`); strings.Contains(address, "Fjellgren") {
			t.Errorf("the address %s holds the name", address)
		}
	}
}

// TestLogHoldsNoText makes pages fail with a name in the fault.
func TestLogHoldsNoText(t *testing.T) {
	a, err := loadAssets()
	must(t, err)
	all, err := loadPages(a)
	must(t, err)
	const id = "3f2c9f5e-6f0b-5c53-9a54-0d5a1f0c7f11"
	for name, handler := range map[string]echo.HandlerFunc{
		"panic": func(echo.Context) error { panic("Fjellgren, Ottilie") },
		"error": func(echo.Context) error { return fmt.Errorf("read: %w", errors.New("near Fjellgren, Ottilie")) },
	} {
		var log bytes.Buffer
		s := &server{Deps: Deps{Log: slog.New(slog.NewTextHandler(&log, nil))}, echo: echo.New(), pages: all, origin: http.NewCrossOriginProtection()}
		s.echo.GET("/candidates/:id", s.guard(route{public: true, handler: handler}))
		w := httptest.NewRecorder()
		s.echo.ServeHTTP(w, httptest.NewRequest(http.MethodGet, "/candidates/"+id, nil))
		request := w.Header().Get(echo.HeaderXRequestID)
		if w.Code != http.StatusInternalServerError || !strings.Contains(w.Body.String(), request) {
			t.Errorf("%s: %d", name, w.Code)
		}
		if strings.Contains(log.String()+w.Body.String(), "Fjellgren") || !strings.Contains(log.String(), id) || !strings.Contains(log.String(), request) {
			t.Errorf("%s: the log is %s", name, log.String())
		}
	}
}

func TestEndsAreAlike(t *testing.T) {
	for _, kind := range []journey.Kind{journey.Withdraw, journey.Decline, journey.RecordDeath} {
		if word := doneWord(kind); word != ended || doneNotice(word) != doneEnded || actionOf(kind).Done != doneEnded {
			t.Errorf("%s is told apart: %s", kind, word)
		}
	}
	if doneNotice("nonsense") != "" || doneNotice(doneWord(journey.Hold)) == "" {
		t.Error("the notices are mixed up")
	}
}

// questionPages are all pages of the default questionnaire, empty, filled in and
// with errors.
func questionPages() []any {
	p := protocol.Default()
	asks, _ := p.Questionnaire("intake")
	q := &questions{secret: "x", protocol: p, asks: asks, today: "2026-07-20", draft: answerDraft{map[string]string{"cancer": "yes", "height": "tall"}, map[string]savedSection{"why": {Revision: 1}}}}
	list := []any{
		questionsModel{Page: "born", Problem: askDenied, Carry: []carried{{"q-gout", "yes"}}, Text: askAgain}, q.review(), questionsModel{Page: "later", Text: "t"}, questionsModel{Page: "sent"},
		questionsModel{Page: "stop", Problem: stopFailed, Written: "w"}, questionsModel{Page: "stopped"},
	}
	for i := range asks.Sections {
		list = append(list, q.page(i, nil, nil), q.page(i, map[string]string{}, map[string]string{asks.Sections[i].Questions[0].ID: faultMissing}))
	}
	for i, m := range list {
		m := m.(questionsModel)
		m.Words, m.Base = questionWords, "/questions/x"
		list[i] = m
	}
	return list
}

// onPage lists the commands that people give on a candidate's page: moves are
// given for all candidates together.
func onPage() []journey.Kind {
	return slices.DeleteFunc(journey.Kinds(), func(k journey.Kind) bool {
		// What is planned has a page of its own.
		return k == journey.MoveProtocol || slices.Contains(journey.AppointmentKinds(), k)
	})
}

// TestActions holds the table of actions against the journey's.
func TestActions(t *testing.T) {
	for _, kind := range onPage() {
		a, ok := actions[kind]
		if !ok || a.Title == "" || a.Button == "" || a.Done == "" || a.Fields == nil || a.Body == nil {
			t.Errorf("%s can't be asked for on the page", kind)
		}
	}
	if len(actions) != len(onPage()) {
		t.Error("the page offers a command that people don't give")
	}
	for _, stage := range journey.Stages {
		if _, ok := stageWords[stage]; !ok {
			t.Errorf("no word for the stage %s", stage)
		}
	}
	for _, role := range journey.Roles {
		if _, ok := roleWords[role]; !ok {
			t.Errorf("no word for the role %s", role)
		}
	}
}

// TestWordsOfRefusals holds that what is missing is named as the page names it, and never by
// the ids and values of the interface.
func TestWordsOfRefusals(t *testing.T) {
	p := protocol.Default()
	told, _ := p.Item("told-voluntary")
	reason := journey.Reason{Rule: "item-confirmed", Requirement: "consent-evaluation", Message: told.ID + " is not confirmed"}
	if got, want := reasonWord(p, reason), "Not ticked as confirmed: "+lower(told.Title); got != want || told.Title == "" {
		t.Errorf("%q and not %q", got, want)
	}
	var invalid *command.Invalid
	if !errors.As(command.Validate(&command.BeginScreening{}), &invalid) || len(invalid.Faults) != 2 {
		t.Fatal(invalid)
	}
	for _, fault := range invalid.Faults {
		if got := faultWord(fault); strings.Contains(got, "true") || !strings.HasSuffix(got, ": tick the box once it is so.") {
			t.Errorf("%s: %q", fault.Field, got)
		}
	}
	if a, b, c := joined("Approve", ""), joined("", "Approve"), joined("Defer", "Later"); a != "Approve" || b != "Approve" || c != "Defer; Later" {
		t.Errorf("%q, %q, %q", a, b, c)
	}
	for text, want := range map[string]string{"": "", "A": "a", "This is missing.": "this is missing.", "CT of the kidneys": "CT of the kidneys", "Ärende": "ärende", "APOL1": "APOL1", "B12": "B12"} {
		if got := lower(text); got != want {
			t.Errorf("%q became %q and not %q", text, got, want)
		}
	}
	if got := conditionWord(protocol.Condition{Holds: journey.HoldsUnknown, Facts: []protocol.ConditionInput{{Title: "Pressure, mean"}, {Title: "Murmur"}}}); !strings.HasSuffix(got, "not on record: Pressure, mean; Murmur") {
		t.Error(got)
	}
}

func TestInstant(t *testing.T) {
	zone := protocoltest.Brief().Zone()
	for _, c := range []struct {
		date, clock, want string
		ok                bool
	}{
		{"2026-07-01", "08:15", "2026-07-01T08:15:00+02:00", true},
		{"2026-12-01", "08:15", "2026-12-01T08:15:00+01:00", true},
		{"2026-07-01", "", "2026-07-01", true},
		{"2026-03-29", "02:30", "", false}, // skipped in spring
		{"2026-02-30", "08:00", "", false},
		{"2026-07-01", "25:00", "", false},
	} {
		if got, ok := instant(c.date, c.clock, zone); got != c.want || ok != c.ok {
			t.Errorf("%s %s: %q %v", c.date, c.clock, got, ok)
		}
	}
}

func TestLimiter(t *testing.T) {
	c := &clock{at: time.Date(2026, 7, 20, 7, 0, 0, 0, time.UTC)}
	l := newLimiter(c.now)
	for i := range attemptLimit {
		if _, ok := l.take("name a", "address 1"); !ok {
			t.Fatalf("attempt %d is refused", i+1)
		}
		c.add(time.Minute)
	}
	if wait, ok := l.take("name a", "address 2"); ok || wait != 10*time.Minute {
		t.Errorf("the sixth attempt on a name: %v %v", wait, ok)
	}
	for i := range addressLimit - attemptLimit { // an address may be a proxy's
		if _, ok := l.take("name c"+strconv.Itoa(i), "address 1"); !ok {
			t.Fatalf("attempt %d from an address is refused", attemptLimit+i+1)
		}
	}
	if _, ok := l.take("name b", "address 1"); ok {
		t.Error("one attempt too many from an address is let through")
	}
	if _, ok := l.take("name b", "address 2"); !ok {
		t.Error("somebody else is refused")
	}
	c.add(10 * time.Minute)
	if _, ok := l.take("name a", "address 2"); !ok {
		t.Error("the oldest attempt still counts after the window")
	}
	l.release("name a", "name a", "address 2")
	if len(l.seen["name a"]) != 0 {
		t.Error("a success leaves attempts behind")
	}
}

// TestSignInPath makes sure that the way back leads nowhere else.
func TestSignInPath(t *testing.T) {
	for from, want := range map[string]string{
		"/": "/sign-in", "/candidates/new": "/sign-in?next=%2Fcandidates%2Fnew", "//evil.example": "/sign-in",
		"/candidates/abc/hold": "/sign-in?next=%2Fcandidates%2Fabc", "https://evil.example": "/sign-in", "/sign-out": "/sign-in",
	} {
		if got := signInPath(from); got != want {
			t.Errorf("%s: %s", from, got)
		}
	}
}

// TestAddress makes sure that a header can't choose the address that attempts
// are counted under.
func TestAddress(t *testing.T) {
	s := &server{echo: echo.New()}
	for remote, want := range map[string]string{
		"192.0.2.7:1234": "192.0.2.7", "[2001:db8:1:2:3:4:5:6]:99": "2001:db8:1:2::/64", "[::ffff:192.0.2.7]:1": "::ffff:192.0.2.7",
	} {
		r := httptest.NewRequest(http.MethodPost, "/sign-in", nil)
		r.RemoteAddr = remote
		r.Header.Set("X-Forwarded-For", "198.51.100.1")
		if got := s.address(s.echo.NewContext(r, httptest.NewRecorder())); got != want {
			t.Errorf("%s: %s, want %s", remote, got, want)
		}
	}
}

func golden(t *testing.T, name, got string) {
	t.Helper()
	file := filepath.Join("testdata", name+".svg")
	got = strings.ReplaceAll(got, "><", ">\n<") + "\n"
	if *update {
		must(t, os.MkdirAll("testdata", 0o755))
		must(t, os.WriteFile(file, []byte(got), 0o600))
	}
	want, err := os.ReadFile(file)
	must(t, err)
	if got != string(want) {
		t.Errorf("%s differs from the golden file; look at the picture, then run with -update\n%s", name, got)
	}
}

func TestPictures(t *testing.T) {
	p := protocoltest.Brief()
	event := func(seq int64, kind journey.Kind, on journey.Date) journey.Event {
		return journey.Event{Command: journey.Command{Candidate: "c", Kind: kind, Today: on, Actor: "a", Role: journey.Coordinator}, Seq: seq}
	}
	events := []journey.Event{
		event(1, journey.Refer, "2026-01-05"), event(2, journey.BeginScreening, "2026-01-07"), event(3, journey.BeginEvaluation, "2026-02-01"),
	}
	way := trailOf(p.Rules(), events)
	golden(t, "way-evaluation-wide", string(way.Wide()))
	golden(t, "way-evaluation-narrow", string(way.Narrow()))
	hold := trailOf(p.Rules(), append(events, event(4, journey.Hold, "2026-03-01")))
	golden(t, "way-hold-wide", string(hold.Wide()))
	golden(t, "way-hold-narrow", string(hold.Narrow()))
	golden(t, "way-withdrawn-wide", string(trailOf(p.Rules(), append(events, event(4, journey.Withdraw, "2026-03-01"))).Wide()))

	rule, _ := flagRule(p, "bmi")
	for name, f := range map[string]protocol.Flag{
		"scale-bmi-meets":    {ID: "bmi", Title: rule.Title, Band: journey.Meets, Value: "24.2", Shown: "24.2", Unit: "kg/m2", Threshold: "t"},
		"scale-bmi-excludes": {ID: "bmi", Title: rule.Title, Band: journey.Excludes, Value: "61", Shown: "61.0", Unit: "kg/m2", Threshold: "t"},
		"scale-bmi-cannot":   {ID: "bmi", Title: rule.Title, Band: journey.CannotDecide, Reason: "height <missing>", Unit: "kg/m2", Threshold: "t"},
	} {
		golden(t, name, string(scale(rule, f)))
	}
	coded, _ := flagRule(p, "hiv-screen")
	golden(t, "scale-coded", string(scale(coded, protocol.Flag{ID: "hiv-screen", Title: coded.Title, Band: journey.Meets, Value: "negative", Shown: "negative", Threshold: "t"})))
	golden(t, "bar", string(stageBar(3, 8)))
}

// TestScaleAgrees looks for every threshold of the protocol, and for the bands
// beside it, in the picture.
func TestScaleAgrees(t *testing.T) {
	for _, rule := range protocoltest.Brief().Flags {
		picture := string(scale(rule, protocol.Flag{ID: rule.ID, Title: rule.Title, Band: journey.CannotDecide}))
		bands := map[journey.Band]bool{}
		for _, band := range rule.Bands {
			bands[band.Band] = true
			text := ">" + strings.TrimPrefix(band.When, "is ") + "<"
			if !rule.Coded {
				text = ">" + strconv.FormatFloat(band.Threshold(), 'g', -1, 64) + "<"
			}
			if !strings.Contains(picture, text) {
				t.Errorf("%s: the picture lacks %q", rule.ID, text)
			}
		}
		for band := range bands {
			if !strings.Contains(picture, "fill-"+string(band)) {
				t.Errorf("%s: the picture has no band %s", rule.ID, band)
			}
		}
	}
}

// TestOverdueSince counts the stage that stands and no former one, as the
// process itself does.
func TestOverdueSince(t *testing.T) {
	rules := protocoltest.Brief().Rules()
	since := journey.Date("2026-03-02")
	passes := since.AddDays(rules.Timers.ScreeningDays + 1)
	screening := func(notices ...journey.Notice) journey.State {
		return journey.State{Stage: journey.Screening, Since: since, Notices: notices}
	}
	ended := screening()
	ended.Stage = journey.Withdrawn
	deferred := journey.State{Stage: journey.Deferred, Since: since, Decision: &journey.Decision{Expires: "2026-05-01"}}
	for _, tt := range []struct {
		name        string
		state       journey.State
		today, want journey.Date
	}{
		{"the last day in time", screening(), passes.AddDays(-1), ""},
		{"the day it passes, before its timer", screening(), passes, passes},
		{"long after, noticed", screening(journey.Notice{Deadline: journey.ScreeningDue, On: passes}), passes.AddDays(30), passes},
		// Entered again on the day of a former notice, and after one.
		{"a former notice of the same day", screening(journey.Notice{Deadline: journey.ScreeningDue, On: since}), since, ""},
		{"a former notice of the stage", screening(journey.Notice{Deadline: journey.ScreeningDue, On: since}), passes, passes},
		{"a notice of another stage", screening(journey.Notice{Deadline: journey.HoldReviewDue, On: since}), since.AddDays(1), ""},
		{"a re-review that is due", deferred, "2026-05-01", "2026-05-01"},
		{"a re-review ahead", deferred, "2026-04-30", ""},
		{"a journey that has ended", ended, passes.AddDays(9), ""},
	} {
		if got := overdueSince(rules, tt.state, tt.today); got != tt.want {
			t.Errorf("%s: %q, want %q", tt.name, got, tt.want)
		}
	}
}

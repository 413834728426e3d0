package web

import (
	"fmt"
	"net/http"
	"net/url"
	"strings"
	"testing"

	"candidacy/internal/command"
	"candidacy/internal/journey"
	"candidacy/internal/protocol"
	"candidacy/internal/protocol/protocoltest"
)

func someBooked() []bookedModel {
	return []bookedModel{{}, {ID: "planned-1", Day: "d", Times: "t", Place: "p", With: "w", What: "x", Instructions: "i", Status: "s", Changes: "c", Overdue: true, Preparation: []protocol.Preparation{{Text: "t", Source: "s"}}, Warnings: []string{"w"}, Change: "/", Calendar: "/"}}
}

func someComing() []comingModel {
	return []comingModel{{}, {bookedModel: someBooked()[1], Name: "n", Identifier: "i", Home: "/", Paused: true}}
}

func visitsModels() []any {
	full := &visitsModel{
		Name: "n", Home: "/", Zone: "z", Paused: "p", Booked: someBooked(), Former: someBooked(), Days: []option{{"/", "d"}}, Calendar: "/", MayPlan: true,
		Sentence: "s", Proposal: []proposalModel{{}, {Day: "d", Kind: "k", What: "w", Plan: "/"}, {Planned: true}}, Forms: []form{{ID: "visit"}},
		Own: "o", LinkForms: []form{{ID: "link", Title: "t"}},
	}
	changing := *full
	changing.Changing = "planned-1"
	return []any{visitsModel{}, full, &changing, &visitsModel{Reason: "r"}}
}

// TestVisitWarnings holds each warning to a plan that has one fault more than the last.
func TestVisitWarnings(t *testing.T) {
	p := &protocol.Protocol{TimeZone: "UTC", Requirements: []protocol.Requirement{
		{ID: "blood", Title: "Blood", LeadDays: 3, ValidDays: 30},
		{ID: "scan", Title: "Scan", Needs: []string{"blood"}, LeadDays: 2},
		{ID: "group", Title: "Group again", Apart: []protocol.Spacing{{Requirement: "blood", Days: 5}}},
		{ID: "late", Title: "Late test", OperationDays: 7},
	}}
	at := func(id string, day journey.Date, from, to string, what ...string) journey.Appointment {
		return journey.Appointment{ID: id, On: day, Starts: journey.Instant(string(day) + "T" + from + ":00Z"), Ends: journey.Instant(string(day) + "T" + to + ":00Z"), Status: journey.AppointmentBooked, Requirements: what}
	}
	due := func(ids ...string) (list []journey.Requirement) {
		for _, id := range ids {
			list = append(list, journey.Requirement{ID: id, Status: journey.Due})
		}
		return list
	}
	all := due("blood", "scan", "group", "late")
	for name, c := range map[string]struct {
		planned journey.Date
		booked  []journey.Appointment
		want    string
	}{
		"nothing": {"2026-03-20", []journey.Appointment{at("a", "2026-03-02", "09:00", "10:00", "blood")}, ""},
		"one after the other": {"2026-03-20", []journey.Appointment{
			at("a", "2026-03-02", "09:00", "10:00", "blood"), at("b", "2026-03-02", "10:00", "11:00", "late"),
		}, "b: Late test will be too old for the planned operation on 20 Mar 2026: at most 7 days before it"},
		"at the same time": {"", []journey.Appointment{
			at("a", "2026-03-02", "09:00", "10:00", "blood"), at("b", "2026-03-02", "09:59", "11:00", "late"),
		}, "a: Another visit is at the same time: Mon 2 Mar 2026, 09:59 to 11:00; b: Another visit is at the same time: Mon 2 Mar 2026, 09:00 to 10:00"},
		"before what it needs":        {"", []journey.Appointment{at("a", "2026-03-02", "09:00", "10:00", "scan")}, "a: Blood comes first, and its result will not be there by then"},
		"before the result is there":  {"", []journey.Appointment{at("a", "2026-03-02", "09:00", "10:00", "blood"), at("b", "2026-03-04", "09:00", "10:00", "scan")}, "b: Blood comes first, and its result will not be there by then"},
		"after the result is there":   {"", []journey.Appointment{at("a", "2026-03-02", "09:00", "10:00", "blood"), at("b", "2026-03-05", "09:00", "10:00", "scan")}, ""},
		"too near to the other":       {"", []journey.Appointment{at("a", "2026-03-02", "09:00", "10:00", "blood"), at("b", "2026-03-06", "09:00", "10:00", "group")}, "a: Blood and Group again are done at least 5 days apart; b: Group again and Blood are done at least 5 days apart"},
		"far enough from the other":   {"", []journey.Appointment{at("a", "2026-03-02", "09:00", "10:00", "blood"), at("b", "2026-03-07", "09:00", "10:00", "group")}, ""},
		"too late for the operation":  {"2026-03-04", []journey.Appointment{at("a", "2026-03-02", "09:00", "10:00", "blood")}, "a: Blood usually takes 3 days, and the operation is planned for 4 Mar 2026"},
		"after the operation":         {"2026-03-01", []journey.Appointment{at("a", "2026-03-02", "09:00", "10:00", "blood")}, "a: It is after the planned operation on 1 Mar 2026"},
		"too early for the operation": {"2026-04-02", []journey.Appointment{at("a", "2026-03-02", "09:00", "10:00", "blood")}, "a: Blood will have expired by the planned operation on 2 Apr 2026: it is valid for 30 days"},
		"just in time":                {"2026-04-01", []journey.Appointment{at("a", "2026-03-02", "09:00", "10:00", "blood")}, ""},
	} {
		got := visitWarnings(p, journey.State{Requirements: all, Planned: c.planned}, c.booked)
		var said []string
		for _, a := range c.booked {
			for _, w := range got[a.ID] {
				said = append(said, a.ID+": "+w)
			}
		}
		if text := strings.Join(said, "; "); text != c.want {
			t.Errorf("%s: %q and not %q", name, text, c.want)
		}
	}
}

// TestVisitAfterUnsigned holds that a result that waits for its signature is there for what
// needs it, until it has expired.
func TestVisitAfterUnsigned(t *testing.T) {
	p := &protocol.Protocol{TimeZone: "UTC", Requirements: []protocol.Requirement{
		{ID: "blood", Title: "Blood", ValidDays: 30}, {ID: "scan", Title: "Scan", Needs: []string{"blood"}},
	}}
	a := journey.Appointment{ID: "a", On: "2026-03-10", Starts: "2026-03-10T09:00:00Z", Ends: "2026-03-10T10:00:00Z", Status: journey.AppointmentBooked, Requirements: []string{"scan"}}
	for until, warned := range map[journey.Date]bool{"2026-03-10": false, "": false, "2026-03-09": true} {
		s := journey.State{Requirements: []journey.Requirement{
			{ID: "blood", Status: journey.Resulted, Collected: "2026-02-08", ValidUntil: until}, {ID: "scan", Status: journey.Due},
		}}
		if got := visitWarnings(p, s, []journey.Appointment{a})["a"]; len(got) > 0 != warned {
			t.Errorf("valid until %q: %q", until, got)
		}
	}
}

// TestProposalOfWhatMayNotApply holds that nobody is led to book what may turn out not to be
// needed, such as a biopsy: it is told apart, and a visit for nothing else is not offered.
func TestProposalOfWhatMayNotApply(t *testing.T) {
	w := newWorldOf(t, protocol.Default(), nil)
	w.day("2026-07-20")
	id := w.refer("Ottilie", "Fjellgren", "1979-05-02", "female", "WEB-0001", "")
	home := "/candidates/" + id + "/visits"
	w.screen(id)
	c, err := w.store.Candidate(t.Context(), id)
	must(t, err)
	sc := scene{protocol: w.protocol, today: "2026-07-20", candidate: c}
	o := order(sc)
	if o == nil {
		t.Fatal("no order")
	}
	page := w.as("cora").get(home)
	page.has(t, "weekends and holidays are not known to it", "Mon 20 Jul 2026")
	found := false
	for i, v := range o.Visits {
		if strings.Contains(v.Tasks, "Kidney biopsy") {
			t.Errorf("%s %s: a biopsy nobody knows the need of is proposed: %s", v.When, v.Kind, v.Tasks)
		}
		if strings.Contains(v.Perhaps, "Kidney biopsy") {
			found = true
			page.has(t, "Only if it turns out to apply: "+strings.Split(v.Perhaps, ",")[0], "Not known yet whether it is needed")
			page.lacks(t, fmt.Sprintf(`?plan=%d#visit`, i+1))
			if _, tasks := proposedVisit(sc, i+1); len(tasks) > 0 {
				t.Errorf("the form would hold %v", tasks)
			}
		}
	}
	if !found {
		t.Error("no time is kept for what may be needed")
	}
}

// TestVisits plans a visit by the page, moves it, and says what became of it; the file for
// the calendar and the paper say nothing of what it is for.
func TestVisits(t *testing.T) {
	const mind = "Come well rested."
	source := protocoltest.Brief().Source()
	p, err := protocol.Parse([]byte(strings.Replace(source, "    title: Serum creatinine with estimated GFR\n", "    title: Serum creatinine with estimated GFR\n    preparation: {text: "+mind+", source: invented}\n", 1)))
	must(t, err)
	w := newWorldOf(t, p, nil)
	w.day("2026-07-20")
	id := w.refer("Ottilie", "Fjellgren", "1979-05-02", "female", "WEB-0001", "R-771")
	w.evaluate(id)
	home := "/candidates/" + id + "/visits"
	cora := w.as("cora")
	page := cora.get(home)
	page.has(t, "No visit is planned.", "What the planner proposes", "Plan this")
	const what = "creatinine"
	form := url.Values{
		"key": {keyOn(t, page)}, "do": {"plan"}, "day": {"2026-07-22"}, "from": {"09:00"}, "to": {"10:30"}, "place": {"Main entrance, desk 2"}, "with": {"Sister Example"},
		"instructions": {"Eat nothing from midnight on."}, "requirements": {what},
	}
	with := func(change ...string) url.Values {
		v := url.Values{}
		for k, list := range form {
			v[k] = list
		}
		for i := 0; i < len(change); i += 2 {
			v.Set(change[i], change[i+1])
		}
		return v
	}
	for name, c := range map[string]struct {
		change []string
		want   string
	}{
		"nothing to do":     {[]string{"requirements", ""}, `href="#visit-requirements-0"`},
		"no day":            {[]string{"day", ""}, `href="#visit-day"`},
		"no place":          {[]string{"place", ""}, `href="#visit-place"`},
		"an end at first":   {[]string{"to", "08:00"}, `href="#visit-to"`},
		"no time at all":    {[]string{"from", "nine"}, "From: not a time of day; accepted: hours and minutes, such as 09:30."},
		"an hour not there": {[]string{"day", "2027-03-28", "from", "02:30", "to", "04:00"}, "There is no such time on that day."},
	} {
		got := cora.post(home, with(append(c.change, "key", "wrong "+name)...))
		if got.status != http.StatusUnprocessableEntity {
			t.Errorf("%s: %d", name, got.status)
		}
		got.has(t, c.want, "Nothing was recorded")
		if c.change[0] == "from" || len(c.change) > 2 {
			got.lacks(t, `href="#visit-day"`) // the day was right
		}
	}
	wantStatus(t, "planned", cora.post(home, form), http.StatusSeeOther)
	wantStatus(t, "sent twice", cora.post(home, form), http.StatusSeeOther)
	back := cora.post(home, with("day", "2026-07-24"))
	wantStatus(t, "gone back to and changed", back, http.StatusConflict)
	back.has(t, "This very form was carried out before, with something else in it")
	wantStatus(t, "by a clinician", w.as("clem").post(home, with("key", "clem")), http.StatusForbidden)
	page = cora.get(home)
	page.has(t, "Wed 22 Jul 2026", "09:00 to 10:30", "Main entrance, desk 2", "Sister Example", "To mind: Eat nothing from midnight on.", "planned-1/calendar.ics")
	if strings.Count(page.body, `data-label="When"`) != 1 {
		t.Error("a form that was sent twice planned two visits")
	}
	w.as("adva").get(home).has(t, "Wed 22 Jul 2026")
	w.as("adva").get(home).lacks(t, "calendar.ics", `method="post" action="/candidates`)

	paper := cora.get(home + "/days/2026-07-22")
	paper.has(t, "Wednesday, 22 Jul 2026", "09:00 to 10:30", "Eat nothing from midnight on.", "Fjellgren")
	title := titleOf(w.protocol, what)
	paper.lacks(t, title)
	// What the protocol has them mind for the work of the visit stands on both.
	page.has(t, "To mind, by the protocol: "+mind+" (invented)")
	paper.has(t, mind)
	paper.lacks(t, "invented")
	file := cora.get(home + "/planned-1/calendar.ics")
	file.has(t, "BEGIN:VEVENT", "DTSTART:20260722T070000Z", "SEQUENCE:0", "METHOD:PUBLISH", "SUMMARY:Hospital appointment", `LOCATION:Main entrance\, desk 2`)
	file.lacks(t, mind, "Fjellgren", "WEB-0001", id, title, "Eat nothing", "Sister", "R-771")
	if got := file.header.Get("Content-Type"); got != "text/calendar; charset=utf-8" {
		t.Errorf("the file is %s", got)
	}

	// Two people change it at once: the second is told.
	move := with("key", "moves", "do", "move", "appointment", "planned-1", "revision", "1", "day", "2026-07-23", "reason", "asked for it")
	wantStatus(t, "moved", cora.post(home, move), http.StatusSeeOther)
	move.Set("key", "moves too")
	stale := cora.post(home, move)
	wantStatus(t, "moved by somebody else", stale, http.StatusConflict)
	stale.has(t, "changed meanwhile")
	cora.get(home+"/planned-1/calendar.ics").has(t, "DTSTART:20260723T070000Z", "SEQUENCE:1")
	wantStatus(t, "the day before the move", cora.get(home+"/days/2026-07-22"), http.StatusNotFound)
	cora.get("/visits").has(t, "1 visit planned", "Thu 23 Jul 2026", "Fjellgren", "Main entrance, desk 2")
	cora.get("/visits?day=2026-07-23").has(t, "Visits on Thursday, 23 Jul 2026", "Fjellgren")
	cora.get("/visits?day=2026-07-24").lacks(t, "Fjellgren")
	must(t, w.store.AddToRecipientTeam(t.Context(), "R-771", "cleo"))
	w.as("cleo").get("/visits").lacks(t, "Fjellgren")
	wantStatus(t, "the recipient's team", w.as("cleo").get(home), http.StatusNotFound)

	// A pause leaves it standing, and says so.
	w.give("cora", id, journey.Hold, &command.Plain{})
	cora.get("/today").has(t, "Call off, or keep: 1 planned visit", "Resume, or leave on hold")
	cora.get(home).has(t, "on hold", "1 visit still planned")
	w.give("cora", id, journey.Resume, &command.Plain{})
	w.day("2026-07-25")
	cora = w.as("cora") // days ended the session
	cora.get("/today").has(t, "Say whether the visit took place")
	cora.get("/visits").has(t, "Nobody has said whether they took place")
	closing := url.Values{"key": {"closes"}, "do": {"close"}, "appointment": {"planned-1"}, "revision": {"2"}, "outcome": {"not-attended"}, "note": {"Rang: ill."}}
	cora.get(home+"?change=planned-1").has(t, "Did the candidate come?", "Call it off")
	wantStatus(t, "closed", w.as("clem").post(home, closing), http.StatusSeeOther)
	cora.get(home).has(t, "The candidate did not come", "Rang: ill.", "No visit is planned.")
	cora.get("/candidates/"+id).has(t, "Visit planned", "Planned visit moved or changed", "Said whether a planned visit took place", `href="`+home+`"`)

	// Whatever ends the journey calls off what stands, in the file as well.
	wantStatus(t, "another", cora.post(home, with("key", "again", "day", "2026-08-03")), http.StatusSeeOther)
	w.give("cora", id, journey.Withdraw, &command.Plain{})
	cora.get(home+"/planned-2/calendar.ics").has(t, "METHOD:CANCEL", "STATUS:CANCELLED", "SEQUENCE:1")
	cora.get("/visits?from=2026-07-27").lacks(t, "Fjellgren")
}

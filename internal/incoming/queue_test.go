package incoming_test

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"candidacy/internal/command"
	"candidacy/internal/dispatch"
	"candidacy/internal/incoming"
	"candidacy/internal/intake"
	"candidacy/internal/journey"
	"candidacy/internal/reading"
	"candidacy/internal/record"
	"candidacy/internal/result"
)

// patient is what a message says of a person.
func patient(members object) object {
	p := object{"resourceType": "Patient"}
	for name, v := range members {
		p[name] = v
	}
	return p
}

func named(family, given string) []any {
	return []any{object{"family": family, "given": []any{given}}}
}

func numbers(values ...string) []any {
	var list []any
	for _, v := range values {
		system, value, _ := strings.Cut(v, "|")
		list = append(list, object{"system": system, "value": value})
	}
	return list
}

// about is a message of one result about a Patient that it brings along.
func about(p person, id string, pat, members object) object {
	all := object{"subject": object{"reference": "urn:uuid:1"}}
	for name, v := range members {
		all[name] = v
	}
	return bundle("collection", object{"fullUrl": "urn:uuid:1", "resource": pat}, object{"fullUrl": "urn:uuid:2", "resource": observation(p, id, all)})
}

// TestMatching: only an identifier finds somebody, exactly; what else is said of
// the person has to agree. Names are invented.
func TestMatching(t *testing.T) {
	p, other := candidate(t), candidate(t)
	mrn, theirs := hospital+"|"+p.mrn, hospital+"|"+other.mrn
	for _, tt := range []struct {
		name string
		pat  object
		want string // the kinds of issues, empty for a match
	}{
		{"the number alone", object{"identifier": numbers(mrn)}, ""},
		{"everything agrees", object{"identifier": numbers(mrn), "name": named("Testwick-Ode", "Bryn Maria"), "birthDate": "1981-05-06"}, ""},
		{"small letters and blanks", object{"identifier": numbers(mrn), "name": named("testwick ode", "BRYN")}, ""},
		{"one word", object{"identifier": numbers(mrn), "name": named("Testwickode", "Bryn-Maria")}, ""},
		{"the month of birth", object{"identifier": numbers(mrn), "birthDate": "1981-05"}, ""},
		{"a further number", object{"identifier": numbers("urn:other|77", mrn)}, ""},
		{"no such number", object{"identifier": numbers(hospital + "|T-none"), "name": named("Testwick-Ode", "Bryn Maria"), "birthDate": "1981-05-06"}, "no-candidate"},
		{"the number of another authority", object{"identifier": numbers("urn:other|" + p.mrn)}, "no-candidate"},
		{"the number in small letters", object{"identifier": numbers(strings.ToLower(mrn))}, "no-candidate"},
		{"a part of the number", object{"identifier": numbers(mrn[:len(mrn)-1])}, "no-candidate"},
		{"two candidates", object{"identifier": numbers(mrn, theirs)}, "several-candidates"},
		{"another family name", object{"identifier": numbers(mrn), "name": named("Testwick", "Bryn")}, "name-differs"},
		{"another given name", object{"identifier": numbers(mrn), "name": named("Testwick-Ode", "Brynja")}, "name-differs"},
		{"the second given name alone", object{"identifier": numbers(mrn), "name": named("Testwick-Ode", "Maria")}, "name-differs"},
		{"another date of birth", object{"identifier": numbers(mrn), "birthDate": "1981-06-05"}, "birth-date-differs"},
		{"another year", object{"identifier": numbers(mrn), "birthDate": "1982"}, "birth-date-differs"},
		{"nothing agrees", object{"identifier": numbers(mrn), "name": named("Other", "Name"), "birthDate": "1990-01-01"}, "name-differs birth-date-differs"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			id := unique()
			out := take(t, incoming.MLLP, "", "", about(p, id, patient(tt.pat), nil))
			_, there := results(t, p)[id]
			if kinds(out) != tt.want || there != (tt.want == "") || (out.State == incoming.Held) != (tt.want != "") {
				t.Errorf("%s: %q, on record %t, want %q", out.State, kinds(out), there, tt.want)
			}
			for _, i := range out.Issues {
				if strings.Contains(i.Error(), p.mrn) || strings.Contains(i.Error(), "Testwick") {
					t.Errorf("an issue names a person: %v", i)
				}
			}
		})
	}
}

// TestNamesOfOneWriting compares names that are written in several ways. The
// pairs of letters are those of German and Nordic machines without them.
func TestNamesOfOneWriting(t *testing.T) {
	same := map[string][]string{
		"Müller": {"Mueller", "MULLER", "müller"}, "Sørensen": {"Soerensen", "Sorensen"}, "Åkesson": {"Aakesson", "Akesson"},
		"O'Leary-Voss": {"OLeary Voss", "O’Leary Voss"}, "Groß": {"Gross"}, "Łącki": {"Lacki"}, "Núñez": {"Nunez"}, "Đorđić": {"Djordjic", "Dordic"},
	}
	for a, list := range same {
		for _, b := range list {
			if !incoming.SameName(a, b) || !incoming.SameName(b, a) {
				t.Errorf("%s is not %s", a, b)
			}
		}
		for b := range same {
			if a != b && incoming.SameName(a, b) {
				t.Errorf("%s is %s", a, b)
			}
		}
	}
	if incoming.SameName("李", "王") || !incoming.SameName("李", "李") || incoming.SameName("-", "-") {
		t.Error("names without Latin letters, or of none")
	}
}

// TestOrdersAgree: an order that is known has to be of the same person.
func TestOrdersAgree(t *testing.T) {
	p, other := candidate(t), candidate(t)
	order := other.id + "-order"
	_, err := sys.Store.Append(t.Context(), other.id, "publish-order", func(tx *record.Tx) (record.Draft, error) {
		state, err := tx.State()
		if err != nil {
			return record.Draft{}, err
		}
		e := journey.Event{Seq: state.Seq + 1, Command: journey.Command{ID: "publish-order", Candidate: other.id, Kind: journey.RecordContactDetails, Actor: "cora", At: today, Today: "2026-03-10"}}
		return record.Draft{Event: e, State: journey.Apply(sys.Current.Rules(), state, e), Resources: []record.Resource{{
			Type: "ServiceRequest", ID: order, Body: []byte(`{"resourceType":"ServiceRequest"}`),
			Index: []record.Index{{Param: "identifier", System: "urn:orders", Value: order}},
		}}}, nil
	})
	if err != nil {
		t.Fatal(err)
	}
	for name, tt := range map[string]struct {
		basedOn object
		want    string
	}{
		"another candidate's":    {object{"reference": "ServiceRequest/" + order}, "order-differs"},
		"the same by its number": {object{"identifier": object{"system": "urn:orders", "value": order}}, "order-differs"},
		"one of another system":  {object{"identifier": object{"system": "urn:others", "value": order}}, ""},
		"one that nobody knows":  {object{"reference": "ServiceRequest/unknown"}, ""},
	} {
		id := unique()
		out := take(t, incoming.MLLP, "", "", bundle("collection", object{"resource": observation(p, id, object{"basedOn": []any{tt.basedOn}})}))
		if kinds(out) != tt.want {
			t.Errorf("%s: %q, want %q", name, kinds(out), tt.want)
		}
	}
}

// TestControlIDs: the same message again has no effect; other bytes under the
// same id are held, unless the sender made them at another time.
func TestControlIDs(t *testing.T) {
	p := candidate(t)
	first := bundle("collection", object{"resource": observation(p, unique(), nil)})
	const sent, later = "2026-03-02T10:00:00+01:00", "2026-03-03T10:00:00+01:00"
	a := take(t, incoming.MLLP, "C-"+p.mrn, sent, first)
	before := entries(t, p)
	again := take(t, incoming.MLLP, "C-"+p.mrn, sent, first)
	if a.State != incoming.Applied || again.ID != a.ID || !again.Repeated || again.State != incoming.Applied || entries(t, p) != before {
		t.Errorf("first %+v, again %+v", a, again)
	}
	other := bundle("collection", object{"resource": observation(p, unique(), nil)})
	if out := take(t, incoming.MLLP, "C-"+p.mrn, sent, other); out.State != incoming.Held || kinds(out) != "control-id-reused" || entries(t, p) != before {
		t.Errorf("other bytes: %+v", out)
	}
	third := bundle("collection", object{"resource": observation(p, unique(), nil)})
	if out := take(t, incoming.MLLP, "C-"+p.mrn, "", third); out.State != incoming.Held {
		t.Errorf("other bytes of no time: %+v", out)
	}
	fourth := bundle("collection", object{"resource": observation(p, unique(), nil)})
	if out := take(t, incoming.MLLP, "C-"+p.mrn, later, fourth); out.State != incoming.Held {
		t.Errorf("one that another of no time came before: %+v", out)
	}
	fifth := bundle("collection", object{"resource": observation(p, unique(), nil)})
	take(t, incoming.MLLP, "D-"+p.mrn, sent, fifth)
	sixth := bundle("collection", object{"resource": observation(p, unique(), nil)})
	if out := take(t, incoming.MLLP, "D-"+p.mrn, later, sixth); out.State != incoming.Applied {
		t.Errorf("a counter that began anew: %+v", out)
	}
	// Whoever waits for the answer is told.
	seventh := bundle("collection", object{"resource": observation(p, unique(), nil)})
	take(t, incoming.API, "E-"+p.mrn, sent, fifth)
	if out := take(t, incoming.API, "E-"+p.mrn, sent, seventh); out.State != incoming.Refused {
		t.Errorf("a key that was used: %+v", out)
	}
}

// TestEveryOrderOfDelivery: the messages about one result, delivered in any order
// and twice, leave the same result, requirements and flags.
func TestEveryOrderOfDelivery(t *testing.T) {
	history := []object{
		{"status": "preliminary", "issued": "2026-03-02T09:00:00+01:00", "valueQuantity": quantity("1.10")},
		{"status": "final", "issued": "2026-03-02T10:00:00+01:00", "valueQuantity": quantity("1.05")},
		{"status": "corrected", "issued": "2026-03-02T11:00:00+01:00", "valueQuantity": quantity("2.05")},
		{"status": "corrected", "issued": "2026-03-02T12:00:00+01:00", "valueQuantity": quantity("0.95")},
	}
	want := ""
	for _, order := range permutations(len(history)) {
		p, id := candidate(t), unique()
		for _, i := range append(slices.Clone(order), order...) {
			out := take(t, incoming.MLLP, fmt.Sprintf("O-%s-%d", p.mrn, i), "", bundle("collection", object{"resource": observation(p, id, history[i])}))
			if out.State == incoming.Received || out.State == incoming.Refused {
				t.Fatalf("order %v: %+v", order, out)
			}
		}
		c, err := sys.Store.Candidate(t.Context(), p.id)
		if err != nil {
			t.Fatal(err)
		}
		r := results(t, p)[id]
		creatinine, _ := c.State.Find("creatinine")
		got := fmt.Sprint(r.Status, r.Value.Quantity.Value, r.Issued, creatinine.Status, c.WorstBand)
		if want == "" {
			want = got
		}
		if got != want {
			t.Errorf("order %v ends in %s, want %s", order, got, want)
		}
	}
	if !strings.Contains(want, "corrected0.95") {
		t.Errorf("it ends in %s", want)
	}
}

func permutations(n int) [][]int {
	if n == 0 {
		return [][]int{nil}
	}
	var all [][]int
	for _, p := range permutations(n - 1) {
		for i := 0; i <= len(p); i++ {
			all = append(all, slices.Insert(slices.Clone(p), i, n-1))
		}
	}
	return all
}

// TestLateResults of a journey that has ended are held, and their sender learns
// nothing that another held message does not tell.
func TestLateResults(t *testing.T) {
	p := candidate(t)
	give(t, p.id, journey.Withdraw, "cora", journey.Coordinator, &command.Plain{})
	id := unique()
	ended := ask(t, server, "POST", "/Observation", observation(p, id, nil))
	unknown := ask(t, server, "POST", "/Observation", observation(person{mrn: "nobody"}, unique(), nil))
	if ended.Code != 202 || ended.Body.String() != unknown.Body.String() || fmt.Sprint(ended.Header()) != fmt.Sprint(unknown.Header()) {
		t.Errorf("ended: %d %s; unknown: %d %s", ended.Code, ended.Body, unknown.Code, unknown.Body)
	}
	early := referred(t, "", false)
	if w := ask(t, server, "POST", "/Observation", observation(early, unique(), nil)); w.Code != 202 || w.Body.String() != ended.Body.String() {
		t.Errorf("before screening: %d %s", w.Code, w.Body)
	}
	list, err := sys.Store.Incomings(t.Context(), 10_000, record.IncomingHeld)
	if err != nil {
		t.Fatal(err)
	}
	found := slices.ContainsFunc(list, func(m record.Incoming) bool {
		return strings.Contains(string(m.Raw), id) && strings.Contains(string(m.Parts), `"not-now"`)
	})
	if !found {
		t.Error("it is not held")
	}
}

// TestWhoCaresForTheRecipient finds nobody: a message in their name is held.
func TestWhoCaresForTheRecipient(t *testing.T) {
	recipient := "R-" + unique()
	p := referred(t, recipient, true)
	if err := sys.Store.AddToRecipientTeam(t.Context(), recipient, "team"); err != nil {
		t.Fatal(err)
	}
	for actor, want := range map[string]incoming.State{"team": incoming.Held, "cora": incoming.Applied} {
		out, err := sys.Incoming.Take(t.Context(), incoming.Delivery{
			Channel: incoming.API, Sender: actor, Actor: actor, Role: journey.Coordinator, ContentType: intake.ContentType,
			Raw: []byte(text(t, bundle("collection", object{"resource": observation(p, unique(), nil)}))),
		})
		if err != nil || out.State != want || want == incoming.Held && (kinds(out) != "no-candidate" || out.Parts[0].Candidate != "") {
			t.Errorf("%s: %+v, %v", actor, out, err)
		}
	}
}

// deed is a decision of a coordinator on a message as it stands.
func deed(t *testing.T, id string, act incoming.Act, change func(*incoming.Deed)) (incoming.Outcome, error) {
	t.Helper()
	d := incoming.Deed{
		Message: id, Revision: kept(t, id).Revision, Key: unique(), Act: act, Reason: "Looked at it.", Actor: "cora", Role: journey.Coordinator,
	}
	if change != nil {
		change(&d)
	}
	return sys.Incoming.Decide(context.Background(), d)
}

func TestAssigning(t *testing.T) {
	p := candidate(t)
	id, number := unique(), "X-"+unique()
	message := about(p, id, patient(object{"identifier": numbers("urn:other|" + number), "name": named("Other", "Name")}), nil)
	out := take(t, incoming.MLLP, "", "", message)
	if out.State != incoming.Held || kinds(out) != "no-candidate" {
		t.Fatalf("taken as %+v", out)
	}
	to := func(d *incoming.Deed) { d.Candidate, d.BirthDate = p.id, "1981-05-06" }
	for name, change := range map[string]func(*incoming.Deed){
		"reason":     func(d *incoming.Deed) { to(d); d.Reason = " " },
		"birth_date": func(d *incoming.Deed) { to(d); d.BirthDate = "1981-05-07" },
		"candidate":  func(d *incoming.Deed) { to(d); d.Candidate = "00000000-0000-4000-8000-000000000000" },
		"group":      func(d *incoming.Deed) { to(d); d.Group = 1 },
		"act":        func(d *incoming.Deed) { to(d); d.Act = "guess" },
		"alias": func(d *incoming.Deed) {
			to(d)
			d.Alias, d.AliasKind = &result.Identifier{System: "urn:other", Value: "1"}, record.IdentifierAlias
		},
		"alias_kind": func(d *incoming.Deed) { to(d); d.Alias = &result.Identifier{System: "urn:other", Value: number} },
	} {
		_, err := deed(t, out.ID, incoming.Assign, change)
		var invalid *command.Invalid
		if !errors.As(err, &invalid) || !slices.ContainsFunc(invalid.Faults, func(f command.Fault) bool { return f.Field == name }) {
			t.Errorf("%s: %v", name, err)
		}
	}
	for _, role := range journey.Roles {
		_, err := deed(t, out.ID, incoming.Assign, func(d *incoming.Deed) { to(d); d.Role = role; d.Reason = "" })
		var refusal *journey.Refusal
		if forbidden := errors.As(err, &refusal) && refusal.Code == journey.Forbidden; forbidden != (role != journey.Coordinator) {
			t.Errorf("%s: %v", role, err)
		}
	}
	key := unique()
	alias := func(d *incoming.Deed) {
		to(d)
		d.Key, d.Alias, d.AliasKind = key, &result.Identifier{System: "urn:other", Value: number}, record.IdentifierMerged
	}
	revision := kept(t, out.ID).Revision
	for range 2 { // the form is sent twice
		done, err := deed(t, out.ID, incoming.Assign, func(d *incoming.Deed) { alias(d); d.Revision = revision })
		if err != nil || done.State != incoming.Applied || done.Parts[0].Candidate != p.id {
			t.Fatalf("assigned with %+v, %v", done, err)
		}
	}
	if results(t, p)[id].Version != 1 || entries(t, p) != 3 {
		t.Errorf("on record are %+v", results(t, p))
	}
	acts, err := sys.Store.IncomingActs(t.Context(), out.ID)
	if err != nil || len(acts) != 1 || acts[0].Actor != "cora" || acts[0].Kind != "assign" || acts[0].Reason != "Looked at it." {
		t.Errorf("what was done is %+v, %v", acts, err)
	}
	// From now on the number finds the candidate by itself.
	if out = take(t, incoming.MLLP, "", "", about(p, unique(), patient(object{"identifier": numbers("urn:other|" + number)}), nil)); out.State != incoming.Applied {
		t.Errorf("the next message is %+v", out)
	}
	// A number is one candidate's, a referral's too.
	other := candidate(t)
	held := take(t, incoming.MLLP, "", "", about(other, unique(), patient(object{"identifier": numbers("urn:other|"+number, hospital+"|"+other.mrn)}), nil))
	_, err = deed(t, held.ID, incoming.Assign, func(d *incoming.Deed) {
		d.Candidate, d.BirthDate = other.id, "1981-05-06"
		d.Alias, d.AliasKind = &result.Identifier{System: "urn:other", Value: number}, record.IdentifierAlias
	})
	var refusal *journey.Refusal
	if !errors.As(err, &refusal) || refusal.Field != "alias" || kept(t, held.ID).State != incoming.Held {
		t.Errorf("another candidate's number: %v", err)
	}
}

func TestDecisions(t *testing.T) {
	p, id := candidate(t), unique()
	send := func(members object) incoming.Outcome {
		return take(t, incoming.MLLP, unique(), "", bundle("collection", object{"resource": observation(p, id, members)}))
	}
	send(nil)
	conflict := send(object{"status": "preliminary", "issued": "2026-03-03T10:00:00+01:00", "valueQuantity": quantity("1.00")})
	if conflict.State != incoming.Held || kinds(conflict) != "status-conflict" {
		t.Fatalf("taken as %+v", conflict)
	}
	// A person lets it in, and who and why stand in the entry.
	done, err := deed(t, conflict.ID, incoming.Accept, nil)
	if err != nil || done.State != incoming.Applied || results(t, p)[id].Status != result.Preliminary {
		t.Fatalf("accepted with %+v, %v", done, err)
	}
	list, err := sys.Store.Entries(t.Context(), p.id)
	if err != nil || !strings.Contains(string(list[len(list)-1].Body), `"accepted":{"by":"cora","reason":"Looked at it."}`) || !strings.Contains(string(list[len(list)-1].Body), conflict.ID) {
		t.Errorf("the entry is %s, %v", list[len(list)-1].Body, err)
	}
	if _, err := deed(t, conflict.ID, incoming.SetAside, nil); err == nil {
		t.Error("what is on record was set aside")
	}
	// What was sent before does not come back by itself.
	if send(nil); results(t, p)[id].Status != result.Preliminary {
		t.Errorf("the first report came back: %+v", results(t, p)[id])
	}

	// Two people at once: one of them is told.
	held := take(t, incoming.MLLP, "", "", about(p, unique(), patient(object{"identifier": numbers("urn:other|" + unique())}), nil))
	revision := kept(t, held.ID).Revision
	if _, err := deed(t, held.ID, incoming.SetAside, func(d *incoming.Deed) { d.Actor = "cory" }); err != nil {
		t.Fatal(err)
	}
	_, err = deed(t, held.ID, incoming.Assign, func(d *incoming.Deed) { d.Revision, d.Candidate, d.BirthDate = revision, p.id, "1981-05-06" })
	var refusal *journey.Refusal
	if !errors.As(err, &refusal) || refusal.Code != journey.Conflict || kept(t, held.ID).State != incoming.Settled {
		t.Errorf("the second was answered %v", err)
	}
	// What was set aside can be looked at again, and not carried out unseen.
	if _, err := deed(t, held.ID, incoming.Assign, func(d *incoming.Deed) { d.Candidate, d.BirthDate = p.id, "1981-05-06" }); err == nil {
		t.Error("what was set aside was assigned")
	}
	if again, err := deed(t, held.ID, incoming.Again, nil); err != nil || again.State != incoming.Held {
		t.Errorf("looked at again: %+v, %v", again, err)
	}

	// A message that was refused can be read again, once more is understood.
	wrong := bundle("transaction", entry("POST Observation", observation(p, unique(), object{"valueQuantity": object{"value": 80, "system": "http://unitsofmeasure.org", "code": "umol/L"}}), nil))
	if w := ask(t, server, "POST", "", wrong); w.Code != 422 {
		t.Fatalf("%d %s", w.Code, w.Body)
	}
	for mid, m := range messages(t) {
		if m.State == incoming.Refused && string(m.Raw) == text(t, wrong) {
			if again, err := deed(t, mid, incoming.Again, nil); err != nil || again.State != incoming.Refused || kinds(again) != "not-accepted" {
				t.Errorf("read again: %+v, %v", again, err)
			}
		}
	}
}

// partly reads one result and an issue of another.
type partly struct{ group reading.Group }

func (r partly) Read(reading.Input) (reading.Message, error) {
	return reading.Message{Groups: []reading.Group{r.group}}, nil
}

// TestTheRestAndWrongPatients with a reader that understands a part.
func TestTheRestAndWrongPatients(t *testing.T) {
	p, other := candidate(t), candidate(t)
	mine, theirs := unique(), unique()
	result1 := func(id string, status result.Status, issued string) command.Result {
		return command.Result{
			Identifier: result.Identifier{System: lab, Value: id}, Status: status, Code: result.Coding{System: loinc, Code: "2160-0"},
			Quantity: &result.Quantity{Value: "0.9", Unit: "mg/dL"}, Effective: "2026-03-02T08:00:00+01:00", Issued: issued,
		}
	}
	group := reading.Group{
		Place: "PID", Identifiers: []reading.Identifier{{System: hospital, Value: p.mrn}}, Results: []command.Result{result1(mine, "final", "")}, Places: []string{"OBX[1]"},
		Issues: []reading.Issue{{Kind: reading.UnmappedCode, Location: "OBX[2]-3", Problem: "the code is in no table"}},
	}
	send := func(g reading.Group) incoming.Outcome {
		t.Helper()
		name := "test/" + unique()
		sys.Incoming.Readers[name] = partly{g}
		out, err := sys.Incoming.Take(t.Context(), incoming.Delivery{Channel: incoming.MLLP, Sender: "lab-1", ContentType: name, Raw: []byte(unique())})
		if err != nil {
			t.Fatal(err)
		}
		return out
	}
	out := send(group)
	if out.State != incoming.Held || kinds(out) != "unmapped-code" {
		t.Fatalf("taken as %+v", out)
	}
	if done, err := deed(t, out.ID, incoming.Rest, nil); err != nil || done.State != incoming.Applied || results(t, p)[mine].Version != 1 {
		t.Errorf("the rest: %+v, %v", done, err)
	}
	// A result that the sender takes back stands on another's record.
	if w := ask(t, server, "POST", "/Observation", observation(other, theirs, nil)); w.Code != 201 {
		t.Fatal(w.Code)
	}
	back := reading.Group{
		Place: "PID", Identifiers: group.Identifiers, Places: []string{"OBX[1]", "OBX[2]"}, WrongPatient: []int{0, 1},
		Results: []command.Result{result1(theirs, "entered-in-error", "2026-03-05T10:00:00+01:00"), result1(mine, "entered-in-error", "2026-03-05T10:00:00+01:00")},
	}
	out = send(back)
	if out.State != incoming.Held || kinds(out) != "wrong-patient" || results(t, other)[theirs].Status != result.Final {
		t.Fatalf("taken as %+v", out)
	}
	if done, err := deed(t, out.ID, incoming.TakeBack, nil); err != nil || done.State != incoming.Applied {
		t.Fatalf("taken back: %+v, %v", done, err)
	}
	if results(t, other)[theirs].Status != result.EnteredInError || results(t, p)[mine].Status != result.EnteredInError {
		t.Errorf("they are %s and %s", results(t, other)[theirs].Status, results(t, p)[mine].Status)
	}
	// A reader that fails is no reason to lose a message.
	sys.Incoming.Readers["test/failing"] = failing{}
	broken, err := sys.Incoming.Receive(t.Context(), incoming.Delivery{Channel: incoming.MLLP, ContentType: "test/failing", Raw: []byte("Testwick")})
	if err != nil || broken.State != incoming.Refused || strings.Contains(fmt.Sprint(broken), "Testwick") {
		t.Errorf("received as %+v, %v", broken, err)
	}
	if _, err := sys.Incoming.Receive(t.Context(), incoming.Delivery{ContentType: "text/none"}); !errors.Is(err, incoming.ErrContentType) {
		t.Errorf("no reader: %v", err)
	}
}

type failing struct{}

func (failing) Read(in reading.Input) (reading.Message, error) {
	return reading.Message{}, fmt.Errorf("can't read %s", in.Raw)
}

// interrupted submits nothing as long as it is broken.
type interrupted struct {
	*dispatch.Dispatcher
	broken bool
	given  int
}

func (s *interrupted) Submit(ctx context.Context, r dispatch.Request) (dispatch.Receipt, error) {
	if s.broken {
		return dispatch.Receipt{}, errors.New("the engine is away")
	}
	s.given++
	return s.Dispatcher.Submit(ctx, r)
}

// TestNothingReceivedIsLost: a message that could not be carried out stays, is
// put off, and is taken up again.
func TestNothingReceivedIsLost(t *testing.T) {
	p, id := candidate(t), unique()
	defer func(was time.Time) { today = was }(today)
	submit := &interrupted{Dispatcher: sys.Dispatcher, broken: true}
	q := incoming.New(sys.Store, submit, now, nil)
	q.Readers = sys.Incoming.Readers
	d := incoming.Delivery{Channel: incoming.MLLP, Sender: "lab-1", ControlID: unique(), ContentType: intake.ContentType, Raw: []byte(text(t, bundle("collection", object{"resource": observation(p, id, nil)})))}
	received, err := q.Receive(t.Context(), d)
	if err != nil || received.State != incoming.Received {
		t.Fatalf("received as %+v, %v", received, err)
	}
	for attempt := 1; attempt <= 3; attempt++ {
		if err := q.CarryOutWaiting(t.Context()); err != nil {
			t.Fatal(err)
		}
		if m := kept(t, received.ID); m.State != incoming.Received || m.Attempts != attempt || !m.DueAt.After(today) {
			t.Fatalf("after attempt %d: %s, %d, due %v", attempt, m.State, m.Attempts, m.DueAt)
		}
		// Before it is due nobody tries.
		if err := q.CarryOutWaiting(t.Context()); err != nil || kept(t, received.ID).Attempts != attempt {
			t.Errorf("tried before it was due: %v", err)
		}
		today = today.Add(time.Hour)
	}
	// One that a process has claimed is left to it, until its lease ends.
	if list, err := sys.Store.ClaimIncoming(t.Context(), "another", today.Add(time.Minute), 10); err != nil || len(list) != 1 {
		t.Fatalf("claimed %d, %v", len(list), err)
	}
	submit.broken = false
	if err := q.CarryOutWaiting(t.Context()); err != nil || submit.given != 0 {
		t.Errorf("another's message was carried out: %v", err)
	}
	// The only process of a folder frees them when it starts.
	if err := sys.Store.FreeIncoming(t.Context()); err != nil {
		t.Fatal(err)
	}
	if err := q.CarryOutWaiting(t.Context()); err != nil || submit.given != 1 || results(t, p)[id].Version != 1 || kept(t, received.ID).State != incoming.Applied {
		t.Errorf("given %d times, %+v", submit.given, kept(t, received.ID))
	}
}

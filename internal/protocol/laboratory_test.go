package protocol_test

import (
	"bytes"
	"encoding/json"
	"strings"
	"testing"

	"candidacy/internal/conformance"
	"candidacy/internal/protocol"
	"candidacy/internal/protocol/protocoltest"
)

// laboratory is a section as a site may write it.
const laboratory = `laboratory:
  codes:
    - {code: CREA, to: "2160-0"}
    - {code: "777-3", to: "718-7"}
  units:
    - {text: mmHg, to: "mm[Hg]"}
    - {text: MG/DL, to: mg/dL}
  answers:
    - {text: Reactive, to: "10828004"}
    - {text: O pos, to: "278147001", of: ["882-1"]}
  senders:
    - id: north
      title: North laboratory
      application: LIS
      facility: NORTH
      certificate: lis.north.example
      system: https://north.example/result
      time_zone: America/New_York
      charset: 8859/1
      processing: T
      authorities:
        - {authority: NORTH, type: MR, system: "urn:oid:1.2.3"}
        - {authority: STATE, system: "urn:oid:1.2.4"}
      codes:
        - {code: CREA, unit: umol/L, to: "14682-9"}
        - {code: CREA, unit: mg/dL, to: "2160-0"}
        - {code: "2951-2", to: "2823-3"}
        - {code: LIP, skip: true}
      units:
        - {text: MG/DL, to: g/dL}
      answers:
        - {text: WEAK, to: "42425007"}
        - {text: WEAK, to: "10828004", of: ["5196-1"]}
    - id: any
      title: Another laboratory
      application: LIS
      system: https://any.example/result
      authorities: [{authority: ANY, system: "https://any.example/mrn"}]
`

func withLaboratory(t *testing.T, section string) (*protocol.Protocol, error) {
	t.Helper()
	return protocol.Parse([]byte(strings.TrimRight(protocoltest.Brief().Source(), "\n") + "\n" + section))
}

func TestSenders(t *testing.T) {
	p, err := withLaboratory(t, laboratory)
	if err != nil {
		t.Fatal(err)
	}
	for _, each := range []struct {
		application, facility string
		certificate           []string
		want                  string
	}{
		{"LIS", "NORTH", []string{"lis.north.example"}, "north"},
		{"LIS", "NORTH", nil, "any"}, {"LIS", "NORTH", []string{"lis.south.example"}, "any"},
		{"LIS", "SOUTH", []string{"lis.north.example"}, "any"}, {"LIS", "", nil, "any"},
		{"lis", "NORTH", []string{"lis.north.example"}, ""}, {"", "", nil, ""},
	} {
		s, ok := p.SenderOf(each.application, each.facility, each.certificate)
		if s.ID != each.want || ok != (each.want != "") {
			t.Errorf("%+v: %q", each, s.ID)
		}
	}
	north, _ := p.Sender("north")
	if _, ok := p.Sender("south"); ok || north.Zone().String() != "America/New_York" {
		t.Errorf("north is in %s", north.Zone())
	}
	if other, _ := p.Sender("any"); other.Zone() != p.Zone() {
		t.Errorf("a sender without a zone is in %s", other.Zone())
	}
	for _, each := range []struct{ authority, kind, want string }{
		{"NORTH", "MR", "urn:oid:1.2.3"}, {"NORTH", "PI", ""}, {"NORTH", "", ""},
		{"STATE", "NI", "urn:oid:1.2.4"}, {"STATE", "", "urn:oid:1.2.4"}, {"", "MR", ""},
	} {
		if is := north.PersonSystem(each.authority, each.kind); is != each.want {
			t.Errorf("%+v: %q", each, is)
		}
	}
}

func TestMappings(t *testing.T) {
	p, err := withLaboratory(t, laboratory)
	if err != nil {
		t.Fatal(err)
	}
	north, _ := p.Sender("north")
	other, _ := p.Sender("any")
	for _, each := range []struct {
		name   string
		sender protocol.Sender
		codes  []string
		loinc  string
		unit   string
		want   string
	}{
		{"by the unit", north, []string{"CREA"}, "", "umol/L", "14682-9"},
		{"by the other unit", north, []string{"CREA"}, "", "mg/dL", "2160-0"},
		{"in no unit of the sender's, then everybody's", north, []string{"CREA"}, "", "g/L", "2160-0"},
		{"everybody's", other, []string{"CREA"}, "", "umol/L", "2160-0"},
		{"LOINC before everybody's", other, []string{"777-3"}, "777-3", "", "777-3"},
		{"a local code that looks like LOINC", other, []string{"777-3"}, "", "", "718-7"},
		{"the sender's before LOINC", north, []string{"2951-2"}, "2951-2", "", "2823-3"},
		{"the alternative", other, []string{"X", "CREA"}, "", "", "2160-0"},
		{"LOINC that the protocol does not know", other, []string{"5792-7"}, "5792-7", "", "5792-7"},
		{"a wrong check digit", other, []string{"2160-1"}, "2160-1", "", ""},
		{"unknown", other, []string{"X"}, "", "", ""},
		{"nothing", north, []string{"", ""}, "", "", ""},
		{"left out", north, []string{"LIP"}, "", "", "skip"},
		{"of another sender", other, []string{"LIP"}, "", "", ""},
	} {
		m, ok := p.MeaningOf(each.sender, each.codes, each.loinc, each.unit)
		is := m.Code.Code
		if m.Skip {
			is = "skip"
		}
		if is != each.want || ok != (each.want != "") {
			t.Errorf("%s: %q, want %q", each.name, is, each.want)
		}
	}
	for _, each := range []struct {
		sender     protocol.Sender
		text, want string
	}{
		{north, "mmHg", "mm[Hg]"}, {north, "MG/DL", "g/dL"}, {other, "MG/DL", "mg/dL"}, {other, "mg/dL", "mg/dL"},
		{other, "mmhg", ""}, {other, "Mg/dL", ""}, {other, "", ""},
	} {
		if is, ok := p.UnitOf(each.sender, each.text); is != each.want || ok != (each.want != "") {
			t.Errorf("unit %q: %q, want %q", each.text, is, each.want)
		}
	}
	observation := func(code string) protocol.Observation {
		o, ok := p.Observation(code)
		if !ok {
			t.Fatalf("no observation %s", code)
		}
		return o
	}
	for _, each := range []struct {
		sender         protocol.Sender
		of, text, want string
	}{
		{other, "56888-1", "reactive", "10828004"}, {other, "56888-1", " REACTIVE  ", "10828004"}, {other, "56888-1", "260385009", "260385009"},
		{other, "882-1", "o  POS", "278147001"}, {other, "56888-1", "o pos", ""}, {other, "882-1", "reactive", ""},
		{north, "56888-1", "weak", "42425007"}, {north, "5196-1", "weak", "10828004"}, {other, "56888-1", "weak", ""}, {other, "56888-1", "", ""},
	} {
		if is, ok := p.AnswerOf(each.sender, observation(each.of), each.text); is.Code != each.want || ok != (each.want != "") {
			t.Errorf("%s of %s: %q, want %q", each.text, each.of, is.Code, each.want)
		}
	}
}

func TestBrokenLaboratories(t *testing.T) {
	for _, each := range []struct{ name, old, with, rule string }{
		{"a code twice", `{code: "777-3", to`, `{code: CREA, to`, "laboratory.codes[1].code"},
		{"no code", `{code: CREA, to`, `{code: "", to`, "laboratory.codes[0].code"},
		{"no LOINC number", `{code: CREA, to: "2160-0"}`, `{code: CREA, to: "2160-1"}`, "laboratory.codes[0].to"},
		{"nothing to map to", `{code: CREA, to: "2160-0"}`, `{code: CREA}`, "laboratory.codes[0].to"},
		{"left out and mapped", `{code: LIP, skip: true}`, `{code: LIP, skip: true, to: "2160-0"}`, "laboratory.senders.north.codes[3].skip"},
		{"a unit that it has not", `unit: umol/L, to: "14682-9"`, `unit: mg/dL, to: "14682-9"`, "laboratory.senders.north.codes[0].unit"},
		{"a unit twice", `{text: MG/DL, to: mg/dL}`, `{text: mmHg, to: mg/dL}`, "laboratory.units[1].text"},
		{"a unit with a blank", `{text: mmHg, to: "mm[Hg]"}`, `{text: mmHg, to: "mm Hg"}`, "laboratory.units[0].to"},
		{"no text", `{text: Reactive, to`, `{text: "", to`, "laboratory.answers[0].text"},
		{"an answer twice", `{text: O pos, to: "278147001", of: ["882-1"]}`, `{text: "REACTIVE ", to: "260385009"}`, "laboratory.answers[1].text"},
		{"an answer of nothing", `{text: Reactive, to: "10828004"}`, `{text: Reactive, to: "1"}`, "laboratory.answers[0].to"},
		{"an answer of another", `of: ["882-1"]`, `of: ["56888-1"]`, "laboratory.answers[1].to"},
		{"an answer of a number", `of: ["882-1"]`, `of: ["2160-0"]`, "laboratory.answers[1].of"},
		{"a sender twice", "id: any", "id: north", "laboratory.senders.north"},
		{"an id of two words", "id: any", "id: any one", "laboratory.senders.any one"},
		{"no title", "title: Another laboratory", `title: ""`, "laboratory.senders.any.title"},
		{"no application", "      application: LIS\n      system", "      system", "laboratory.senders.any"},
		{"no system", "system: https://any.example/result", "system: any", "laboratory.senders.any.system"},
		{"no zone", "time_zone: America/New_York", "time_zone: EST5", "laboratory.senders.north.time_zone"},
		{"no character set", "charset: 8859/1", "charset: latin1", "laboratory.senders.north.charset"},
		{"no processing id", "processing: T", "processing: test", "laboratory.senders.north.processing"},
		{"no authorities", `authorities: [{authority: ANY, system: "https://any.example/mrn"}]`, "facility: X", "laboratory.senders.any"},
		{"an authority twice", "{authority: STATE, system", "{authority: NORTH, type: MR, system", "laboratory.senders.north.authorities[1].authority"},
		{"an authority without a system", `{authority: STATE, system: "urn:oid:1.2.4"}`, `{authority: STATE, system: STATE}`, "laboratory.senders.north.authorities[1].system"},
		{"two of one address", "application: LIS\n      system", "application: LIS\n      facility: NORTH\n      certificate: lis.north.example\n      system", "laboratory.senders.any.application"},
	} {
		if strings.Count(laboratory, each.old) == 0 {
			t.Fatalf("%s: the section does not hold %q", each.name, each.old)
		}
		_, err := withLaboratory(t, strings.Replace(laboratory, each.old, each.with, 1))
		faults := protocol.Faults(err)
		if len(faults) == 0 || !strings.HasPrefix(faults[0].Rule, each.rule) {
			t.Errorf("%s: %v, want a fault of %s", each.name, err, each.rule)
			continue
		}
		// The line is one of the section.
		if first := strings.Count(protocoltest.Brief().Source(), "\n"); faults[0].Line <= first {
			t.Errorf("%s: line %d, and the section begins after line %d", each.name, faults[0].Line, first)
		}
	}
}

func TestLaboratoriesAreCompared(t *testing.T) {
	from, err := withLaboratory(t, laboratory)
	if err != nil {
		t.Fatal(err)
	}
	text := laboratory
	for old, with := range map[string]string{
		`{code: CREA, unit: mg/dL, to: "2160-0"}`: `{code: GLU, to: "1558-6"}`, "processing: T": "processing: P",
		`{text: mmHg, to: "mm[Hg]"}`: `{text: mm Hg, to: "mm[Hg]"}`, `{authority: STATE, system`: `{authority: STATE, type: NI, system`,
		`{text: WEAK, to: "42425007"}`: `{text: WEAK, to: "260385009"}`,
	} {
		text = strings.Replace(text, old, with, 1)
	}
	to, err := withLaboratory(t, text)
	if err != nil {
		t.Fatal(err)
	}
	var is []string
	for _, c := range protocol.Diff(from, to) {
		line := c.Part + " " + c.ID + " " + c.Kind
		for _, f := range c.Fields {
			line += " " + f.Field + " " + f.From + ">" + f.To
		}
		is = append(is, line)
	}
	want := []string{
		"laboratory.units mm Hg added", "laboratory.units mmHg removed",
		"laboratory.senders north changed processing T>P",
		"laboratory.senders.north.authorities STATE NI added", "laboratory.senders.north.authorities STATE removed",
		"laboratory.senders.north.codes GLU added", "laboratory.senders.north.codes CREA mg/dL removed",
		"laboratory.senders.north.answers weak changed to 42425007>260385009",
	}
	if strings.Join(is, "\n") != strings.Join(want, "\n") {
		t.Errorf("%s\nwant\n%s", strings.Join(is, "\n"), strings.Join(want, "\n"))
	}
	if changes := protocol.Diff(to, to); len(changes) != 0 {
		t.Errorf("one text differs from itself: %v", changes)
	}
}

// The numbers are of LOINC's own examples and of common tests; the last digit is
// a check digit.
func TestLOINCNumbers(t *testing.T) {
	for _, code := range []string{"2160-0", "718-7", "14682-9", "85354-9", "882-1", "98980-6", "4548-4"} {
		if !protocol.LOINCCode(code) {
			t.Errorf("%s is refused", code)
		}
	}
	for _, code := range []string{"", "-", "2160", "2160-1", "2106-0", "2160-00", "-0", "2160-x", "21x0-0", "12345678-9", "2160-0 "} {
		if protocol.LOINCCode(code) {
			t.Errorf("%q is taken", code)
		}
	}
}

// TestTheDefaultSpeaksLOINCAndUCUM asks the check digits of every LOINC code, and
// an independent UCUM library for every unit.
func TestTheDefaultSpeaksLOINCAndUCUM(t *testing.T) {
	p := protocol.Default()
	units := map[string]bool{}
	for _, o := range p.Observations {
		if !o.Local && !protocol.LOINCCode(o.Code) {
			t.Errorf("observation %s is no LOINC number", o.Code)
		}
		for _, u := range o.Units {
			units[u] = true
		}
	}
	codes, texts := p.Laboratory.Codes, p.Laboratory.Units
	for _, s := range p.Laboratory.Senders {
		codes, texts = append(codes, s.Codes...), append(texts, s.Units...)
	}
	for _, m := range codes {
		if _, known := p.Observation(m.To); !m.Skip && !known {
			t.Errorf("code %s is mapped to %s, which no rule knows", m.Code, m.To)
		}
	}
	for _, m := range texts {
		units[m.To] = true
	}
	var list []string
	var same []map[string]any
	for u := range units {
		list, same = append(list, u), append(same, map[string]any{"from": u, "to": u, "value": 1})
	}
	out := conformance.Script(t, "convert.mjs", same)
	answers := json.NewDecoder(bytes.NewReader(out))
	for _, u := range list {
		var answer struct {
			Error string `json:"error"`
		}
		if err := answers.Decode(&answer); err != nil {
			t.Fatal(err)
		}
		// The library knows arbitrary units and does not convert them.
		if answer.Error != "" && !strings.Contains(answer.Error, "arbitrary") {
			t.Errorf("%s: %s", u, answer.Error)
		}
	}
}

package oru_test

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"

	"candidacy/internal/command"
	"candidacy/internal/hl7"
	"candidacy/internal/oru"
	"candidacy/internal/protocol"
	"candidacy/internal/reading"
	messages "candidacy/testdata/hl7"
)

var standard = protocol.Default()

func read(p *protocol.Protocol, raw []byte) (reading.Message, error) {
	return oru.Reader{Protocol: p}.Read(reading.Input{Raw: raw})
}

// brief writes a result in one line: place, status, code, value, time.
func brief(place string, r command.Result) string {
	value := r.Text
	switch {
	case r.Quantity != nil:
		value = r.Quantity.Comparator + r.Quantity.Value.String() + " " + r.Quantity.Unit
	case r.Coded != nil:
		value = r.Coded.Code + " " + r.Coded.Display
	}
	for _, c := range r.Components {
		value += fmt.Sprintf("[%s %s %s]", c.Code.Code, c.Value.Quantity.Value, c.Value.Quantity.Unit)
	}
	return strings.Join([]string{place, string(r.Status), r.Code.Code, value, r.Effective}, " | ")
}

func lines(g reading.Group) string {
	var list []string
	for i, r := range g.Results {
		list = append(list, brief(g.Places[i], r))
	}
	for _, i := range g.Issues {
		list = append(list, fmt.Sprintf("%s %s %s", i.Kind, i.Location, i.Code))
	}
	return strings.Join(list, "\n")
}

// TestMessages reads the synthetic messages. What is expected follows from their
// text by chapter 7 of the standard; times of the sender without a zone are
// those of Stockholm.
func TestMessages(t *testing.T) {
	for name, want := range map[string]string{
		"results": `OBX | final | 2160-0 | 0.90 mg/dL | 2024-01-05T07:30:00+01:00
OBX[2] | final | 1558-6 | 92 mg/dL | 2024-01-05T07:30:00+01:00
OBX[3] | final | 4548-4 | 5.40 % | 2024-01-05T07:30:00+01:00
OBX[4] | final | 9318-7 | <5 mg/g{creat} | 2024-01-05T07:30:00+01:00
OBX[6] | final | 56888-1 | 260385009 Non-Reactive | 2024-01-05T07:35:00+01:00
OBX[7] | final | 5196-1 | 260385009 NEGATIVE | 2024-01-05T07:35:00+01:00
OBX[8] | final | 882-1 | 278149003 A Rh(D) positive | 2024-01-05T07:35:00+01:00
OBX[9] | final | 85354-9 | [8480-6 118 mm[Hg]][8462-4 76 mm[Hg]] | 2024-01-05T08:00:00+01:00
OBX[11] | final | 85354-9 | [8480-6 116 mm[Hg]][8462-4 74 mm[Hg]] | 2024-01-05T08:05:00+01:00`,
		"preliminary":   `OBX | preliminary | 14682-9 | 81 umol/L | 2024-01-08T07:30:00+01:00`,
		"final":         `OBX | final | 14682-9 | 80 umol/L | 2024-01-08T07:30:00+01:00`,
		"corrected":     `OBX | corrected | 14682-9 | 88 umol/L | 2024-01-08T07:30:00+01:00`,
		"wrong-patient": `OBX | entered-in-error | 14682-9 |  | 2024-01-08T07:30:00+01:00`,
		"old": `OBX | final | 718-7 | 13.2 g/dL | 1999-12-31T08:00:00+01:00
OBX[2] | final | 2823-3 | 4.10 meq/L | 1999-12-31T08:00:00+01:00`,
		"documents": "OBX | final | 18782-3 | Two renal arteries on the left.\nOne on the right, no stones seen. | 2024-01-10T09:00:00+01:00\n" +
			"OBX[3] | final | 19005-8 | Suitable & symmetrical.\nLeft kidney 11.2 cm. | 2024-01-10T09:00:00+01:00\n" +
			"not-supported OBX[4]-2 103",
		"unmapped": `OBX[4] | final | 2823-3 | 4.0 mmol/L | 2024-01-11T07:30:00+01:00
unmapped-code OBX-3.1 103
unmapped-code OBX[2]-3.1 103
unmapped-answer OBX[3]-5.1 103`,
		"two-people": `OBX | final | 2823-3 | 4.0 mmol/L | 2024-01-12T07:30:00+01:00`,
	} {
		m, err := read(standard, messages.Message(name))
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		if is := lines(m.Groups[0]); is != want {
			t.Errorf("%s:\n%s\nwant\n%s", name, is, want)
		}
		// What was read, the commands take.
		for _, g := range m.Groups {
			var faults command.Faults
			if len(g.Results) > 0 {
				(&command.RecordResults{Results: g.Results}).Check(&faults)
			}
			standard.CheckResults(&faults, g.Results)
			if err := faults.Err(); err != nil {
				t.Errorf("%s: %v", name, err)
			}
		}
	}
}

// TestWhatIsReportedBeside looks at everything else that the first message says.
func TestWhatIsReportedBeside(t *testing.T) {
	m, err := read(standard, messages.Message("results"))
	if err != nil {
		t.Fatal(err)
	}
	g := m.Groups[0]
	equal := func(what string, is, want any) {
		t.Helper()
		if fmt.Sprintf("%+v", is) != fmt.Sprintf("%+v", want) {
			t.Errorf("%s: %+v, want %+v", what, is, want)
		}
	}
	equal("sent", m.Sent, "2024-01-05T14:24:05+01:00")
	equal("separate", m.Separate, false)
	equal("identifiers", g.Identifiers, []reading.Identifier{
		{System: "urn:oid:1.2.36.146.595.217.0.1", Value: "SYN-0022", Authority: "EXAMPLE-HOSPITAL", Type: "MR"},
		{Value: "4711", Authority: "SOMEWHERE", Type: "PI"},
	})
	equal("person", g.Person, reading.Person{Family: "Fictborne", Given: "Vesmara", BirthDate: "1987-07-01", Sex: "F"})
	const system = "https://lab.candidacy.example/result"
	equal("orders", g.Orders, []reading.Order{
		{Placer: "P-100", Filler: "F-100", FillerSystem: system}, {Placer: "P-101", Filler: "F-101", FillerSystem: system},
		{Placer: "P-102", Filler: "F-102", FillerSystem: system},
	})
	creatinine, glucose, pressure := g.Results[0], g.Results[1], g.Results[7]
	equal("identifier", creatinine.Identifier.Value, "F-100/CREA//2024-01-05T07:30:00+01:00")
	equal("identifier of a reading", pressure.Identifier.Value, "F-102/85354-9/1/2024-01-05T08:00:00+01:00")
	equal("system", creatinine.Identifier.System, system)
	equal("code", creatinine.Code.System+" "+creatinine.Code.Display, "http://loinc.org Serum creatinine")
	equal("category", creatinine.Category+" "+pressure.Category, "laboratory vital-signs")
	equal("order", creatinine.Order, "P-100")
	equal("issued", creatinine.Issued, "2024-01-05T14:20:00+01:00")
	equal("interpretation", creatinine.Interpretation, []string{"N"})
	equal("range", creatinine.ReferenceRange.Low.Value+" "+creatinine.ReferenceRange.High.Value+" "+"0.50-1.10", "0.50 1.10 "+creatinine.ReferenceRange.Text)
	equal("range in words", g.Results[3].ReferenceRange.Text, "<30")
	equal("method", creatinine.Method, "Enzymatic")
	equal("performer", creatinine.Performer, "Example Laboratory")
	equal("specimen", creatinine.Specimen, "S-100")
	equal("type of specimen", *creatinine.SpecimenType, struct{ System, Code, Display string }{"http://terminology.hl7.org/CodeSystem/v2-0487", "SER", "Serum"})
	equal("note", glucose.Note, "Plasma.")
	equal("report", creatinine.Report.Identifier.Value+" "+string(creatinine.Report.Status)+" "+creatinine.Report.Category+" "+creatinine.Report.Issued+" "+creatinine.Report.Conclusion,
		"F-100/CHEM final LAB 2024-01-05T14:20:00+01:00 Fasting confirmed.")

	old, err := read(standard, messages.Message("old"))
	if err != nil {
		t.Fatal(err)
	}
	equal("the specimen before SPM", old.Groups[0].Results[0].SpecimenType.Code, "BLD")

	wrong, err := read(standard, messages.Message("wrong-patient"))
	if err != nil {
		t.Fatal(err)
	}
	equal("of another person", wrong.Groups[0].WrongPatient, []int{0})
	final, err := read(standard, messages.Message("final"))
	if err != nil {
		t.Fatal(err)
	}
	equal("one identity", wrong.Groups[0].Results[0].Identifier, final.Groups[0].Results[0].Identifier)

	two, err := read(standard, messages.Message("two-people"))
	if err != nil {
		t.Fatal(err)
	}
	equal("two people", two.Separate, true)
	equal("the second", two.Groups[1].Identifiers[0].Value+" "+lines(two.Groups[1]), "SYN-0023 OBX[2] | final | 2823-3 | 4.4 mmol/L | 2024-01-12T07:40:00+01:00")
}

// TestValues reads one OBX each: the types of chapter 2A, the tables 0078, 0085
// and 0125, and what laboratories send in their place.
func TestValues(t *testing.T) {
	const at = " | 2024-01-12T07:30:00+01:00"
	for _, each := range []struct{ name, obx, want string }{
		{"zeros at the end stay", "OBX|1|NM|K||4.00|mmol/L|||||F", "OBX | final | 2823-3 | 4.00 mmol/L" + at},
		{"zeros before a number", "OBX|1|NM|K||004.10|mmol/L|||||F", "OBX | final | 2823-3 | 4.10 mmol/L" + at},
		{"a plus sign", "OBX|1|NM|K||+4.1|mmol/L|||||F", "OBX | final | 2823-3 | 4.1 mmol/L" + at},
		{"no zero before the point", "OBX|1|NM|K||.5|mmol/L|||||F", "OBX | final | 2823-3 | 0.5 mmol/L" + at},
		{"nothing after the point", "OBX|1|NM|K||4.|mmol/L|||||F", "OBX | final | 2823-3 | 4 mmol/L" + at},
		{"negative", "OBX|1|NM|1925-7^Base excess^LN||-2.0|mmol/L|||||F", "OBX | final | 1925-7 | -2.0 mmol/L" + at},
		{"a limit", "OBX|1|NM|K||<1.5|mmol/L|||||F", "OBX | final | 2823-3 | <1.5 mmol/L" + at},
		{"a limit with a blank", "OBX|1|NM|K||>= 9|mmol/L|||||F", "OBX | final | 2823-3 | >=9 mmol/L" + at},
		{"a limit as a string", "OBX|1|ST|K||<1.5|mmol/L|||||F", "OBX | final | 2823-3 | <1.5 mmol/L" + at},
		{"a structured number", "OBX|1|SN|K||^4.0|mmol/L|||||F", "OBX | final | 2823-3 | 4.0 mmol/L" + at},
		{"a structured limit", "OBX|1|SN|K||>=^9|mmol/L|||||F", "OBX | final | 2823-3 | >=9 mmol/L" + at},
		{"equal", "OBX|1|SN|K||=^4|mmol/L|||||F", "OBX | final | 2823-3 | 4 mmol/L" + at},
		{"not equal", "OBX|1|SN|K||<>^4|mmol/L|||||F", "unreadable-value OBX-5.1 102"},
		{"a structured range", "OBX|1|SN|K||^4^-^5|mmol/L|||||F", "unreadable-value OBX-5.1 102"},
		{"a titre of a test that no rule knows", "OBX|1|SN|5048-4^ANA^LN||^1^:^80||||||F", "OBX | final | 5048-4 | 1:80" + at},
		{"nothing in a structured number", "OBX|1|SN|K||^|mmol/L|||||F", "unreadable-value OBX-5.1 102"},
		{"a comma", "OBX|1|NM|K||4,0|mmol/L|||||F", "unreadable-value OBX-5.1 102"},
		{"an exponent", "OBX|1|NM|K||4E0|mmol/L|||||F", "unreadable-value OBX-5.1 102"},
		{"words for a number", "OBX|1|NM|K||haemolysed|mmol/L|||||F", "unreadable-value OBX-5.1 102"},
		{"words in a string for a number", "OBX|1|ST|K||haemolysed|mmol/L|||||F", "unreadable-value OBX-5.1 102"},
		{"no value", "OBX|1|NM|K|||mmol/L|||||F", "unreadable-value OBX-5.1 101"},
		{"the null value", `OBX|1|NM|K||""|mmol/L|||||F`, "unreadable-value OBX-5.1 101"},
		{"the null value as a string", `OBX|1|ST|K||""|mmol/L|||||F`, "unreadable-value OBX-5.1 101"},
		{"two values", "OBX|1|NM|K||4.0~4.1|mmol/L|||||F", "unreadable-value OBX-5.1 102"},
		{"no unit", "OBX|1|NM|K||4.0||||||F", "unmapped-unit OBX-6.1 103"},
		{"an unknown unit", "OBX|1|NM|K||4.0|mval|||||F", "unmapped-unit OBX-6.1 103"},
		{"a unit by its text", "OBX|1|NM|K||4.0|x^mmol/L^L|||||F", "OBX | final | 2823-3 | 4.0 mmol/L" + at},
		{"a unit by its alternative", "OBX|1|NM|K||4.0|x^y^L^mmol/L^mmol/L^UCUM|||||F", "OBX | final | 2823-3 | 4.0 mmol/L" + at},
		{"what UCUM is called is UCUM", "OBX|1|NM|K||4.0|mmHg^^UCUM|||||F", "OBX | final | 2823-3 | 4.0 mmHg" + at},
		{"a count needs no unit", "OBX|1|NM|6301-6^INR^LN||1.1||||||F", "OBX | final | 6301-6 | 1.1 {INR}" + at},
		{"a number in a string that no rule knows", "OBX|1|ST|5778-6^Colour^LN||4||||||F", "OBX | final | 5778-6 | 4" + at},
		{"a number in a string that rules know", "OBX|1|ST|6301-6^INR^LN||1.1||||||F", "OBX | final | 6301-6 | 1.1 {INR}" + at},
		{"a code and no table", "OBX|1|NM|Q||4.0|mmol/L|||||F", "unmapped-code OBX-3.1 103"},
		{"LOINC with a wrong check digit", "OBX|1|NM|2823-4^^LN||4.0|mmol/L|||||F", "unmapped-code OBX-3.1 103"},
		{"LOINC as the alternative", "OBX|1|NM|Q^^L^2823-3^^LN||4.0|mmol/L|||||F", "OBX | final | 2823-3 | 4.0 mmol/L" + at},
		{"a code by another unit", "OBX|1|NM|CREA||80|µmol/L|||||F", "OBX | final | 14682-9 | 80 umol/L" + at},
		{"a code without the unit that it needs", "OBX|1|NM|CREA||80|g/L|||||F", "unmapped-code OBX-3.1 103"},
		{"left out", "OBX|1|NM|HAEM-INDEX||1||||||F", ""},
		{"an answer by its code", "OBX|1|CE|HIVCOMBO||10828004^x^SCT||||||F", "OBX | final | 56888-1 | 10828004 x" + at},
		{"an answer by its text", "OBX|1|CWE|HIVCOMBO||17^Reactive^L||||||F", "OBX | final | 56888-1 | 10828004 Reactive" + at},
		{"an answer by its original text", "OBX|1|CWE|HIVCOMBO||^^^^^^^^negative||||||F", "OBX | final | 56888-1 | 260385009 negative" + at},
		{"an answer as a text", "OBX|1|TX|HIVCOMBO||Not detected||||||F", "OBX | final | 56888-1 | 260385009 Not detected" + at},
		{"an answer from a table of HL7", "OBX|1|IS|HIVCOMBO||NEG||||||F", "OBX | final | 56888-1 | 260385009 NEG" + at},
		{"an answer that is two", "OBX|1|CE|HIVCOMBO||NEG^Reactive^L||||||F", "unmapped-answer OBX-5.1 103"},
		{"an answer that is none", "OBX|1|CE|HIVCOMBO||GZ^grey zone^L||||||F", "unmapped-answer OBX-5.1 103"},
		{"a number for an answer", "OBX|1|NM|HIVCOMBO||0.1|{ratio}|||||F", "unmapped-answer OBX-5.1 103"},
		{"an answer that no rule knows", "OBX|1|CE|5778-6^Colour^LN||YEL^Yellow^L^371244009^Yellow colour^SCT||||||F", "OBX | final | 5778-6 | 371244009 Yellow colour" + at},
		{"a panel in one value", "OBX|1|ST|85354-9^^LN||120/80|mmHg|||||F", "unreadable-value OBX-5.1 102"},
		{"a day", "OBX|1|DT|8665-2^LMP^LN||20240101||||||F", "OBX | final | 8665-2 | 2024-01-01" + at},
		{"a month", "OBX|1|DT|8665-2^LMP^LN||202401||||||F", "OBX | final | 8665-2 | 2024-01" + at},
		{"a time", "OBX|1|TS|8665-2^LMP^LN||202401010830||||||F", "OBX | final | 8665-2 | 2024-01-01T08:30:00+01:00" + at},
		{"a time of day", "OBX|1|TM|8665-2^LMP^LN||0830||||||F", "OBX | final | 8665-2 | 08:30:00" + at},
		{"several lines", "OBX|1|TX|18782-3^^LN||one~two||||||F", "OBX | final | 18782-3 | one\ntwo" + at},
		{"a document", "OBX|1|ED|K||^TEXT^^A^x||||||F", "not-supported OBX-2 103"},
		{"a pointer", "OBX|1|RP|K||x^y^z||||||F", "not-supported OBX-2 103"},
		{"preliminary", "OBX|1|NM|K||4.0|mmol/L|||||P", "OBX | preliminary | 2823-3 | 4.0 mmol/L" + at},
		{"not verified", "OBX|1|NM|K||4.0|mmol/L|||||R", "OBX | preliminary | 2823-3 | 4.0 mmol/L" + at},
		{"partial", "OBX|1|NM|K||4.0|mmol/L|||||S", "OBX | preliminary | 2823-3 | 4.0 mmol/L" + at},
		{"corrected", "OBX|1|NM|K||4.0|mmol/L|||||C", "OBX | corrected | 2823-3 | 4.0 mmol/L" + at},
		{"amended", "OBX|1|NM|K||4.0|mmol/L|||||A", "OBX | amended | 2823-3 | 4.0 mmol/L" + at},
		{"final, not sent again", "OBX|1|NM|K||4.0|mmol/L|||||U", "OBX | final | 2823-3 | 4.0 mmol/L" + at},
		{"cannot be obtained", "OBX|1|NM|K||haemolysed||||||X", "OBX | cancelled | 2823-3 | " + at},
		{"deleted", "OBX|1|NM|K||4.0|?|||||D", "OBX | entered-in-error | 2823-3 | " + at},
		{"of another patient", "OBX|1|NM|K||4.0|?|||||W", "OBX | entered-in-error | 2823-3 | " + at},
		{"in the laboratory", "OBX|1|NM|K||||||||I", "OBX | registered | 2823-3 | " + at},
		{"ordered", "OBX|1|NM|K||||||||O", "OBX | registered | 2823-3 | " + at},
		{"not asked", "OBX|1|NM|K||||||||N", "OBX | registered | 2823-3 | " + at},
		{"a status to be decided", "OBX|1|NM|K||4.0|mmol/L|||||B", "unknown-status OBX-11 103"},
		{"a verified status to be decided", "OBX|1|NM|K||4.0|mmol/L|||||V", "unknown-status OBX-11 103"},
		{"its own time", "OBX|1|NM|K||4.0|mmol/L|||||F|||20240111060000-0500", "OBX | final | 2823-3 | 4.0 mmol/L | 2024-01-11T06:00:00-05:00"},
		{"a day only", "OBX|1|NM|K||4.0|mmol/L|||||F|||20240111", "OBX | final | 2823-3 | 4.0 mmol/L | 2024-01-11"},
		{"an hour", "OBX|1|NM|K||4.0|mmol/L|||||F|||2024011106", "OBX | final | 2823-3 | 4.0 mmol/L | 2024-01-11"},
		{"a month only", "OBX|1|NM|K||4.0|mmol/L|||||F|||202401", "no-collection-time OBX-14 102"},
		{"a time that was twice", "OBX|1|NM|K||4.0|mmol/L|||||F|||202310290230", "no-collection-time OBX-14 102"},
		{"a time that never was", "OBX|1|NM|K||4.0|mmol/L|||||F|||202403310230", "no-collection-time OBX-14 102"},
		{"two lines of a text", "OBX|1|TX|18782-3^^LN||one||||||F\nOBX|2|TX|18782-3^^LN||two||||||F", "OBX | final | 18782-3 | one\ntwo" + at},
		{"a sub-id", "OBX|1|NM|K|a|4.0|mmol/L|||||F\nOBX|2|NM|K|b|4.1|mmol/L|||||F",
			"OBX | final | 2823-3 | 4.0 mmol/L" + at + "\nOBX[2] | final | 2823-3 | 4.1 mmol/L" + at},
		{"its own id", "OBX|1|NM|K||4.0|mmol/L|||||F||||||||||I-1\nOBX|2|NM|K||4.1|mmol/L|||||F||||||||||I-2",
			"OBX | final | 2823-3 | 4.0 mmol/L" + at + "\nOBX[2] | final | 2823-3 | 4.1 mmol/L" + at},
		{"local segments", "ZZZ|1|anything\n" + messages.Potassium + "\nZDS|x", "OBX | final | 2823-3 | 4.0 mmol/L" + at},
	} {
		raw := messages.Changed(messages.Potassium, each.obx)
		if strings.Contains(each.obx, "µ") {
			raw = []byte(strings.Replace(string(raw), "|P|2.5.1", "|P|2.5.1||||||UNICODE UTF-8", 1))
		}
		m, err := read(standard, raw)
		if err != nil {
			t.Errorf("%s: %v", each.name, err)
			continue
		}
		if is := lines(m.Groups[0]); is != each.want {
			t.Errorf("%s:\n%s\nwant\n%s", each.name, is, each.want)
		}
		if nothing := each.want == ""; m.Groups[0].Nothing != nothing {
			t.Errorf("%s: nothing %t", each.name, m.Groups[0].Nothing)
		}
	}
}

// TestBadMessages reads each fault: which acknowledgement it gets, with which
// code of table 0357, where.
func TestBadMessages(t *testing.T) {
	if len(messages.Faults) < 60 {
		t.Errorf("%d faults", len(messages.Faults))
	}
	for _, each := range messages.Faults {
		m, err := read(standard, messages.Changed(each.Old, each.With))
		var unreadable *reading.Unreadable
		if !errors.As(err, &unreadable) {
			t.Errorf("%s: read as %+v, %v", each.Name, m, err)
			continue
		}
		if len(m.Groups) > 0 {
			t.Errorf("%s: something of it is handed on", each.Name)
		}
		first := unreadable.Issues[0]
		if first.Location != each.At || first.Code != each.Code || unreadable.Rejected != each.Rejected || first.Kind != reading.NotUnderstood {
			t.Errorf("%s: rejected %t, code %s: %v", each.Name, unreadable.Rejected, first.Code, err)
		}
		// No name, number or value of the message is repeated.
		for _, secret := range []string{"Fict", "Vesmara", "SYN-0022", "F-1", "4.0", "1987"} {
			if strings.Contains(err.Error(), secret) {
				t.Errorf("%s: the error names %s: %v", each.Name, secret, err)
			}
		}
	}
}

// TestIdentities reads PID-3, the numbers of the person, and what they are
// verified by.
func TestIdentities(t *testing.T) {
	for _, each := range []struct{ name, pid3, want string }{
		{"by the namespace", "1^^^EXAMPLE-HOSPITAL^MR", "urn:oid:1.2.36.146.595.217.0.1"},
		{"of another type", "1^^^EXAMPLE-HOSPITAL^PI", ""},
		{"of no type", "1^^^EXAMPLE-HOSPITAL", ""},
		{"by the namespace before the id", "1^^^EXAMPLE-HOSPITAL&1.2.3&ISO^MR", "urn:oid:1.2.36.146.595.217.0.1"},
		{"of another type, and with an id", "1^^^EXAMPLE-HOSPITAL&1.2.3&ISO^PI", ""},
		{"an object identifier", "1^^^ELSEWHERE&1.2.3&ISO^MR", "urn:oid:1.2.3"},
		{"an object identifier alone", "1^^^&1.2.3&ISO^MR", "urn:oid:1.2.3"},
		{"a URI", "1^^^&https://x.example/mrn&URI^MR", "https://x.example/mrn"},
		{"an id of no type", "1^^^&1.2.3&^MR", ""},
		{"an authority that nobody knows", "1^^^ELSEWHERE^MR", ""},
		{"no authority", "1", ""},
	} {
		m, err := read(standard, messages.Changed("SYN-0022^^^EXAMPLE-HOSPITAL^MR", each.pid3))
		if err != nil {
			t.Errorf("%s: %v", each.name, err)
			continue
		}
		g := m.Groups[0]
		if is := g.Identifiers[0].System; is != each.want {
			t.Errorf("%s: %q, want %q", each.name, is, each.want)
		}
		if held := len(g.Issues) == 1 && g.Issues[0].Kind == reading.NoAuthority; held != (each.want == "") {
			t.Errorf("%s: %+v", each.name, g.Issues)
		}
	}
	for _, each := range []struct{ old, with, want string }{
		{"Fictborne^Vesmara", "van Dyck&van&Dyck^Ann~Maiden^Ann^^^^^M", "van Dyck Ann 1987-07-01 F"},
		{"Fictborne^Vesmara", "Maiden^Ann^^^^^M~Legal^Ann^^^^^L", "Legal Ann 1987-07-01 F"},
		{"Fictborne^Vesmara", `O\T\Hara`, "O&Hara  1987-07-01 F"},
		{"19870701", "198707", "Fictborne Vesmara 1987-07 F"},
		{"19870701", "198707010230", "Fictborne Vesmara 1987-07-01 F"},
		{"19870701|F", `""|""`, "Fictborne Vesmara  "},
	} {
		m, err := read(standard, messages.Changed(each.old, each.with))
		if err != nil {
			t.Errorf("%s: %v", each.with, err)
			continue
		}
		p := m.Groups[0].Person
		if is := strings.Join([]string{p.Family, p.Given, p.BirthDate, p.Sex}, " "); is != each.want {
			t.Errorf("%s: %q, want %q", each.with, is, each.want)
		}
	}
}

// TestWhenAndWhere looks at the times that stand in for others.
func TestWhenAndWhere(t *testing.T) {
	const obr = "OBR|1|P-1|F-1|K^Potassium^L|||20240112073000|||||||||||||||20240112115500||LAB|F"
	const plain = "\nOBX|1|NM|K||4.0|mmol/L|||||F"
	for _, each := range []struct{ name, with, effective, end, issued, issues string }{
		{"OBR-7 to OBR-8", "OBR|1|P-1|F-1|K|||20240111070000|20240112070000||||||||||||||20240112115500||LAB|F" + plain,
			"2024-01-11T07:00:00+01:00", "2024-01-12T07:00:00+01:00", "2024-01-12T11:55:00+01:00", ""},
		{"OBR-8 the same", "OBR|1|P-1|F-1|K|||20240111070000|20240111070000" + plain, "2024-01-11T07:00:00+01:00", "", "2024-01-12T12:00:00+01:00", ""},
		{"OBR-8 before", "OBR|1|P-1|F-1|K|||20240111070000|20240110070000" + plain, "", "", "2024-01-12T12:00:00+01:00", "no-collection-time OBR-7 102"},
		{"days", "OBR|1|P-1|F-1|K|||20240111|20240112" + plain, "2024-01-11", "", "2024-01-12T12:00:00+01:00", ""},
		{"SPM-17", "OBR|1|P-1|F-1|K" + plain + "\nSPM|1|||SER|||||||||||||20240111070000^20240111080000",
			"2024-01-11T07:00:00+01:00", "2024-01-11T08:00:00+01:00", "2024-01-12T12:00:00+01:00", ""},
		{"two specimens", "OBR|1|P-1|F-1|K" + plain + "\nSPM|1|||SER|||||||||||||20240111070000\nSPM|2|||SER|||||||||||||20240111080000",
			"", "", "2024-01-12T12:00:00+01:00", "no-collection-time OBX-14 101"},
		{"OBX-19", "OBR|1|P-1|F-1|K|||20240112073000" + plain + "||||||||20240112090000", "2024-01-12T07:30:00+01:00", "", "2024-01-12T09:00:00+01:00", ""},
		{"released on a day", "OBR|1|P-1|F-1|K|||20240112073000|||||||||||||||20240112" + plain, "2024-01-12T07:30:00+01:00", "", "2024-01-12T12:00:00+01:00", ""},
	} {
		m, err := read(standard, messages.Changed(obr+"\n"+messages.Potassium, each.with))
		if err != nil {
			t.Errorf("%s: %v", each.name, err)
			continue
		}
		g := m.Groups[0]
		if each.issues != "" {
			if is := lines(g); is != each.issues {
				t.Errorf("%s: %s", each.name, is)
			}
			continue
		}
		r := g.Results[0]
		if r.Effective != each.effective || r.EffectiveEnd != each.end || r.Issued != each.issued {
			t.Errorf("%s: %s to %s, issued %s", each.name, r.Effective, r.EffectiveEnd, r.Issued)
		}
	}
	// An order without observations: only registered, or done with.
	for status, want := range map[string]string{"O": "", "I": "", "S": "", "P": "", "A": "", "F": "not-supported OBR ", "X": "not-supported OBR "} {
		m, err := read(standard, messages.Changed(obr+"\n"+messages.Potassium, "OBR|1|P-1|F-1|K|||20240112073000||||||||||||||||||"+status))
		if err != nil {
			t.Errorf("%s: %v", status, err)
			continue
		}
		if is := lines(m.Groups[0]); is != want || m.Groups[0].Nothing != (want == "") {
			t.Errorf("an order in status %s: %q", status, is)
		}
	}
}

// TestSendersDiffer gives a sender a zone, a character set, a processing id and a
// certificate.
func TestSendersDiffer(t *testing.T) {
	p, err := protocol.Parse([]byte(strings.Replace(standard.Source(), "      facility: EXAMPLE-LAB\n",
		"      facility: EXAMPLE-LAB\n      time_zone: America/New_York\n      charset: 8859/1\n      processing: T\n      certificate: lis.example\n", 1)))
	if err != nil {
		t.Fatal(err)
	}
	raw := []byte(strings.ReplaceAll(strings.Replace(string(messages.Changed("Fictborne", "Fictb\xf6rne")), "|P|2.5.1", "|T|2.5.1", 1), "\n", "\r"))
	if _, err := read(p, raw); err == nil {
		t.Error("a sender that needs a certificate is believed without one")
	}
	m, err := oru.Reader{Protocol: p}.Read(reading.Input{Raw: raw, Sender: "example-laboratory"})
	if err != nil {
		t.Fatal(err)
	}
	g := m.Groups[0]
	if g.Person.Family != "Fictb\u00f6rne" || g.Results[0].Effective != "2024-01-12T07:30:00-05:00" {
		t.Errorf("%s, %s", g.Person.Family, g.Results[0].Effective)
	}
	if _, err := (oru.Reader{Protocol: p}).Read(reading.Input{Raw: raw, Sender: "nobody"}); err == nil {
		t.Error("a sender that nobody knows is believed")
	}
	// The mark of a value that was cut off, from version 2.7.
	m, err = read(standard, []byte(strings.NewReplacer("2.5.1", "2.7", `^~\&`, `^~\&#`).Replace(string(messages.Changed("||4.0|", "||4.0#|")))))
	if err != nil {
		t.Fatal(err)
	}
	if is := lines(m.Groups[0]); is != "unreadable-value OBX-5.1 102" {
		t.Errorf("cut off: %s", is)
	}
}

// merging lets the example sender tell of merged numbers.
func merging(t *testing.T) *protocol.Protocol {
	t.Helper()
	p, err := protocol.Parse([]byte(strings.Replace(standard.Source(), "      facility: EXAMPLE-LAB\n", "      facility: EXAMPLE-LAB\n      merges: true\n", 1)))
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// TestMergedNumbers reads ADT^A40, from a sender that may.
func TestMergedNumbers(t *testing.T) {
	raw := messages.Message("merged")
	var unreadable *reading.Unreadable
	if _, err := read(standard, raw); !errors.As(err, &unreadable) || !unreadable.Rejected || unreadable.Issues[0].Location != "MSH-9.1" {
		t.Errorf("of a sender that may not: %v", err)
	}
	p := merging(t)
	m, err := read(p, raw)
	if err != nil {
		t.Fatal(err)
	}
	g := m.Groups[0]
	number := func(value string) []reading.Identifier {
		return []reading.Identifier{{System: "urn:oid:1.2.36.146.595.217.0.1", Value: value, Authority: "EXAMPLE-HOSPITAL", Type: "MR"}}
	}
	if !slices.Equal(g.Identifiers, number("SYN-7722")) || !slices.Equal(g.Merged, number("SYN-0022")) || g.Person.Family != "Fictborne" || len(g.Issues) > 0 || g.Nothing {
		t.Errorf("%+v", g)
	}
	for _, each := range []struct{ name, old, with, at, code string }{
		{"another event", "ADT^A40", "ADT^A08", "MSH-9.2", "201"},
		{"no MRG", "\rMRG|SYN-0022^^^EXAMPLE-HOSPITAL^MR", "", "PID", "100"},
		{"an empty MRG", "SYN-0022^^^EXAMPLE-HOSPITAL^MR", "", "MRG-1", "101"},
		{"MRG before PID", "EVN|A40|20240115085500+0100", "MRG|1^^^EXAMPLE-HOSPITAL^MR", "MRG", "100"},
		{"a result", "MRG|", "OBR|1\rMRG|", "OBR", "100"},
	} {
		text := strings.Replace(string(raw), each.old, each.with, 1)
		if _, err := read(p, []byte(text)); !errors.As(err, &unreadable) || unreadable.Issues[0].Location != each.at || unreadable.Issues[0].Code != each.code {
			t.Errorf("%s: %v", each.name, err)
		}
	}
	m, err = read(p, []byte(strings.ReplaceAll(string(raw), "EXAMPLE-HOSPITAL", "ELSEWHERE")))
	if err != nil || len(m.Groups[0].Issues) != 1 || m.Groups[0].Issues[0].Kind != reading.NoAuthority {
		t.Errorf("numbers of an authority that nobody knows: %+v, %v", m, err)
	}
}

// TestVersions reads the same message in every version that is taken.
func TestVersions(t *testing.T) {
	for _, version := range []string{"2.3", "2.3.1", "2.4", "2.5", "2.5.1", "2.6", "2.7", "2.7.1", "2.8", "2.8.1", "2.8.2"} {
		for _, kind := range []string{"ORU^R01^ORU_R01", "ORU^R01"} {
			raw := strings.NewReplacer("ORU^R01^ORU_R01", kind, "2.5.1", version).Replace(string(messages.Changed("F", "F")))
			if m, err := read(standard, []byte(raw)); err != nil || len(m.Groups[0].Results) != 1 {
				t.Errorf("%s %s: %v", version, kind, err)
			}
		}
	}
}

// What can't be told apart from a lot of issues is still left out.
func TestManyIssues(t *testing.T) {
	var many strings.Builder
	for i := range 80 {
		fmt.Fprintf(&many, "OBX|%d|NM|Q%d||1|mmol/L|||||F\n", i, i)
	}
	many.WriteString("OBX|81|NM|K||haemolysed|mmol/L|||||F")
	m, err := read(standard, messages.Changed(messages.Potassium, many.String()))
	if err != nil {
		t.Fatal(err)
	}
	if g := m.Groups[0]; len(g.Results) != 0 || len(g.Issues) != 50 {
		t.Errorf("%d results, %d issues", len(g.Results), len(g.Issues))
	}
}

// BenchmarkRead reads a message of 13 observations in three orders.
func BenchmarkRead(b *testing.B) {
	raw := messages.Message("results")
	b.SetBytes(int64(len(raw)))
	b.ReportAllocs()
	for b.Loop() {
		if _, err := read(standard, raw); err != nil {
			b.Fatal(err)
		}
	}
}

func FuzzRead(f *testing.F) {
	for _, name := range messages.Names() {
		f.Add(messages.Message(name))
	}
	f.Add([]byte(messages.Base))
	f.Fuzz(func(t *testing.T, raw []byte) {
		m, err := read(standard, raw)
		if err != nil {
			var unreadable *reading.Unreadable
			if !errors.As(err, &unreadable) || len(unreadable.Issues) == 0 {
				t.Fatalf("an error without issues: %v", err)
			}
			for _, i := range unreadable.Issues {
				if _, err := hl7.ParseLocation(i.Location); err != nil {
					t.Fatal(err)
				}
			}
			return
		}
		for _, g := range m.Groups {
			if len(g.Places) != len(g.Results) {
				t.Fatalf("%d results at %d places", len(g.Results), len(g.Places))
			}
			for i, r := range g.Results {
				// Nothing half understood: a result that counts has a code, a time, a
				// status and a value.
				if r.Code.Code == "" || r.Effective == "" || r.Status == "" || r.Identifier.Value == "" ||
					r.Status.Usable() && r.Quantity == nil && r.Coded == nil && r.Text == "" && len(r.Components) == 0 {
					t.Fatalf("%s: %+v", g.Places[i], r)
				}
			}
		}
	})
}

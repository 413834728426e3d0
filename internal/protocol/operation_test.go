package protocol_test

import (
	"slices"
	"strings"
	"testing"

	"candidacy/internal/command"
	"candidacy/internal/journey"
	"candidacy/internal/protocol"
	"candidacy/internal/protocol/protocoltest"
	"candidacy/internal/result"
)

const aboutOperations = `
complications:
  - {id: ileus, title: Ileus, source: common practice}
  - {id: seroma, title: Seroma, source: common practice}
procedure_codes:
  - id: minimal
    approaches: [laparoscopic, robotic]
    system: http://www.ama-assn.org/go/cpt
    code: "50547"
    display: Laparoscopic
    source: from memory
`

// TestTheDefaultKnowsOperations: every approach has a code, and what an operation
// is compared with can be reported for both sides.
func TestTheDefaultKnowsOperations(t *testing.T) {
	p := protocol.Default()
	for _, approach := range command.Approaches {
		if !slices.ContainsFunc(p.ProcedureCodes, func(c protocol.ProcedureCode) bool { return slices.Contains(c.Approaches, approach) }) {
			t.Errorf("%s has no code", approach)
		}
	}
	for _, what := range []string{"arteries", "veins", "ureters", "artery-early-branching"} {
		for _, side := range []journey.Side{journey.Left, journey.Right} {
			if o, ok := p.Observation(what + "-" + string(side)); !ok || !o.YesNo && !slices.Equal(o.Units, []string{"1"}) {
				t.Errorf("%s of the %s side can't be reported: %+v", what, side, o)
			}
		}
	}
	if len(p.Complications) < 10 || p.ComplicationTitle("ileus") != "Ileus" {
		t.Errorf("%d complications", len(p.Complications))
	}
}

func TestMistakesAboutOperations(t *testing.T) {
	source := protocoltest.Brief().Source() + aboutOperations
	if _, err := protocol.Parse([]byte(source)); err != nil {
		t.Fatal(err)
	}
	for _, tt := range []struct{ old, with, rule, says string }{
		{"{id: seroma", "{id: ileus", "complications.ileus", "not unique"},
		{"{id: seroma", "{id: a seroma", "complications.a seroma", "a-z"},
		{"title: Seroma, source: common practice", "title: Seroma", "complications.seroma", "title and source"},
		{"[laparoscopic, robotic]", "[]", "procedure_codes.minimal.approaches", "missing"},
		{"[laparoscopic, robotic]", "[by magic]", "procedure_codes.minimal.approaches", "laparoscopic"},
		{"http://www.ama-assn.org/go/cpt", "CPT", "procedure_codes.minimal.system", "URI"},
		{`"50547"`, `""`, "procedure_codes.minimal", "code, display and source"},
		{"    source: from memory\n", "", "procedure_codes.minimal", "source"},
	} {
		changed := strings.Replace(source, tt.old, tt.with, 1)
		_, err := protocol.Parse([]byte(changed))
		faults := protocol.Faults(err)
		if len(faults) != 1 || faults[0].Rule != tt.rule || !strings.Contains(faults[0].Message, tt.says) {
			t.Errorf("%s: got %v", tt.with, err)
			continue
		}
		// The line is that of the mistake or of the rule that has it.
		first := strings.Count(source[:strings.Index(source, "\ncomplications:")], "\n") + 2
		if line := faults[0].Line; line <= first || line > first+10 {
			t.Errorf("%s: line %d, the section begins on %d", tt.with, line, first)
		}
	}
	if _, err := protocol.Parse([]byte(source + "complication:\n")); err == nil {
		t.Error("a section that is none is taken")
	}
}

func TestComplicationsOfAProtocol(t *testing.T) {
	with, err := protocol.Parse([]byte(protocoltest.Brief().Source() + aboutOperations))
	if err != nil {
		t.Fatal(err)
	}
	for _, tt := range []struct {
		p  *protocol.Protocol
		id string
		ok bool
	}{{with, "ileus", true}, {with, "other", true}, {with, "hernia", false}, {protocoltest.Brief(), "other", true}, {protocoltest.Brief(), "ileus", false}} {
		var f command.Faults
		tt.p.CheckComplication(&f, tt.id)
		if err := f.Err(); (err == nil) != tt.ok || err != nil && !strings.Contains(err.Error(), "accepted:") {
			t.Errorf("%s: %v", tt.id, err)
		}
	}
	if got := with.ComplicationTitle("other"); got != "Another complication" {
		t.Errorf("other is %q", got)
	}
	changes := protocol.Diff(protocoltest.Brief(), with)
	var ids []string
	for _, c := range changes {
		ids = append(ids, c.Part+"."+c.ID+" "+c.Kind)
	}
	if !slices.Equal(ids, []string{"complications.ileus added", "complications.seroma added", "procedure_codes.minimal added"}) {
		t.Errorf("they differ in %v", ids)
	}
}

func TestNewest(t *testing.T) {
	at := func(id, day string, status result.Status) result.Result {
		return result.Result{ID: id, Status: status, Code: result.Coding{Code: "arteries-left"}, Effective: day, CollectedOn: day}
	}
	list := []result.Result{
		at("a", "2026-01-01", result.Final), at("b", "2026-03-01", result.Corrected), at("c", "2026-04-01", result.Preliminary), at("d", "2026-05-01", result.Final),
	}
	for by, want := range map[journey.Date]string{"2026-06-01": "d", "2026-05-01": "d", "2026-04-30": "b", "2026-02-28": "a", "2025-12-31": ""} {
		if got, ok := protocol.Newest(list, "arteries-left", by); got.ID != want || ok != (want != "") {
			t.Errorf("by %s the newest is %q", by, got.ID)
		}
	}
	if _, ok := protocol.Newest(list, "veins-left", "2026-06-01"); ok {
		t.Error("another code has a newest result")
	}
}

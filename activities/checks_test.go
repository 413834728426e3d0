package activities

import (
	"encoding/json"
	"testing"

	"candidacy/internal/command"
	"candidacy/internal/journey"
	"candidacy/internal/protocol"
	"candidacy/internal/record"
	"candidacy/internal/result"
)

func typed(id, specimen, effective, text string) result.Result {
	return result.Result{
		ID: id, Specimen: specimen, Status: result.Final, Code: result.Coding{Code: "882-1"}, Effective: effective, CollectedOn: effective[:10],
		Value: result.Value{Text: text},
	}
}

func counted(code, value, comparator string) result.Result {
	return result.Result{
		ID: code + value, Status: result.Final, Code: result.Coding{Code: code}, CollectedOn: "2026-03-01",
		Value: result.Value{Quantity: &result.Quantity{Value: json.Number(value), Unit: "1", Comparator: comparator}},
	}
}

func recipientOf(group string, crossed bool) command.RecordRecipient {
	return command.RecordRecipient{Recipient: "R-1", Incompatible: crossed, Samples: []command.RecipientSample{
		{Group: group, Specimen: "X-1", Collected: "2026-02-03T08:30:00Z"}, {Group: group, Specimen: "X-2", Collected: "2026-02-10T08:30:00Z"},
	}}
}

// TestWhatAChecksLinesAreComparedWith takes the pairs of ABO groups from the
// antigens of the red cell: O gives to all, AB takes from all.
func TestWhatAChecksLinesAreComparedWith(t *testing.T) {
	twice := func(text string) []result.Result {
		return []result.Result{typed("a", "S-1", "2026-01-05T08:00:00Z", text), typed("b", "S-2", "2026-01-12T08:00:00Z", text)}
	}
	base := CheckRecord{
		Protocol: protocol.Default(), Results: twice("A positive"), Recipient: recipientOf("A", false),
		State:    journey.State{BloodType: journey.Agree, Decision: &journey.Decision{Side: journey.Right}},
		Identity: record.Identity{BirthDate: "1980-02-29", Identifier: result.Identifier{Value: "M-1"}},
	}
	with := func(change func(*CheckRecord)) CheckRecord {
		r := base
		change(&r)
		return r
	}
	compatible, groups := protocol.CompareCompatibility, map[string]string{}
	for _, donor := range []string{"O", "A", "B", "AB"} {
		for _, taker := range []string{"O", "A", "B", "AB"} {
			r := with(func(r *CheckRecord) { r.Results, r.Recipient = twice(donor+" negative"), recipientOf(taker, false) })
			got, err := r.Recorded(compatible)
			if err != nil {
				t.Fatal(err)
			}
			groups[donor+" to "+taker] = got
		}
	}
	for pair, got := range groups {
		want := "incompatible"
		switch pair {
		case "O to O", "O to A", "O to B", "O to AB", "A to A", "A to AB", "B to B", "B to AB", "AB to AB":
			want = "compatible"
		}
		if got != want {
			t.Errorf("%s is %s, want %s", pair, got, want)
		}
	}
	for _, tt := range []struct {
		name string
		on   CheckRecord
		with protocol.Comparison
		read string
		want bool
	}{
		{"birth date", base, protocol.CompareBirthDate, "1980-02-29", true},
		{"another birth date", base, protocol.CompareBirthDate, "1980-02-28", false},
		{"identifier", base, protocol.CompareIdentifier, "M-1", true},
		{"identifier in small letters", base, protocol.CompareIdentifier, "m-1", false},
		{"recipient", base, protocol.CompareRecipient, "R-1", true},
		{"no recipient on record", with(func(r *CheckRecord) { r.Recipient = command.RecordRecipient{} }), protocol.CompareRecipient, "R-1", false},
		{"first type in other words", base, protocol.CompareBloodTypeFirst, "A+", true},
		{"second type without Rh", base, protocol.CompareBloodTypeSecond, "A", false},
		{"one sample only", with(func(r *CheckRecord) { r.Results = r.Results[:1] }), protocol.CompareBloodTypeSecond, "A positive", false},
		{"group", base, protocol.CompareBloodGroup, "A", true},
		{"group of samples that disagree", with(func(r *CheckRecord) { r.State.BloodType = journey.Disagree }), protocol.CompareBloodGroup, "A", false},
		{"recipient's group", base, protocol.CompareRecipientGroup, "A", true},
		{"another group", base, protocol.CompareRecipientGroup, "AB", false},
		{"recipient with one sample", with(func(r *CheckRecord) { r.Recipient.Samples = r.Recipient.Samples[:1] }), compatible, "compatible", false},
		{"compatible", base, compatible, "compatible", true},
		{"compatible read as crossed", base, compatible, GroupsCrossed, false},
		{"incompatible read back", with(func(r *CheckRecord) { r.Recipient = recipientOf("B", false) }), compatible, "incompatible", false},
		{"incompatible on purpose", with(func(r *CheckRecord) { r.Recipient = recipientOf("B", true) }), compatible, GroupsCrossed, true},
		{"crossed read as compatible", with(func(r *CheckRecord) { r.Recipient = recipientOf("B", true) }), compatible, "compatible", false},
		{"side", base, protocol.CompareSide, "right", true},
		{"other side", base, protocol.CompareSide, "left", false},
		{"side without a decision", with(func(r *CheckRecord) { r.State.Decision = nil }), protocol.CompareSide, "right", false},
		{"arteries", with(func(r *CheckRecord) {
			r.Results = []result.Result{counted("arteries-left", "1", ""), counted("arteries-right", "2", "")}
		}), protocol.CompareArteries, "2", true},
		{"arteries of the other side", with(func(r *CheckRecord) {
			r.Results = []result.Result{counted("arteries-left", "1", ""), counted("arteries-right", "2", "")}
		}), protocol.CompareArteries, "1", false},
		{"at most so many arteries", with(func(r *CheckRecord) { r.Results = []result.Result{counted("arteries-right", "2", "<")} }), protocol.CompareArteries, "2", false},
		{"no image report", base, protocol.CompareArteries, "1", false},
		{"answered yes", base, protocol.CompareAnswer, "yes", true},
		{"answered no", base, protocol.CompareAnswer, "no", false},
	} {
		recorded, err := tt.on.Recorded(tt.with)
		if err != nil {
			t.Fatal(err)
		}
		if got := agrees(tt.with, tt.read, recorded); got != tt.want {
			t.Errorf("%s: %q against %q agrees: %t", tt.name, tt.read, recorded, got)
		}
	}
}

package protocol_test

import (
	"strings"
	"testing"

	"candidacy/internal/protocol"
)

// TestRecoveryFaults names each mistake with the line on which it stands.
func TestRecoveryFaults(t *testing.T) {
	source := protocol.Default().Source()
	for _, tt := range []struct{ old, new, rule, message string }{
		{"    from: last-opioid\n    from_days: 1", "    from: last-opiate\n    from_days: 1", "recovery.driving.from", "accepted: [operation"},
		{"anchor: first-visit, days: 0", "anchor: first-call, days: 0", "recovery.driving.also_after", "needs an anchor of [operation"},
		{"anchor: first-visit, days: 0", "anchor: first-visit, days: -1", "recovery.driving.also_after", "0 to 3660 days"},
		{"    from: last-opioid\n    from_days: 1", "    from: last-opioid\n    from_days: 1\n    until_days: 9", "recovery.driving.also_after", "no end of its own"},
		{"until: last-opioid", "until: never", "recovery.opioid.until", "accepted: [operation"},
		{"done_by: catheter-out", "done_by: the-nurse", "recovery.catheter.done_by", "accepted: [operation"},
		{"    topic: lifting\n    from_days: 0", "    topic: loads\n    from_days: 0", "recovery.lifting.topic", "accepted: [emergency-signs"},
		{"work: [heavy]\n    from_days: 56", "work: [hard]\n    from_days: 56", "recovery.heavy-work.work", "accepted: [desk mixed heavy]"},
		{"approach: [open]", "approach: [closed]", "recovery.lifting-open.approach", "accepted: [laparoscopic"},
		{"    from_days: 0\n    until_days: 42\n    plain: Do not lift", "    from_days: 43\n    until_days: 42\n    plain: Do not lift", "recovery.lifting", "until_days not before it"},
		{"    for_life: true\n    plain: >-", "    for_life: true\n    until: discharge\n    plain: >-", "recovery.no-nsaid.for_life", "no until"},
		{`phone: "112"`, `phone: "call 112"`, "contacts.emergency.phone", "accepted: a number"},
		{"id: ward, title: The ward", "id: ward, title: \" \"", "contacts.ward.title", "missing"},
		{"id: ward,", "id: donor-team,", "contacts.donor-team", "not unique"},
		{"paracetamol_g: 4 ", "paracetamol_g: 5 ", "medicines", "cap"},
		{"paracetamol_low_g: 2 ", "paracetamol_low_g: 4.5 ", "medicines", "lower cap"},
		{"aspirin_mg: 100", "aspirin_mg: 0", "medicines", "highest aspirin"},
		{"liver_disease: history-liver-disease", "liver_disease: 2160-0", "medicines.liver_disease", "yes and no"},
		{`weight: "29463-7"`, "weight: history-gout", "medicines.weight", "with units"},
	} {
		if !strings.Contains(source, tt.old) {
			t.Errorf("the default has no %q", tt.old)
			continue
		}
		_, err := protocol.Parse([]byte(strings.Replace(source, tt.old, tt.new, 1)))
		faults := protocol.Faults(err)
		if len(faults) != 1 || faults[0].Rule != tt.rule || !strings.Contains(faults[0].Message, tt.message) || faults[0].Line < 2 {
			t.Errorf("%q: got %v, want a fault of %s with %q", tt.new, err, tt.rule, tt.message)
		}
	}
}

// TestOlderRecovery: a text from before topics and anchors is read as before.
func TestOlderRecovery(t *testing.T) {
	source, _, _ := strings.Cut(protocol.Default().Source(), "\nrecovery:")
	_, rest, _ := strings.Cut(protocol.Default().Source(), "\nobservations:")
	old, err := protocol.Parse([]byte(source + `
recovery:
  - {id: lifting, title: Lift no more than about 4 kg, for: candidate, from_days: 0, until_days: 42, source: common practice}
observations:` + rest))
	if err != nil {
		t.Fatal(err)
	}
	changes := protocol.Diff(old, protocol.Default())
	parts := map[string]int{}
	for _, c := range changes {
		parts[c.Part]++
	}
	if parts["recovery"] != len(protocol.Default().Recovery) || parts["contacts"] != 3 || parts["medicines"] != 1 {
		t.Errorf("the difference is %v", parts)
	}
	if rules := old.MedicineRules(); rules.ParacetamolG != 4 || rules.ParacetamolLowG != 0 || rules.Source == "" {
		t.Errorf("an older text has the limits %+v", rules)
	}
}

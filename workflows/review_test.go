package workflows_test

import (
	"testing"
	"time"

	"candidacy/internal/command"
	"candidacy/internal/journey"
	"candidacy/internal/result"
	"candidacy/internal/walk"
)

// results is one report at a time.
func results(r ...command.Result) *command.RecordResults { return &command.RecordResults{Results: r} }

func (b *bench) stopAfter(d time.Duration) {
	last := b.walk.Steps()[len(b.walk.Steps())-1].At
	b.env.RegisterDelayedCallback(b.env.CancelWorkflow, last.Add(d).Sub(morning))
}

// refusedWith checks that the last command was refused by a rule and all before
// it were accepted.
func (b *bench) refusedWith(rule string) {
	b.t.Helper()
	for i, o := range b.outcomes[:len(b.outcomes)-1] {
		if o.err != nil {
			b.t.Errorf("step %d, %s: %v", i, o.kind, o.err)
		}
	}
	refusal := b.refused()
	for _, reason := range refusal.Reasons {
		if reason.Rule == rule {
			return
		}
	}
	b.t.Errorf("refused with %v, want the rule %s", refusal, rule)
}

// TestACorrectedBloodTypeUndoesTheLastCheck: two people confirmed a type that
// is then corrected on both samples, which still agree.
func TestACorrectedBloodTypeUndoesTheLastCheck(t *testing.T) {
	b := newBench(t)
	w := b.walk.Refer().Screen().Evaluate().Present().Approve().Schedule().Prepare()
	day := walk.OperationDay
	for _, who := range []string{walk.Surgeon, walk.Nephrologist} {
		w.Add(w.At(day, 0), journey.ConfirmLastCheck, who, journey.Clinician, w.LastCheck())
	}
	var corrected []command.Result
	for _, r := range w.EvaluationResults(18).Results {
		if r.Code.Code == "882-1" {
			r.Status, r.Coded = result.Corrected, &result.Coding{Display: "A positive"}
			corrected = append(corrected, r)
		}
	}
	w.Add(w.At(day, 0), journey.RecordResults, walk.Coordinator, journey.Coordinator, results(corrected...))
	w.Add(w.At(day, 0), journey.SignResults, walk.Nephrologist, journey.Clinician, &command.SignResults{
		Requirements: []string{"abo-first", "abo-second"}, Verdict: journey.VerdictMet,
	})
	w.Add(w.At(day, 1), journey.BeginOperation, walk.Surgeon, journey.Clinician, &command.Plain{})
	b.stopAfter(time.Hour)
	b.run()
	b.refusedWith("last-check")
}

// TestAWorseResultEndsTheApproval: the committee approved other facts.
func TestAWorseResultEndsTheApproval(t *testing.T) {
	b := newBench(t)
	w := b.walk.Refer().Screen().Evaluate().Present().Approve().Schedule()
	w.Add(w.At(45, 0), journey.RecordResults, walk.Coordinator, journey.Coordinator, results(w.Quantity("2160-0", "1.40", "mg/dL", w.At(45, -1))))
	b.stopAfter(time.Hour)
	state := b.run()
	b.accepted()
	if state.Stage != journey.Evaluation || state.Decision != nil || state.Planned != "" {
		t.Errorf("stage %s, decision %v, planned %q", state.Stage, state.Decision, state.Planned)
	}
}

// TestTheCommitteeDeclinesNobodyUnheard asks for a decline before the advocate
// and the psychosocial evaluator were heard.
func TestTheCommitteeDeclinesNobodyUnheard(t *testing.T) {
	b := newBench(t)
	w := b.walk.Refer().Screen()
	w.Add(w.At(4, 0), journey.Decline, walk.Committee, journey.CommitteeRole, &command.Reasoned{Reason: walk.Secret})
	b.stopAfter(time.Hour)
	b.run()
	b.refusedWith("review-before-decision")
}

// TestAnOldReportDoesNotUndoACorrection delivers the original after its
// correction, without a time of issue.
func TestAnOldReportDoesNotUndoACorrection(t *testing.T) {
	b := newBench(t)
	w := b.walk.Refer().Screen()
	original := w.Quantity("4548-4", "5.1", "%", w.At(4, 0))
	corrected := original
	corrected.Status, corrected.Quantity = result.Corrected, &result.Quantity{Value: "6.9", Unit: "%"}
	for i, r := range []command.Result{original, corrected, original} {
		w.Add(w.At(5+i, 0), journey.RecordResults, walk.Coordinator, journey.Coordinator, results(r))
	}
	b.stopAfter(time.Hour)
	b.run()
	b.accepted()
	list, err := b.store.Results(t.Context(), b.candidate)
	if err != nil || len(list) != 1 || list[0].Value.Quantity.Value != "6.9" || list[0].Version != 2 {
		t.Errorf("on record is %+v, %v", list, err)
	}
}

// TestNoResultHoldsACandidateUp reports what can't be published and what would
// collide: each is recorded or refused, and the next command is carried out.
func TestNoResultHoldsACandidateUp(t *testing.T) {
	b := newBench(t)
	w := b.walk.Refer().Screen()
	one, two := w.Quantity("4548-4", "5.1", "%", w.At(4, 0)), w.Quantity("4548-4", "5.2", "%", w.At(4, 1))
	one.Identifier = result.Identifier{System: "urn:lab|a", Value: "7"}
	two.Identifier = result.Identifier{System: "urn:lab", Value: "a|7"}
	w.Add(w.At(5, 0), journey.RecordResults, walk.Coordinator, journey.Coordinator, results(one, two))
	w.Add(w.At(5, 1), journey.Withdraw, walk.Advocate, journey.Advocate, &command.Plain{})
	state := b.run()
	b.accepted()
	if state.Stage != journey.Withdrawn {
		t.Errorf("stage %s", state.Stage)
	}
	empty := w.Quantity("4548-4", "5.1", "%", w.At(4, 0))
	empty.Effective = "0001-01-01T00:00:00+01:00"
	if err := command.Validate(results(empty)); err == nil {
		t.Error("a program's empty time passes as the time of a sample")
	}
}

// TestASignatureIsForWhatWasSeen signs evidence that has changed meanwhile.
func TestASignatureIsForWhatWasSeen(t *testing.T) {
	b := newBench(t)
	w := b.walk.Refer().Screen()
	w.Add(w.At(5, 0), journey.RecordResults, walk.Coordinator, journey.Coordinator, results(w.Quantity("4548-4", "5.1", "%", w.At(4, 0))))
	w.Add(w.At(6, 0), journey.SignResults, walk.Nephrologist, journey.Clinician, &command.SignResults{
		Requirements: []string{"hba1c"}, Verdict: journey.VerdictMet, Evidence: map[string]string{"hba1c": "0123456789abcdef"},
	})
	b.stopAfter(time.Hour)
	b.run()
	b.refusedWith("result-as-seen")
}

// TestTheAdvocateStaysIndependent lets the advocate join the recipient's team
// after the decision.
func TestTheAdvocateStaysIndependent(t *testing.T) {
	b := newBench(t)
	b.walk.Refer().Screen().Evaluate().Present().Approve()
	last := b.walk.Steps()[len(b.walk.Steps())-1].At
	b.walk.Schedule()
	b.env.RegisterDelayedCallback(func() {
		if err := b.store.AddToRecipientTeam(t.Context(), walk.Recipient, walk.Advocate); err != nil {
			t.Error(err)
		}
	}, last.Add(time.Hour).Sub(morning))
	b.stopAfter(time.Hour)
	b.run()
	b.refusedWith("advocate-independent")
}

// TestTheLastCheckKeepsNoIdentity looks for what was read back from the
// wristband.
func TestTheLastCheckKeepsNoIdentity(t *testing.T) {
	b := newBench(t)
	w := b.walk.Whole()
	b.run()
	b.accepted()
	entries, err := b.store.Entries(t.Context(), b.candidate)
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range entries {
		for _, word := range []string{w.MRN(), string(walk.BirthDate), walk.Given, walk.Family} {
			if contains(e.Body, word) || contains(e.Event, word) {
				t.Errorf("the entry of %s holds %q", e.Kind, word)
			}
		}
	}
}

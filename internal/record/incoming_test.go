package record_test

import (
	"encoding/json"
	"errors"
	"testing"
	"time"

	"candidacy/internal/record"
	"candidacy/internal/result"
)

// TestIncomingMessages are kept whole and once, claimed by one process, decided on
// by one person, and never changed.
func TestIncomingMessages(t *testing.T) {
	onEach(t, func(t *testing.T, b *bench) {
		ctx := t.Context()
		b.refer(t, "cand-a", 1)
		b.refer(t, "cand-b", 2)
		raw := []byte("MSH|\xe9\x00|") // bytes, and no text
		m := record.Incoming{Channel: "mllp", Sender: "lab", ControlID: "1", ContentType: "x", Raw: raw}
		reused := func([]record.Incoming) (record.IncomingState, json.RawMessage) {
			return record.IncomingHeld, json.RawMessage(`[{"kind":"control-id-reused","problem":"x"}]`)
		}
		kept, repeated, err := b.KeepIncoming(ctx, m, b.clock.now(), reused)
		if err != nil || repeated || kept.State != record.IncomingReceived {
			t.Fatalf("kept as %+v, %t, %v", kept, repeated, err)
		}
		if _, repeated, err = b.KeepIncoming(ctx, m, b.clock.now(), reused); err != nil || !repeated {
			t.Errorf("again: %t, %v", repeated, err)
		}
		m.Raw = []byte("other")
		if other, _, err := b.KeepIncoming(ctx, m, b.clock.now(), reused); err != nil || other.State != record.IncomingHeld {
			t.Errorf("other bytes: %s, %v", other.State, err)
		}
		until := b.clock.now().Add(time.Minute)
		first, err := b.ClaimIncoming(ctx, "first", until, 10)
		second, errSecond := b.ClaimIncoming(ctx, "second", until, 10)
		if err != nil || errSecond != nil || len(first) != 1 || len(second) != 0 || string(first[0].Raw) != string(raw) {
			t.Fatalf("claimed %d and %d, %v, %v", len(first), len(second), err, errSecond)
		}
		kept.State = record.IncomingHeld
		if err := b.FinishIncoming(ctx, kept); err != nil {
			t.Fatal(err)
		}
		alias := &record.FurtherIdentifier{Identifier: result.Identifier{System: "urn:x", Value: "7"}, Candidate: "cand-a", Kind: record.IdentifierAlias, Reason: "r", RecordedBy: "cora"}
		act := record.IncomingAct{Key: "k", Actor: "cora", Role: "coordinator", Kind: "assign", Reason: "r"}
		for range 2 { // the same act twice is one
			if err := b.DecideIncoming(ctx, kept.ID, 0, act, record.IncomingSettled, nil, nil, alias); err != nil {
				t.Fatal(err)
			}
		}
		act.Key = "late"
		if err := b.DecideIncoming(ctx, kept.ID, 0, act, record.IncomingReceived, nil, nil, nil); !errors.Is(err, record.ErrChanged) {
			t.Errorf("whoever is late is told %v", err)
		}
		if acts, err := b.IncomingActs(ctx, kept.ID); err != nil || len(acts) != 1 {
			t.Errorf("%d acts, %v", len(acts), err)
		}
		if owner, err := b.OwnerOf(ctx, alias.Identifier); err != nil || owner != "cand-a" {
			t.Errorf("the number is of %q, %v", owner, err)
		}
		alias.Candidate = "cand-b"
		if err := b.AddIdentifier(ctx, *alias); !errors.Is(err, record.ErrIdentifierTaken) {
			t.Errorf("another's number: %v", err)
		}
		if now, err := b.Incoming(ctx, kept.ID); err != nil || now.State != record.IncomingSettled || now.Revision != 1 {
			t.Errorf("it stands as %+v, %v", now, err)
		}
		if counts, err := b.CountIncoming(ctx); err != nil || counts[record.IncomingHeld] != 1 || counts[record.IncomingSettled] != 1 {
			t.Errorf("counted %v, %v", counts, err)
		}
		if list, err := b.Incomings(ctx, 10, record.IncomingHeld, record.IncomingSettled); err != nil || len(list) != 2 {
			t.Errorf("listed %d, %v", len(list), err)
		}
		if list, err := b.Incomings(ctx, 10); err == nil {
			t.Errorf("without a state %d are listed", len(list))
		}
		if err := b.FreeIncoming(ctx); err != nil {
			t.Error(err)
		}
	})
}

package journey_test

import (
	"errors"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"candidacy/internal/journey"
)

var update = flag.Bool("update", false, "write the golden files")

// TestMain plays more random walks than rapid would, unless told how many.
func TestMain(m *testing.M) {
	if err := flag.Set("rapid.checks", "400"); err != nil {
		panic(err)
	}
	os.Exit(m.Run())
}

// everyKind lists each command there is, those of the system included.
func everyKind() []journey.Kind {
	return append(append(append([]journey.Kind{journey.Refer}, journey.Kinds()...), journey.OwnKinds()...), journey.Elapse, journey.EndBackEntry)
}

// TestPermissionTable prints who may give which command in which stage, so that
// a change of it shows in review as what it is.
func TestPermissionTable(t *testing.T) {
	var b strings.Builder
	fmt.Fprintln(&b, "# Which role may give which command in which stage. Written by go test -update.")
	roles := append(slices.Clone(journey.Roles), journey.System, journey.Self)
	for _, stage := range journey.Stages {
		fmt.Fprintf(&b, "\n%s\n", stage)
		for _, role := range roles {
			var names []string
			for _, kind := range everyKind() {
				err := journey.Check(journey.Rules{}, journey.State{Stage: stage}, journey.Command{Kind: kind, Role: role})
				var refusal *journey.Refusal
				// Any other refusal is of a rule, and no longer of the table.
				if errors.As(err, &refusal) && (refusal.Code == journey.Forbidden || refusal.Code == journey.NotAllowed || kind == journey.Refer) {
					continue
				}
				names = append(names, string(kind))
			}
			if len(names) == 0 {
				names = []string{"-"}
			}
			fmt.Fprintf(&b, "  %-14s %s\n", role, strings.Join(names, " "))
		}
	}
	path := filepath.Join("testdata", "permissions.golden")
	if *update {
		if err := os.WriteFile(path, []byte(b.String()), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if b.String() != string(want) {
		t.Errorf("the permission table changed; look at it and run go test ./internal/journey -run TestPermissionTable -update\n%s", b.String())
	}
}

// TestAllowedIsTheTable holds the list that refusals and pages show against
// what Check enforces.
func TestAllowedIsTheTable(t *testing.T) {
	roles := append(slices.Clone(journey.Roles), journey.System, "nobody")
	for _, stage := range journey.Stages {
		for _, role := range roles {
			allowed := journey.Allowed(stage, role)
			for _, kind := range journey.Kinds() {
				err := journey.Check(journey.Rules{}, journey.State{Stage: stage}, journey.Command{Kind: kind, Role: role})
				var refusal *journey.Refusal
				off := errors.As(err, &refusal) && (refusal.Code == journey.Forbidden || refusal.Code == journey.NotAllowed)
				if slices.Contains(allowed, kind) == off {
					t.Errorf("%s by %s in %s: allowed %t, but Check says %v", kind, role, stage, !off, err)
				}
				if off && refusal.Code == journey.NotAllowed && !slices.Equal(refusal.Allowed, allowed) {
					t.Errorf("%s by %s in %s: the refusal lists %v, want %v", kind, role, stage, refusal.Allowed, allowed)
				}
				if off && (refusal.Code == journey.Forbidden) == journey.MayGive(role, kind) {
					t.Errorf("%s by %s: code %s, but MayGive is %t", kind, role, refusal.Code, journey.MayGive(role, kind))
				}
			}
		}
	}
}

// TestRolesThatReadOnly follows requirements 9.2: neither an interface nor an
// auditor is the actor of a decision.
func TestRolesThatReadOnly(t *testing.T) {
	for _, role := range []journey.Role{journey.Auditor, journey.EHR, journey.Administrator} {
		for _, kind := range everyKind() {
			// Which rules candidates stand on is the programme's matter.
			if moves := role == journey.Administrator && kind == journey.MoveProtocol; journey.MayGive(role, kind) != moves {
				t.Errorf("%s may give %s: %t", role, kind, !moves)
			}
		}
	}
	if slices.Contains(journey.Roles, journey.System) {
		t.Error("the engine's own role can be given to somebody")
	}
	if slices.Contains(journey.Roles, journey.Self) {
		t.Error("the candidate's own role can be given to somebody")
	}
	for _, kind := range journey.OwnKinds() {
		for _, role := range append(slices.Clone(journey.Roles), journey.System) {
			if journey.MayGive(role, kind) {
				t.Errorf("%s may give %s", role, kind)
			}
		}
	}
	for _, kind := range append([]journey.Kind{journey.Refer}, journey.Kinds()...) {
		if journey.MayGive(journey.Self, kind) {
			t.Errorf("a candidate may give %s", kind)
		}
		if journey.MayGive(journey.System, kind) {
			t.Errorf("a timer may give %s", kind)
		}
	}
}

func TestUnknownCommandsAndCandidates(t *testing.T) {
	var refusal *journey.Refusal
	err := journey.Check(journey.Rules{}, journey.State{Stage: journey.Referral}, journey.Command{Kind: "dance", Role: journey.Coordinator})
	if !errors.As(err, &refusal) || refusal.Code != journey.Forbidden {
		t.Errorf("an unknown command is answered %v", err)
	}
	err = journey.Check(journey.Rules{}, journey.State{}, journey.Command{Kind: journey.Hold, Role: journey.Coordinator})
	if !errors.As(err, &refusal) || refusal.Code != journey.NotFound {
		t.Errorf("a command to nobody is answered %v", err)
	}
	err = journey.Check(journey.Rules{}, journey.State{Stage: journey.Closed}, journey.Command{Kind: journey.Refer, Role: journey.Coordinator})
	if !errors.As(err, &refusal) || refusal.Code != journey.Conflict {
		t.Errorf("a second referral is answered %v", err)
	}
	err = journey.Check(journey.Rules{}, journey.State{Stage: journey.Closed}, journey.Command{Kind: journey.Hold, Role: journey.Coordinator})
	if err == nil || !strings.Contains(err.Error(), "nothing is allowed now") {
		t.Errorf("a command after the end is answered %v", err)
	}
}

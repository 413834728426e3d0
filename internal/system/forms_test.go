package system_test

import (
	"strings"
	"testing"

	"candidacy/internal/protocol"
	"candidacy/internal/record"
	"candidacy/internal/system"
)

// TestFormsArePublished looks for the questionnaires of the present protocol, of
// one that is stored later, and of one that was stored before there were any.
func TestFormsArePublished(t *testing.T) {
	dir := t.TempDir()
	// The brief protocol of the other tests asks no questions.
	open := func() *system.System {
		sys, err := system.Open(t.Context(), system.Options{DataDir: dir})
		if err != nil {
			t.Fatal(err)
		}
		return sys
	}
	sys := open()
	count := func(version string) (n int) {
		if err := sys.Store.EachResource(t.Context(), func(p record.Published) error {
			if p.Type == "Questionnaire" && strings.Contains(string(p.Body), `"version":"`+version+`"`) {
				if n++; p.Version != 1 {
					t.Errorf("%s is version %d", p.ID, p.Version)
				}
			}
			return nil
		}); err != nil {
			t.Fatal(err)
		}
		return n
	}
	if n := count(sys.Current.Version); n < 3 {
		t.Errorf("%d forms of the present protocol", n)
	}
	another := func(version string) *protocol.Protocol {
		p, err := protocol.Parse([]byte(strings.Replace(sys.Current.Source(), `version: "`+sys.Current.Version+`"`, `version: "`+version+`"`, 1)))
		if err != nil {
			t.Fatal(err)
		}
		return p
	}
	if err := system.PublishForms(t.Context(), sys.Store, another("later")); err != nil {
		t.Fatal(err)
	}
	before := another("before")
	if err := sys.Store.KeepProtocol(t.Context(), before.Version, before.Digest(), before.Source()); err != nil {
		t.Fatal(err)
	}
	if count("later") != count(sys.Current.Version) || count("before") != 0 {
		t.Errorf("%d and %d forms", count("later"), count("before"))
	}
	closed(t, sys)
	sys = open()
	defer closed(t, sys)
	if count("before") != count("later") {
		t.Errorf("%d forms of a version from before", count("before"))
	}
}

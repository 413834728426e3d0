package demo_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"candidacy/fhir"
	"candidacy/internal/bulk"
	"candidacy/internal/conformance"
	"candidacy/internal/record"
)

// exported is every resource of the store as an export has it, by its name.
func exported(t *testing.T, store *record.Store) map[string][]byte {
	t.Helper()
	scans, err := fhir.AllExports(nil, time.Time{})
	if err != nil {
		t.Fatal(err)
	}
	folder := filepath.Join(t.TempDir(), "export")
	copied, err := bulk.ToFolder(t.Context(), store, scans, folder, func(int64, int64) {})
	if err != nil {
		t.Fatal(err)
	}
	all := map[string][]byte{}
	for _, f := range copied.Output {
		raw, err := os.ReadFile(filepath.Join(folder, f.File))
		if err != nil {
			t.Fatal(err)
		}
		lines := bytes.Split(bytes.TrimSuffix(raw, []byte("\n")), []byte("\n"))
		if int64(len(lines)) != f.Count {
			t.Errorf("%s holds %d lines, not %d", f.File, len(lines), f.Count)
		}
		for _, line := range lines {
			var r struct{ ResourceType, ID string }
			if err := json.Unmarshal(line, &r); err != nil || r.ResourceType != f.Type {
				t.Fatalf("%s: %v %.200s", f.File, err, line)
			}
			all[r.ResourceType+"/"+r.ID] = line
		}
	}
	return all
}

// TestEveryPublishedResourceConforms puts every resource of the demonstration, as it
// is exported, through both validators, and every shape of their earlier versions.
func TestEveryPublishedResourceConforms(t *testing.T) {
	sys := loaded(t)
	var current, earlier bytes.Buffer
	types := map[string]int{}
	var names, before []string
	copied := exported(t, sys.Store)
	if err := sys.Store.EachResource(t.Context(), func(p record.Published) error {
		types[p.Type]++
		name := p.Type + "/" + p.ID
		names = append(names, name)
		if !bytes.Equal(copied[name], p.Body) {
			t.Errorf("%s is exported as %s, and published as %s", name, copied[name], p.Body)
		}
		current.Write(copied[name])
		return current.WriteByte('\n')
	}); err != nil {
		t.Fatal(err)
	}
	if len(copied) != len(names) {
		t.Errorf("%d resources are exported, and %d published", len(copied), len(names))
	}
	shapes, versions := conformance.NewShapes(), 0
	// What belongs to the programme, everybody's resources may point to.
	programme := conformance.Known{}
	if err := sys.Store.EachVersion(t.Context(), "", func(p record.Published) error {
		programme.Add(p.Type+"/"+p.ID, strconv.FormatInt(p.Version, 10))
		return nil
	}); err != nil {
		t.Fatal(err)
	}
	for _, c := range candidates(t, sys) {
		known := maps.Clone(programme)
		var all []record.Published
		if err := sys.Store.EachVersion(t.Context(), c.ID, func(p record.Published) error {
			known.Add(p.Type+"/"+p.ID, strconv.FormatInt(p.Version, 10))
			all = append(all, p)
			return nil
		}); err != nil {
			t.Fatal(err)
		}
		for _, p := range all {
			versions++
			dangling, err := known.Unresolved(p.Body)
			if err != nil || len(dangling) > 0 {
				t.Errorf("%s/%s version %d refers to %v: %v", p.Type, p.ID, p.Version, dangling, err)
			}
			novel, err := shapes.Add(p.Body)
			if err != nil {
				t.Fatal(err)
			}
			if novel != nil {
				before = append(before, fmt.Sprintf("%s/%s version %d", p.Type, p.ID, p.Version))
				earlier.Write(append(novel, '\n'))
			}
		}
	}
	for _, typ := range []string{
		"Patient", "EpisodeOfCare", "CarePlan", "CareTeam", "Observation", "Specimen", "DiagnosticReport", "DetectedIssue", "Flag", "ClinicalImpression", "RiskAssessment",
		"Questionnaire", "QuestionnaireResponse", "Consent", "Procedure", "Condition", "Encounter", "MedicationStatement", "AdverseEvent", "Appointment", "ServiceRequest",
		"Provenance", "Organization", "PractitionerRole", "Device",
	} {
		if types[typ] == 0 {
			t.Errorf("the demonstration publishes no %s", typ)
		}
	}
	t.Logf("resources: %v; %d versions with %d shapes", types, versions, shapes.Len())
	for _, f := range slices.Concat(conformance.Google(t, current.Bytes()), conformance.Node(t, current.Bytes(), "--references")) {
		t.Errorf("%s: %s", names[f.Line-1], f.Message)
	}
	for _, f := range slices.Concat(conformance.Google(t, earlier.Bytes()), conformance.Node(t, earlier.Bytes())) {
		t.Errorf("%s: %s", before[f.Line-1], f.Message)
	}
}

// TestImpressionsPointToVersions resolves what decisions stood on, version by
// version.
func TestImpressionsPointToVersions(t *testing.T) {
	sys := loaded(t)
	impressions, references := 0, 0
	if err := sys.Store.EachResource(t.Context(), func(p record.Published) error {
		if p.Type != "ClinicalImpression" {
			return nil
		}
		impressions++
		var i struct {
			Investigation []struct{ Item []struct{ Reference string } }
		}
		if err := json.Unmarshal(p.Body, &i); err != nil {
			return err
		}
		for _, group := range i.Investigation {
			for _, item := range group.Item {
				references++
				id, version, _ := strings.Cut(strings.TrimPrefix(item.Reference, "Observation/"), "/_history/")
				n, err := strconv.ParseInt(version, 10, 64)
				if err != nil {
					return err
				}
				if _, err := sys.Store.ResourceVersion(t.Context(), "Observation", id, n); err != nil {
					t.Errorf("%s of %s: %v", item.Reference, p.ID, err)
				}
			}
		}
		return nil
	}); err != nil {
		t.Fatal(err)
	}
	if references < 20*impressions || impressions == 0 {
		t.Errorf("%d references in %d impressions", references, impressions)
	}
}

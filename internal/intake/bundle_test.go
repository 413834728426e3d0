package intake_test

import (
	"os"
	"path/filepath"
	"testing"
	"time"

	"candidacy/internal/command"
	"candidacy/internal/intake"
	"candidacy/internal/protocol"
	"candidacy/internal/result"
)

func TestAssessDump(t *testing.T) {
	p := protocol.Default()
	for _, c := range []string{"c01", "c05", "c06", "c07", "c08", "c09", "c10", "c11"} {
		var all []result.Result
		for _, kind := range []string{"screening", "evaluation", "preoperative"} {
			raw, err := os.ReadFile(filepath.Join("../../testdata/bundles", c+"-"+kind+".json"))
			if err != nil {
				t.Fatal(err)
			}
			m, err := intake.ReadBundle(raw)
			if err != nil {
				t.Fatal(err)
			}
			for i, r := range m.Results {
				all = append(all, r.Record(r.Identifier.Value, 1, p.Zone()))
				_ = i
			}
			body := &command.RecordResults{Results: m.Results}
			if err := command.Validate(body); err != nil {
				t.Error(err)
			}
		}
		rep := p.Assess(protocol.Person{BirthDate: "1981-03-14", Sex: "female"}, all, "2026-11-25")
		t.Log(c, rep.BloodType)
		for _, f := range rep.Findings {
			t.Log("   finding", f)
		}
		for _, f := range rep.Flags {
			t.Log("   ", f.ID, f.Band, f.Shown, f.Unit, f.Reason, f.Warnings)
		}
	}
	_ = time.Now
}

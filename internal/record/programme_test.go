package record_test

import (
	"strings"
	"testing"
	"time"

	"candidacy/internal/record"
)

func TestProgrammeResources(t *testing.T) {
	onEach(t, func(t *testing.T, b *bench) {
		ctx := t.Context()
		home := record.Resource{
			Type: "Organization", ID: "programme", Body: []byte(`{"resourceType":"Organization","id":"programme","name":"Invented"}`),
			Index: []record.Index{{Param: "name", Value: "invented"}},
		}
		device := record.Resource{Type: "Device", ID: "calculator", Body: []byte(`{"resourceType":"Device","id":"calculator"}`)}
		if err := b.PublishProgramme(ctx, []record.Resource{home, device}); err != nil {
			t.Fatal(err)
		}
		b.clock.advance(time.Hour)
		home.Body = []byte(`{"resourceType":"Organization","id":"programme","name":"Renamed"}`)
		if err := b.PublishProgramme(ctx, []record.Resource{home, device}); err != nil {
			t.Fatal(err)
		}
		if p, err := b.Resource(ctx, "Organization", "programme"); err != nil || p.Version != 2 || !strings.Contains(string(p.Body), "Renamed") {
			t.Errorf("%s, %v", p.Body, err)
		}
		if p, err := b.Resource(ctx, "Device", "calculator"); err != nil || p.Version != 1 {
			t.Errorf("what did not change is version %d, %v", p.Version, err)
		}
		named := record.Condition{Param: "name", Any: []record.Match{{Op: "prefix", Value: "inv"}}}
		if n, err := b.Count(ctx, record.Query{Type: "Organization", Conditions: []record.Condition{named}}); err != nil || n != 1 {
			t.Errorf("found %d, %v", n, err)
		}
		// All or nothing, and nobody else's.
		b.publish(t, "cand-a", "refer", patient("p-1", "Zephyrwick"))
		home.Body = []byte(`{"resourceType":"Organization","id":"programme","name":"Once more"}`)
		if err := b.PublishProgramme(ctx, []record.Resource{home, patient("p-1", "Other")}); err == nil {
			t.Error("a candidate's resource was taken")
		}
		if p, err := b.Resource(ctx, "Organization", "programme"); err != nil || p.Version != 2 {
			t.Errorf("half of it was published: version %d, %v", p.Version, err)
		}
	})
}

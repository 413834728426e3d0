package risk

import (
	"encoding/json"
	"testing"
	"time"

	"candidacy/internal/command"
	"candidacy/internal/journey"
	"candidacy/internal/record"
	"candidacy/internal/result"
)

func entry(t *testing.T, seq int64, body string) record.Entry {
	t.Helper()
	decoded, err := command.Decode(journey.RecordRisk, []byte(body))
	if err != nil {
		t.Fatal(err)
	}
	raw, err := json.Marshal(decoded)
	if err != nil {
		t.Fatal(err)
	}
	return record.Entry{Seq: seq, Kind: journey.RecordRisk, Actor: "acc-1", OccurredAt: time.Date(2026, 3, 2, 9, 0, 0, 0, time.UTC), Body: raw}
}

const body = `"outcome":"kidney-failure","scenario":"without-donation","model":"Invented","model_version":"1","source":"Invented","on":"2026-03-02"`

func TestCorrectionsStandInPlace(t *testing.T) {
	entries := []record.Entry{
		{Seq: 1, Kind: journey.RecordResults, Body: json.RawMessage(`{}`)},
		entry(t, 2, `{`+body+`,"percent":0.90,"horizon_years":15}`),
		entry(t, 3, `{`+body+`,"percent":2,"lifetime":true}`),
		entry(t, 4, `{`+body+`,"percent":0.80,"horizon_years":15,"replaces":2,"reason":"mistyped"}`),
		entry(t, 5, `{`+body+`,"percent":0.80,"horizon_years":1,"replaces":4,"entered_in_error":true,"reason":"another person"}`),
	}
	list, err := Of(entries[:4])
	if err != nil || len(list) != 2 {
		t.Fatalf("%+v: %v", list, err)
	}
	first := list[0]
	if first.First != 2 || first.Seq != 4 || first.Percent != "0.80" || first.By != "acc-1" || first.Horizon() != "15 years" || first.Supposes() != "without donation" {
		t.Errorf("the first is %+v", first)
	}
	if list[1].Seq != 3 || list[1].Horizon() != "lifetime" {
		t.Errorf("the second is %+v", list[1])
	}
	if list, err = Of(entries); err != nil || len(list) != 2 || !list[0].EnteredInError || list[0].First != 2 || list[0].Horizon() != "1 year" {
		t.Errorf("%+v: %v", list, err)
	}
	if _, err := Of([]record.Entry{{Seq: 9, Kind: journey.RecordRisk, Body: json.RawMessage(`[]`)}}); err == nil {
		t.Error("a body that can't be read was passed over")
	}
}

func TestWhatARiskMayName(t *testing.T) {
	list, err := Of([]record.Entry{entry(t, 2, `{`+body+`,"percent":1,"horizon_years":15}`), entry(t, 4, `{`+body+`,"percent":1,"horizon_years":15,"replaces":2,"reason":"x"}`)})
	if err != nil {
		t.Fatal(err)
	}
	results := []result.Result{{ID: "open"}, {ID: "told"}}
	told := func(r result.Result) bool { return r.ID == "told" }
	for _, c := range []struct {
		replaces int64
		basis    []string
		field    string
		code     journey.RefusalCode
	}{
		{0, nil, "", ""},
		{4, []string{"open"}, "", ""},
		{2, nil, "replaces", journey.Conflict},
		{9, nil, "replaces", journey.Conflict},
		{0, []string{"open", "other"}, "basis[1]", journey.Invalid},
		{0, []string{"told"}, "basis[0]", journey.Invalid},
	} {
		refusal := Refuse(list, &command.RecordRisk{Replaces: c.replaces, Basis: c.basis}, results, told)
		if (refusal == nil) != (c.field == "") || refusal != nil && (refusal.Field != c.field || refusal.Code != c.code) {
			t.Errorf("%d %v: %v", c.replaces, c.basis, refusal)
		}
	}
}

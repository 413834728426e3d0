package fhir

import (
	"maps"
	"slices"
	"strings"
	"testing"
	"time"

	r4 "github.com/samply/golang-fhir-models/fhir-models/fhir"

	"candidacy/internal/journey"
	"candidacy/internal/record"
)

func TestInstantPrefixes(t *testing.T) {
	now := time.Date(2026, 3, 2, 0, 0, 0, 0, time.UTC)
	text := func(s string) string { return s + "T00:00:00.000000Z" }
	from, to := text("2026-02-01"), text("2026-03-01")
	for in, want := range map[string][]record.Span{
		"2026-02":   {{From: from, To: to}},
		"eq2026-02": {{From: from, To: to}},
		"ne2026-02": {{To: from}, {From: to}},
		"lt2026-02": {{To: from}},
		"eb2026-02": {{To: from}},
		"gt2026-02": {{From: to}},
		"sa2026-02": {{From: to}},
		"le2026-02": {{To: to}},
		"ge2026-02": {{From: from}},
		// 29 days before now: widened by 2.9 days.
		"ap2026-02":                     {{From: "2026-01-29T02:24:00.000000Z", To: "2026-03-03T21:36:00.000000Z"}},
		"2026":                          {{From: text("2026-01-01"), To: text("2027-01-01")}},
		"2026-02-28":                    {{From: text("2026-02-28"), To: text("2026-03-01")}},
		"2026-02-01T10:20Z":             {{From: "2026-02-01T10:20:00.000000Z", To: "2026-02-01T10:21:00.000000Z"}},
		"2026-02-01T10:20":              {{From: "2026-02-01T10:20:00.000000Z", To: "2026-02-01T10:21:00.000000Z"}},
		"2026-02-01T10:20:30 02:00":     {{From: "2026-02-01T08:20:30.000000Z", To: "2026-02-01T08:20:31.000000Z"}},
		"2026-02-01T10:20:30.25Z":       {{From: "2026-02-01T10:20:30.250000Z", To: "2026-02-01T10:20:30.260000Z"}},
		"2026-02-01T10:20:30.12345678Z": {{From: "2026-02-01T10:20:30.123456Z", To: "2026-02-01T10:20:30.123457Z"}},
		"9999":                          {{From: text("9999-01-01")}},
		"gt9999":                        nil,
		"le9999":                        {{}},
	} {
		v, err := parseDateValue(in, now)
		if got := v.spans(); err != nil || !slices.Equal(got, want) {
			t.Errorf("%s: %v %v, want %v", in, got, err, want)
		}
	}
	for _, in := range []string{
		"", "eq", "26", "2026-13", "2026-02-30", "2026-2-1", "zz2026", "2026-02-01T10", "2026-02-01T10:20:30,5Z", "2026-02-01T25:00Z",
		"0000", "0001-01-01T00:00:00+05:00", "9999-12-31T23:59:59-05:00", "eqeq2026",
	} {
		if got, err := parseDateValue(in, now); err == nil {
			t.Errorf("%q was read as %v", in, got)
		}
	}
}

// The dates that every prefix is tried on: each a period or one date.
var searched = map[string]r4.Observation{
	"open":     {EffectivePeriod: &r4.Period{Start: optional("2026-02-10")}},
	"until":    {EffectivePeriod: &r4.Period{End: optional("2026-02-10")}},
	"closed":   {EffectivePeriod: &r4.Period{Start: optional("2026-02-05"), End: optional("2026-02-20")}},
	"hours":    {EffectivePeriod: &r4.Period{Start: optional("2026-02-10T08:00:00Z"), End: optional("2026-02-10T18:00:00+01:00")}},
	"reversed": {EffectivePeriod: &r4.Period{Start: optional("2026-02-20"), End: optional("2026-02-05")}},
	"day":      {EffectiveDateTime: optional("2026-02-10")},
	"month":    {EffectiveDateTime: optional("2026-02")},
	"second":   {EffectiveDateTime: optional("2026-02-10T12:00:00Z")},
	"zoned":    {EffectiveDateTime: optional("2026-02-10T23:30:00-05:00")},
	"last":     {EffectiveDateTime: optional("9999-12-31")},
	"none":     {},
}

func TestDatePrefixes(t *testing.T) {
	store := testStore(t)
	var resources []record.Resource
	var all []string
	for _, id := range slices.Sorted(maps.Keys(searched)) {
		o := searched[id]
		o.Id, o.Status, o.Code = &id, r4.ObservationStatusFinal, concept(systemLOINC, "2160-0", "", "")
		r, err := publishObservation(o)
		if err != nil {
			t.Fatal(err)
		}
		resources = append(resources, r)
		if id != "none" {
			all = append(all, id)
		}
	}
	commit(t, store, testSnapshot(candidateA), 1, resources)
	e := testServer(store)
	every := strings.Join(all, " ")
	for query, want := range map[string]string{
		"date=2026-02-10":   "day hours second",
		"date=eq2026-02-10": "day hours second",
		"date=ne2026-02-10": "closed last month open reversed until zoned",
		"date=gt2026-02-10": "closed last month open reversed zoned",
		"date=ge2026-02-10": "closed day hours last month open reversed second zoned",
		"date=sa2026-02-10": "last reversed zoned",
		"date=lt2026-02-10": "closed month until",
		"date=le2026-02-10": "closed day hours month second until",
		"date=eb2026-02-11": "day hours second until",
		"date=eb2026-02-10": "",
		// 20 days and 9.5 hours before now: widened by 2 days and 57 minutes.
		"date=ap2026-02-10": "closed day hours month open second until zoned",

		"date=2026-02":   "closed day hours month reversed second zoned",
		"date=ne2026-02": "last open until",
		"date=gt2026-02": "last open",
		"date=ge2026-02": "closed day hours last month open reversed second zoned",
		"date=lt2026-02": "until",
		"date=le2026-02": "closed day hours month reversed second until zoned",
		"date=sa2026-02": "last",
		"date=eb2026-02": "",

		"date=2026-02-10T12:00:00Z":   "second",
		"date=ne2026-02-10T12:00:00Z": "closed day hours last month open reversed until zoned",
		"date=gt2026-02-10T12:00:00Z": "closed day hours last month open reversed until zoned",
		"date=ge2026-02-10T12:00:00Z": every,
		"date=lt2026-02-10T12:00:00Z": "closed day hours month open until",
		"date=le2026-02-10T12:00:00Z": "closed day hours month open second until",
		"date=sa2026-02-10T11:59:59Z": "last reversed second zoned",
		"date=eb2026-02-10T12:00:01Z": "second",
		"date=eb2026-02-10T17:00:01Z": "hours second",
		"date=gt2026-02-10T16:59:59Z": "closed day hours last month open reversed until zoned",
		"date=gt2026-02-10T17:00:00Z": "closed day last month open reversed until zoned",

		"date=9999":   "last",
		"date=gt9999": "",
		"date=sa9999": "",
		"date=ne9999": "closed day hours month open reversed second until zoned",
		"date=le9999": every,
		"date=ge0001": every,
		"date=lt0001": "until",

		// Several values are joined, several parameters all hold.
		"date=2026-02-10,2026-02-11":                         "day hours second zoned",
		"date=2026-02-10,2026-02-10,eq2026-02":               "closed day hours month reversed second zoned",
		"date=lt2026-02-06,gt2026-02-19":                     "closed last month open reversed until",
		"date=ge2026-02-10&date=le2026-02-10":                "closed day hours month second",
		"date=ge2026-02-10&date=lt2026-02-10":                "closed month",
		"date=gt2026-02-10,lt2026-02-10,2026-02-10":          every,
		"date=ne2026-02-10,2026-02-10":                       every,
		"date=ne2026-02-10&date=2026-02-10":                  "",
		"date=ne2026-02&date=ne2026-02-10&date=ne2026-02-11": "last open until",
	} {
		// Small pages show that no resource is found twice or missed.
		for _, count := range []string{"1", "50"} {
			var got []string
			target := "/fhir/Observation?" + query + "&_count=" + count
			for target != "" {
				set := readSet(t, ask(e, "GET", target, ""))
				if set.Total != len(strings.Fields(want)) {
					t.Errorf("%s: total %d", query, set.Total)
				}
				for _, entry := range set.Entry {
					got = append(got, entry.Resource.ID)
				}
				target = strings.TrimPrefix(set.link("next"), "https://programme.example")
			}
			if strings.Join(got, " ") != want {
				t.Errorf("%s:\ngot  %s\nwant %s", query, strings.Join(got, " "), want)
			}
		}
	}
}

// What is indexed for each type, bound by bound.
func TestIndexedBounds(t *testing.T) {
	s := testSnapshot(candidateA)
	s.State.Stage = journey.Closed
	s.State.Since = "2026-04-01"
	closed := mustPublish(t, s)
	active := mustPublish(t, testSnapshot(candidateA))
	for _, c := range []struct {
		list                       []record.Resource
		typ, id, param, start, end string
	}{
		{active, typeEpisodeOfCare, candidateA, "date", "2026-03-02T00:00:00.000000Z", openEnd},
		{closed, typeEpisodeOfCare, candidateA, "date", "2026-03-02T00:00:00.000000Z", "2026-04-02T00:00:00.000000Z"},
		{active, typeCarePlan, candidateA + "-evaluation", "date", "2026-03-02T00:00:00.000000Z", openEnd},
		{active, typeObservation, "a0000000-0000-4000-8000-000000000002", "date", "2026-02-03T00:00:00.000000Z", "2026-02-04T00:00:00.000000Z"},
		{active, typeObservation, "a0000000-0000-4000-8000-000000000004", "date", "2026-02-06T10:00:00.250000Z", "2026-02-06T10:00:00.251000Z"},
		{active, typeObservation, "a0000000-0000-4000-8000-000000000006", "date", "2026-02-07T06:00:00.000000Z", "2026-02-08T06:00:01.000000Z"},
		{active, typeDetectedIssue, candidateA + "-flag-egfr", "identified", "2026-02-03T00:00:00.000000Z", "2026-02-04T00:00:00.000000Z"},
		{active, typePatient, candidateA, "birthdate", "1981-06-30T00:00:00.000000Z", "1981-07-01T00:00:00.000000Z"},
	} {
		r := find(t, c.list, c.typ, c.id)
		if !slices.Contains(r.Index, record.Index{Param: c.param, Value: c.start, End: c.end}) {
			t.Errorf("%s/%s: no %s from %s to %s in %v", c.typ, c.id, c.param, c.start, c.end, r.Index)
		}
	}
}

func TestElementDates(t *testing.T) {
	for _, ok := range []string{"2026", "2026-02", "2026-02-03", "2026-02-03T10:00:00Z", "2026-02-03T10:00:00.5+01:00"} {
		if err := checkDateTime(ok); err != nil {
			t.Errorf("%s: %v", ok, err)
		}
	}
	for _, bad := range []string{"2026-02-03T10:00Z", "2026-02-03T10:00:00", "2026-02-03 10:00:00Z", "2026-02-29", "03/02/2026"} {
		if err := checkDateTime(bad); err == nil {
			t.Errorf("%s was accepted", bad)
		}
	}
}
